"""What a set of sizes has in common: mean, deviation, extremes, median, and whether neighbours go together.

Knows: figures are exact sums, rounded once, to 28 digits.
Must not know: parts, limits, what the sizes are judged by.
"""

from collections.abc import Sequence
from decimal import Decimal, localcontext

from msgspec import Struct

from collector.statistics.exact import EXACT_SUMS, ROUNDED, deviation_of, deviations, products, total


class Summary(Struct, frozen=True):
    """Figures of `count` values, all in their unit; None where there are too few to have one."""

    count: int
    mean: Decimal | None = None
    deviation: Decimal | None = None                      # with n - 1; None below two values
    smallest: Decimal | None = None
    largest: Decimal | None = None
    median: Decimal | None = None
    autocorrelation: float | None = None                  # lag 1; None below two values and without spread


def summarise(values: Sequence[Decimal]) -> Summary:
    """The figures of finite values in the order they were measured.

    Mean, deviation and lag-1 autocorrelation as the NIST StRD (univariate) defines them:
    r = sum((x[i] - m) * (x[i+1] - m)) / sum((x[i] - m)**2).  Raises decimal.Inexact for values more than about 190
    digits apart, decimal.InvalidOperation for one that is no number.
    """
    count = len(values)
    if not count:
        return Summary(count=0)
    ranked = sorted(values)
    middle = ranked[(count - 1) // 2], ranked[count // 2]
    scaled = deviations(values) if count > 1 else Decimal(0)
    return Summary(
        count=count, mean=ROUNDED.divide(total(values), count),
        deviation=deviation_of(count, scaled) if count > 1 else None,
        smallest=ranked[0], largest=ranked[-1], median=ROUNDED.divide(total(middle), 2),
        autocorrelation=_lag_1(values, scaled) if scaled else None)


def _lag_1(values: Sequence[Decimal], scaled: Decimal) -> float:
    """The definition, multiplied out so that the mean (which may have no end) is not needed."""
    count, whole = len(values), total(values)
    neighbours = products(values, values[1:])
    with localcontext(EXACT_SUMS):
        above = (count * count * neighbours - count * whole * (2 * whole - values[0] - values[-1])
                 + (count - 1) * whole * whole)
        return float(ROUNDED.divide(above, count * scaled))
