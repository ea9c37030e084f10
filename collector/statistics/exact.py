"""Sums of decimals that are never rounded, and quotients of them that are rounded once.

Knows: a context so wide that sums of squares of what numbers the house lets in (18 digits) fit; one that would round
raises decimal.Inexact instead.  So neither order nor a shift of the data can change a digit.
Must not know: what is summed.
"""

from collections.abc import Iterable, Sequence
from decimal import Context, Decimal, DivisionByZero, Inexact, InvalidOperation, Overflow, localcontext
from operator import mul, sub

EXACT_SUMS = Context(prec=400, traps=[InvalidOperation, DivisionByZero, Overflow, Inexact])
_WIDE = Context(prec=60)
ROUNDED = Context(prec=28)
"""In which every exact sum is rounded, once, when it becomes a figure."""


def total(values: Iterable[Decimal]) -> Decimal:
    """The sum, exact."""
    with localcontext(EXACT_SUMS):
        return sum(values, Decimal(0))


def products(values: Iterable[Decimal], others: Iterable[Decimal]) -> Decimal:
    """The sum of each value times the other at its place, exact; the longer one's rest is left out."""
    with localcontext(EXACT_SUMS):
        return sum(map(mul, values, others), Decimal(0))


def steps(values: Sequence[Decimal]) -> list[Decimal]:
    """How far each value lies from the one before it, without sign, exact; one fewer than values."""
    with localcontext(EXACT_SUMS):
        return list(map(abs, map(sub, values[1:], values)))


def difference(value: Decimal, other: Decimal) -> Decimal:
    """value - other, exact."""
    return EXACT_SUMS.subtract(value, other)


def mean(values: Sequence[Decimal]) -> Decimal:
    """The mean to 28 digits.  Raises decimal.InvalidOperation of none."""
    return ROUNDED.divide(total(values), len(values))


def deviations(values: Sequence[Decimal]) -> Decimal:
    """n times the sum of the squared deviations from the mean: n * sum(x**2) - sum(x)**2, exact, in n * unit**2.

    The textbook's one-pass form, which cancels in floats; on exact sums it cannot.
    """
    whole = total(values)
    with localcontext(EXACT_SUMS):
        return len(values) * products(values, values) - whole * whole


def deviation(values: Sequence[Decimal]) -> Decimal:
    """The standard deviation with n - 1, to 28 digits.  Raises decimal.DivisionUndefined of fewer than two."""
    return deviation_of(len(values), deviations(values))


def deviation_of(count: int, scaled: Decimal) -> Decimal:
    """The standard deviation with n - 1, to 28 digits, from what `deviations` gave."""
    return ROUNDED.sqrt(_WIDE.divide(scaled, count * (count - 1)))
