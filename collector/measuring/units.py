"""Units of length and their exact conversion.

Knows: mm, um, in, uin, thou; how columns write them; 1 in = 25.4 mm exactly (international yard and pound
agreement of 1959).  Arithmetic is decimal and exact; where a quotient has no end (mm to in), it is rounded once,
half to even, to a stated resolution.
Must not know: parts, limits, where a value came from.
"""

from decimal import ROUND_HALF_EVEN, Context, Decimal, DivisionByZero, InvalidOperation, Overflow
from enum import Enum
from fractions import Fraction

from msgspec import Struct

EXACT = Context(prec=60, rounding=ROUND_HALF_EVEN, traps=[InvalidOperation, DivisionByZero, Overflow])
"""Wide enough that sums and products of what numbers the house lets in (18 digits) are never rounded."""

_ONE = Decimal(1)
_WIDER = Context(prec=120)                             # holds the product of a quotient and its divisor whole


class Unit(Enum):
    """A unit of length by its name in configuration and records."""

    __hash__ = object.__hash__                         # members are single; Enum's own is slow

    MM = "mm"
    UM = "um"
    IN = "in"
    UIN = "uin"
    THOU = "thou"


WRITTEN = (Unit.MM, Unit.UM, Unit.IN, Unit.UIN)
"""Units that a record may carry; a `thou` becomes inches."""

_IN_MM = {
    Unit.MM: Fraction(1),
    Unit.UM: Fraction(1, 1000),
    Unit.IN: Fraction(254, 10),
    Unit.UIN: Fraction(254, 10) / 10**6,
    Unit.THOU: Fraction(254, 10) / 1000,
}

FINEST = {
    Unit.MM: Decimal("0.000001"), Unit.UM: Decimal("0.001"), Unit.IN: Decimal("0.0000001"), Unit.UIN: Decimal("0.1"),
}
"""What an endless quotient is rounded to where a characteristic states no `resolution`: about a nanometre."""

_ON_THE_WIRE = {
    **{unit.value: unit for unit in Unit}, **{unit.value.upper(): unit for unit in Unit},
    "µm": Unit.UM, "μm": Unit.UM, "µin": Unit.UIN, "μin": Unit.UIN,
    "inch": Unit.IN, "INCH": Unit.IN, "Inch": Unit.IN, '"': Unit.IN,
}


class Length(Struct, frozen=True):
    """A length as written in a configuration: exact number and unit."""

    value: Decimal
    unit: Unit

    def __str__(self) -> str:
        return f"{self.value:f} {self.unit.value}"


class Inexact(ValueError):
    """A conversion whose result has no finite decimal digits, where only an exact one will do."""


def unit_on_the_wire(text: str) -> Unit | None:
    """The unit that a column means by this text, or None; `mil` is refused, since it has two meanings."""
    return _ON_THE_WIRE.get(text)


def _factor(source: Unit, target: Unit) -> tuple[Decimal, Decimal]:
    """value × first ÷ second converts; second is 1 wherever the result is always finite."""
    ratio = _IN_MM[source] / _IN_MM[target]
    rest = ratio.denominator
    for prime in (2, 5):
        while rest % prime == 0:
            rest //= prime
    if rest == 1:
        return EXACT.divide(Decimal(ratio.numerator), Decimal(ratio.denominator)), _ONE
    return Decimal(ratio.numerator), Decimal(ratio.denominator)


_FACTORS = {(source, target): _factor(source, target) for source in Unit for target in Unit}


def convert(value: Decimal, source: Unit, target: Unit, resolution: Decimal | None = None) -> Decimal:
    """The value in `target`.  An exact result is left alone; an endless one is rounded half to even.

    `resolution`: a step in `target` to which an endless quotient is rounded; None takes `FINEST`.
    """
    if source is target:
        return value
    times, by = _FACTORS[source, target]
    product = EXACT.multiply(value, times)
    if by is _ONE:
        return product
    quotient, exact = _divide(product, by)
    if exact:
        return quotient
    return round_to(quotient, FINEST[target] if resolution is None else resolution)


def convert_exactly(value: Decimal, source: Unit, target: Unit) -> Decimal:
    """The value in `target`.  Raises Inexact where that has no finite digits."""
    if source is target:
        return value
    times, by = _FACTORS[source, target]
    quotient, exact = _divide(EXACT.multiply(value, times), by)
    if not exact:
        raise Inexact(f"{value:f} {source.value} has no finite number of digits in {target.value}")
    return quotient


def ratio(source: Unit, target: Unit) -> Fraction:
    """What a length in `source` is multiplied with to have it in `target`, exact."""
    return _IN_MM[source] / _IN_MM[target]


def round_to(value: Decimal, step: Decimal) -> Decimal:
    """The multiple of `step` nearest to value, ties to the even multiple."""
    multiple = EXACT.divide(value, step).quantize(Decimal(1), context=EXACT)
    return EXACT.multiply(multiple, step)


def _divide(value: Decimal, by: Decimal) -> tuple[Decimal, bool]:
    quotient = EXACT.divide(value, by)
    return quotient, _WIDER.multiply(quotient, by) == value
