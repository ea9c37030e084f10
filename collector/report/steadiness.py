"""Whether a process is stable, where a rule also fires by chance in a long series: signals against what chance brings.

Knows: how often each rule fires without cause, and how far above that a count must be before it says something.
Must not know: records, pages.

A rule that fires at each point with chance p is expected e = p n times; runs come in clumps, so that the count varies
about three times as much as if they did not.  More than e + 3 sqrt(3 e) + 1 is no chance any more.  Drawn for 30 to
10,000 normal values, about one series in a hundred is called not stable without cause (tests draw it again).  A single
point so far out that chance would bring one such in a hundred series is none either: by Student's t, since the
deviation within is an estimate; its quantile by the expansion in Abramowitz and Stegun 26.7.5 [memory].
"""

import math
from collections import Counter
from statistics import NormalDist

from msgspec import Struct

from collector.statistics.charts import Chart, Charts
from collector.statistics.rules import CHANCE

MOVING_RANGE_CHANCE = 0.0092
"""How often a moving range of two lies beyond its upper limit: 2 P(z > 3.267 d2 / sqrt 2); larger groups less often."""

_CLUMPED, _REACH, _ONE_SERIES = 3, 3, 0.01


class Steadiness(Struct, frozen=True):
    """`by_chance`: so many of the signals are expected of a process that does not change.  `why`: what is no chance."""

    stable: bool
    signals: int
    by_chance: float
    why: tuple[str, ...] = ()


def steadiness(charts: Charts) -> Steadiness:
    """Both charts together."""
    why, expected = [], 0.0
    for chart in (charts.location, charts.spread):
        counts = Counter(one.rule for one in chart.signals)
        rules = CHANCE if chart is charts.location else {"Western Electric 1": MOVING_RANGE_CHANCE}
        for rule, chance in rules.items():
            if not rule.startswith("Western"):
                continue
            by_chance = chance * len(chart.points)
            expected += by_chance
            if counts[rule] > most_by_chance(by_chance):
                why.append(f"{rule} fires {counts[rule]:,} times on the {chart.what} chart, by chance about "
                           f"{by_chance:,.{0 if by_chance > 10 else 1}f} times")
    if (far := _farthest(charts.location, charts.degrees)) is not None:
        why.append(f"a point lies {far:.1f} deviations from the centre line")
    return Steadiness(stable=not why, signals=len(charts.location.signals) + len(charts.spread.signals),
                      by_chance=expected, why=tuple(why))


def most_by_chance(expected: float) -> float:
    """A count above this is no chance any more."""
    return expected + _REACH * math.sqrt(_CLUMPED * expected) + 1


def _farthest(chart: Chart, degrees: float) -> float | None:
    """How many deviations the farthest point is out, where that is too far for so many points."""
    if not chart.sigma:
        return None
    far = max(max(chart.points) - chart.centre, chart.centre - min(chart.points)) / chart.sigma
    z = NormalDist().inv_cdf(1 - _ONE_SERIES / 2 / len(chart.points))
    most = z + (z**3 + z) / (4 * degrees) + (5 * z**5 + 16 * z**3 + 3 * z) / (96 * degrees**2)
    return far if far > most else None
