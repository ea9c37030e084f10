"""The spread of many sizes: count, mean, TIR, standard deviation, from exact running sums.

Knows: nothing of the sums is ever rounded; what has no end (a quotient, a root) is rounded once, when it is asked for.
Must not know: where the sizes came from, their unit, what they are judged by.

EXACT's 60 digits do not suffice: of numbers of 18 digits one may be 10**18 and the next 10**-18, and the sums of a
million of their squares, times the count, span 84 digits; converted and scaled ones span more.  So the sums have a
context of their own, in which a result that would be rounded raises Inexact instead.
"""

from decimal import Context, Decimal, DivisionByZero, Inexact, InvalidOperation, Overflow
from fractions import Fraction

from msgspec import Struct

from collector.measuring.units import EXACT

_NEVER_ROUNDED = Context(prec=400, traps=[InvalidOperation, DivisionByZero, Overflow, Inexact])
_ZERO = Decimal(0)


class Spread(Struct):
    """What is known of the sizes added so far, all in one unit.  `smallest` and `largest` are None of none.

    Who gives one away makes a new one and adds no more to the old.
    """

    count: int = 0
    total: Decimal = _ZERO
    squares: Decimal = _ZERO                              # the total of the squares
    smallest: Decimal | None = None
    largest: Decimal | None = None

    def add(self, value: Decimal) -> None:
        """One size more."""
        self.total = _NEVER_ROUNDED.add(self.total, value)
        self.squares = _NEVER_ROUNDED.fma(value, value, self.squares)
        if not self.count or value < self.smallest:
            self.smallest = value
        if not self.count or value > self.largest:
            self.largest = value
        self.count += 1

    @property
    def tir(self) -> Decimal:
        """Full indicator movement, largest - smallest, exact; of at least one size."""
        return _NEVER_ROUNDED.subtract(self.largest, self.smallest)

    def mean(self, step: Decimal) -> Decimal:
        """The mean, exact where its digits end; else the multiple of `step` nearest to it (a tie has an end: there is
        none to break).  A step coarser than the sizes may take it past them.  Of no size: raises InvalidOperation."""
        try:
            return _NEVER_ROUNDED.divide(self.total, self.count)
        except Inexact:
            steps = round(Fraction(self.total) / self.count / Fraction(step))
            return _NEVER_ROUNDED.multiply(steps, step)

    def standard_deviation(self) -> Decimal | None:
        """sqrt((n * sum(x**2) - sum(x)**2) / (n * (n - 1))) to 59 digits or more; None of fewer than two sizes.

        The formula is the textbook's one-pass form, which cancels in floats; on exact sums it cannot.
        """
        if self.count < 2:
            return None
        n = self.count
        difference = _NEVER_ROUNDED.subtract(
            _NEVER_ROUNDED.multiply(n, self.squares), _NEVER_ROUNDED.multiply(self.total, self.total))
        return EXACT.sqrt(EXACT.divide(difference, n * (n - 1)))
