"""A straight line through values over time: does something drift, and how fast.

Knows: least squares of one line, the interval of its slope, the test that there is none.
Must not know: what drifts, dates, what is allowed.

Source: simple linear regression, e-Handbook 4.1.4.1 and 2.3.6 [memory]; compared with StRD (linear, Norris).
"""

import math
from collections.abc import Sequence
from decimal import Decimal

from msgspec import Struct
from scipy.special import stdtr, stdtrit

from collector.statistics import exact


class Trend(Struct, frozen=True):
    """value = intercept + slope * day."""

    count: int
    slope: float                                          # per day
    slope_low: float
    slope_high: float
    intercept: float                                      # at day 0
    p: float                                              # two-sided, of slope 0
    residual: float                                       # standard deviation about the line, n - 2
    significant: bool                                     # the slope is more than chance, at this confidence


def trend(days: Sequence[float], values: Sequence[Decimal], confidence: float = 0.95) -> Trend:
    """The line of least squares.  Raises ValueError below 3 values, for days that are all the same or not as many.

    Both are moved to their means first, the values exactly, so that large sizes and far days cancel nothing; sums are
    compensated.
    """
    count = len(values)
    if count < 3 or len(days) != count:
        raise ValueError(f"a trend needs at least 3 values, each with its day; not {count} with {len(days)} days")
    middle, level = math.fsum(days) / count, exact.mean(values)
    x = [day - middle for day in days]
    y = [float(exact.difference(value, level)) for value in values]
    squares = math.fsum(far * far for far in x)
    if not squares:
        raise ValueError("a trend needs values of more than one time")
    slope = math.fsum(far * off for far, off in zip(x, y, strict=True)) / squares
    rest = math.fsum((off - slope * far) ** 2 for far, off in zip(x, y, strict=True))
    residual = math.sqrt(rest / (count - 2))
    error = residual / math.sqrt(squares)
    reach = float(stdtrit(count - 2, (1 + confidence) / 2)) * error
    t = slope / error if error else math.copysign(math.inf, slope) if slope else 0.0
    p = 2 * float(stdtr(count - 2, -abs(t)))
    return Trend(count=count, slope=slope, slope_low=slope - reach, slope_high=slope + reach,
                 intercept=float(level) - slope * middle, p=p, residual=residual, significant=p < 1 - confidence)
