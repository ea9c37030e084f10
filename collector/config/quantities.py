"""How lengths, factors, coefficients and dates of a configuration are written.

Knows: each is read exactly, or refused with what would be right.
Must not know: which key holds which.
"""

import re
from datetime import date
from decimal import Decimal

from collector.measuring.units import Length, Unit
from collector.settings import split_quantity, text_type, wrong


def length(text: str) -> Length:
    """`12.5 mm`, `0.0005 in`, `3 um` -> Length."""
    right = "write a number and one of mm, um, in, uin, thou, as in 12.5 mm"
    try:
        value, unit = split_quantity(text)
    except ValueError:
        raise wrong(f"{text!r} is not a length", right) from None
    if not unit:
        raise wrong(f"{text!r} has no unit", right)
    if unit not in [one.value for one in Unit]:
        raise wrong(f"{text!r}: unit {unit!r} is not known", right)
    return Length(value, Unit(unit))


def positive_length(text: str) -> Length:
    """A length above zero."""
    found = length(text)
    if found.value <= 0:
        raise wrong(f"{text!r} is not above zero", "write a length above zero, as in 0.5 um")
    return found


def decimal_number(text: str) -> Decimal:
    """A plain exact number, no unit."""
    try:
        value, unit = split_quantity(text)
    except ValueError:
        unit, value = "?", Decimal(0)
    if unit or not value:
        raise wrong(f"{text!r} is not a number other than zero", "write plain digits, as in 0.001")
    return value


def expansion(text: str) -> Decimal:
    """A coefficient of linear expansion for each kelvin: `11.5e-6`, `0.0000115`."""
    found = re.fullmatch(r"([0-9]{1,3}(?:\.[0-9]{1,9})?)(?:e-([0-9]))?", text)
    value = Decimal(found[1]).scaleb(-int(found[2] or 0)) if found else Decimal(0)
    if not Decimal("1e-8") <= value <= Decimal("1e-4"):
        raise wrong(f"{text!r} is no coefficient of expansion", "write it for each kelvin, as in 11.5e-6 (a steel)")
    return value


def calendar_day(text: str) -> date:
    """`2027-03-31` -> date, of the years 2000 to 2199."""
    try:
        if not re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", text):
            raise ValueError(text)
        found = date.fromisoformat(text)
    except ValueError:
        raise wrong(f"{text!r} is not a date", "write year, month and day, as in 2027-03-31") from None
    if not 2000 <= found.year < 2200:
        raise wrong(f"{text!r} is not in the years 2000 to 2199", "leave it out where there is no end")
    return found


LengthText = text_type(length, "a length with its unit: 12.5 mm, 0.0005 in, 3 um")
PositiveLength = text_type(positive_length, "a length above zero with its unit")
Number = text_type(decimal_number, "an exact number", also="number")
Expansion = text_type(expansion, "expansion for each kelvin: 11.5e-6", also="number")
Day = text_type(calendar_day, "a date: 2027-03-31")
