"""One master measured again and again: how far the gauge reads off, and how much it scatters.

Knows: bias against the size of the master, with its interval and test by Student's t.
Must not know: which gauge, which master, what is allowed.

Source: the t test and interval of a mean, e-Handbook 1.3.5.2 and 7.2.2 [memory]; as a study of bias: AIAG MSA,
4th edition, chapter III-B [memory].
"""

import math
from collections.abc import Sequence
from decimal import Decimal

from msgspec import Struct
from scipy.special import stdtr, stdtrit

from collector.statistics.exact import ROUNDED, difference
from collector.statistics.summary import Summary, summarise


class MasterStudy(Struct, frozen=True):
    """Figures of the study, in the unit of the values."""

    summary: Summary
    size: Decimal
    bias: Decimal                                         # mean - size
    bias_low: float
    bias_high: float
    t: float                                              # infinite where the values do not differ, yet are off
    p: float                                              # two-sided
    repeatability: float                                  # standard deviation
    of_tolerance: float | None                            # 6 deviations, percent of the tolerance
    significant: bool                                     # the bias is more than chance, at this confidence
    notes: tuple[str, ...]


def one_master(values: Sequence[Decimal], size: Decimal, tolerance: Decimal | None = None,
               confidence: float = 0.95) -> MasterStudy:
    """bias +- t * s / sqrt(n), and the test that it is 0.  Raises ValueError below 2 values."""
    summary = summarise(values)
    if summary.count < 2:
        raise ValueError(f"a study of one master needs at least 2 readings, not {summary.count}")
    bias = ROUNDED.plus(difference(summary.mean, size))
    spread, degrees = float(summary.deviation), summary.count - 1
    error = spread / math.sqrt(summary.count)
    reach = float(stdtrit(degrees, (1 + confidence) / 2)) * error
    t = float(bias) / error if error else math.copysign(math.inf, bias) if bias else 0.0
    p = 2 * float(stdtr(degrees, -abs(t)))
    notes = () if spread else ("the readings do not differ: the gauge is too coarse to show its scatter",)
    return MasterStudy(
        summary=summary, size=size, bias=bias, bias_low=float(bias) - reach, bias_high=float(bias) + reach, t=t, p=p,
        repeatability=spread, of_tolerance=600 * spread / float(tolerance) if tolerance else None,
        significant=p < 1 - confidence, notes=notes)
