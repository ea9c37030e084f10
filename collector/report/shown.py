"""Figures as text for people: so many decimals as the readings carry, and two more for what is worked out of them.

Knows: rounding for the eye, half to even, never in the data.
Must not know: where a figure stands on a page.
"""

from decimal import ROUND_HALF_EVEN, Context, Decimal

from collector.logs import plain
from collector.measuring.units import Unit, convert_exactly
from collector.report.around import Check
from collector.report.figures import Set
from collector.report.lot import JudgedBy
from collector.statistics.capability import Index

_WIDE = Context(prec=80, rounding=ROUND_HALF_EVEN)
MINUS = "\N{MINUS SIGN}"
NONE = "\N{EN DASH}"


def size(value: Decimal | None) -> str:
    """A size with the digits that it has; a dash for none."""
    return NONE if value is None else _signed(format(value, "f"))


def figure(value: Decimal | float | None, decimals: int) -> str:
    """A figure that was worked out, rounded to so many decimals; a dash for none."""
    if value is None:
        return NONE
    exact = value if isinstance(value, Decimal) else Decimal(repr(value))
    return _signed(format(exact.quantize(Decimal(1).scaleb(-decimals), context=_WIDE), "f"))


def unit(text: str) -> str:
    """A unit as people write it."""
    return {"um": "µm", "uin": "µin"}.get(text, text)


def index(value: Index | None) -> tuple[str, str]:
    """An index and its interval in words."""
    if value is None:
        return NONE, ""
    return f"{_signed(f'{value.value:.2f}')}", f"{_signed(f'{value.low:.2f}')} to {_signed(f'{value.high:.2f}')}"


def limits(one: JudgedBy) -> str:
    """What values were judged by, in words."""
    of = f" {unit(one.unit)}" if one.unit else ""
    if one.lower is not None and one.upper is not None:
        words = f"{size(one.lower)} to {size(one.upper)}{of}"
    elif one.upper is not None:
        words = f"at most {size(one.upper)}{of}"
    elif one.lower is not None:
        words = f"at least {size(one.lower)}{of}"
    else:
        words = "no limits"
    return f"{words}, nominal {size(one.nominal)}{of}" if one.nominal is not None else words


def percent(part: int, of: int) -> str:
    """A share with one decimal, none of nothing; only all is 100 % and only nothing is 0 %."""
    if not of:
        return NONE
    share = 100 * part / of
    if 0 < share < 0.05:
        return "under 0.1 %"
    if 99.95 <= share < 100:
        return "over 99.9 %"
    return f"{share:.1f} %"


def time(text: str) -> str:
    """A record's time to the second, as people write it."""
    return plain(f"{text[:10]} {text[11:19]}" if len(text) >= 19 else text)


def off(check: Check) -> str:
    """How far a check was off, in um or uin."""
    if not check.deviation:
        return ""
    fine = {"mm": "um", "in": "uin"}.get(check.unit, check.unit)
    deviation = convert_exactly(Decimal(check.deviation), Unit(check.unit), Unit(fine))
    return f"{_signed(f'{deviation.normalize(_WIDE):+f}')} {unit(fine)}"


def digits(one: Set, decimals: int) -> int:
    """Decimals for figures of a set: two more than its readings, more where its deviation is smaller still."""
    deviation = one.figures.summary.deviation
    if not deviation:
        return decimals + 2
    return max(decimals + 2, 2 - deviation.adjusted())


def _signed(text: str) -> str:
    return text.replace("-", MINUS)
