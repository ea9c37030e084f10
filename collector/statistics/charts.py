"""Control charts of sizes in the order they were measured: individuals with moving ranges, or subgroups.

Knows: how centre, limits and the deviation within come from the data.  Location charts are read by the four Western
Electric rules; charts of spread by their limits only, since ranges lean to one side and moving ranges go together.
Must not know: what a chart looks like, what was measured.

Sources: e-Handbook 6.3.2.1 (subgroups), 6.3.2.2 (individuals and moving range of two).
"""

import math
from collections.abc import Sequence
from decimal import Decimal

from msgspec import Struct

from collector.statistics import exact
from collector.statistics.constants import c4, c5, d2, d3
from collector.statistics.rules import BEYOND_LIMITS, WESTERN_ELECTRIC, Signal, signals

LARGEST_FOR_RANGE = 10
"""Above this size a range wastes most of what the values say."""


class Chart(Struct, frozen=True):
    """One chart: its points in order, in the unit of the values; limits at centre +- 3 sigma, spread never below 0."""

    what: str                                             # individuals, moving range, mean, range, deviation
    points: tuple[float, ...]
    centre: float
    lower: float
    upper: float
    sigma: float                                          # deviation of a point of this chart
    signals: tuple[Signal, ...]


class Charts(Struct, frozen=True):
    """A chart of where the values lie and one of how they spread."""

    size: int                                             # of a subgroup; 1: individuals
    within: float                                         # the standard deviation within, estimated
    location: Chart
    spread: Chart
    left_over: int                                        # values of an incomplete last subgroup, not used
    degrees: float                                        # of freedom that `within` is worth

    @property
    def stable(self) -> bool:
        """No rule fired on either chart.  By chance some do in a long series: rules.CHANCE says how many a point."""
        return not self.location.signals and not self.spread.signals


def individuals(values: Sequence[Decimal]) -> Charts:
    """Each value a point, and the moving range of two (e-Handbook 6.3.2.2).  Raises ValueError below 2 values.

    within = mean moving range / d2(2).
    """
    _at_least_two(len(values))
    ranges = exact.steps(values)
    centre, mean_range = float(exact.mean(values)), float(exact.mean(ranges))
    within = mean_range / d2(2)
    return Charts(
        size=1, within=within, left_over=0, degrees=_degrees(_moving_range_share(len(ranges))),
        location=_location("individuals", values, centre, within),
        spread=_spread("moving range", ranges, mean_range, d3(2) * within))


def subgroups(values: Sequence[Decimal], size: int, spread: str = "range") -> Charts:
    """Means and ranges, or means and standard deviations, of each `size` values in a row (e-Handbook 6.3.2.1).

    `spread`: "range" (above size 10 it is "deviation" all the same) or "deviation".  Size 1 gives individuals.
    within = mean range / d2, or mean deviation / c4.  Raises ValueError below 2 whole subgroups, for a size below 1 or
    another `spread`.
    """
    if size < 1 or spread not in ("range", "deviation"):
        raise ValueError(f"no chart of subgroups of {size} by {spread!r}: size from 1, by 'range' or 'deviation'")
    if size == 1:
        return individuals(values)
    many = len(values) // size
    _at_least_two(many)
    groups = [values[at * size:(at + 1) * size] for at in range(many)]
    means = [exact.mean(group) for group in groups]
    centre = float(exact.mean(values[:many * size]))
    by_range = spread == "range" and size <= LARGEST_FOR_RANGE
    spreads = ([exact.difference(max(group), min(group)) for group in groups] if by_range
               else [exact.deviation(group) for group in groups])
    expected, varies = (d2(size), d3(size)) if by_range else (c4(size), c5(size))
    mean_spread = float(exact.mean(spreads))
    within = mean_spread / expected
    return Charts(
        size=size, within=within, left_over=len(values) - many * size,
        degrees=_degrees((varies / expected) ** 2 / many),
        location=_location("mean", means, centre, within / math.sqrt(size)),
        spread=_spread("range" if by_range else "deviation", spreads, mean_spread, varies * within))


def _at_least_two(points: int) -> None:
    if points < 2:
        raise ValueError(f"a control chart needs at least 2 points, here {'is' if points == 1 else 'are'} {points}")


def _location(what: str, values: Sequence[Decimal], centre: float, sigma: float) -> Chart:
    points = tuple(map(float, values))
    return Chart(what=what, points=points, centre=centre, lower=centre - 3 * sigma, upper=centre + 3 * sigma,
                 sigma=sigma, signals=signals(points, centre, sigma, WESTERN_ELECTRIC))


def _spread(what: str, values: Sequence[Decimal], centre: float, sigma: float) -> Chart:
    points = tuple(map(float, values))
    return Chart(what=what, points=points, centre=centre, lower=max(0.0, centre - 3 * sigma), upper=centre + 3 * sigma,
                 sigma=sigma, signals=signals(points, centre, sigma, BEYOND_LIMITS))


def _degrees(share: float) -> float:
    """The degrees of freedom of a deviation whose estimate has the relative variance `share`.

    1 / (2 * share) + 1/4, from the first terms of c4: 1 - c4**2 of n values is 1 / (2 * (n - 1) + 1/2) nearly.
    """
    return 1 / (2 * share) + 0.25


def _moving_range_share(many: int) -> float:
    """The relative variance of the mean of `many` moving ranges of two; neighbours share a value.

    |u| and |v| of two differences with correlation -1/2: E|u||v| = (2/pi) * 2 * (sqrt(3)/2 + pi/12), by the absolute
    moment of the bivariate normal distribution; var|u| = 2 - 4/pi.
    """
    square = 4 / math.pi
    alone, neighbours = 2 - square, square * (math.sqrt(3) / 2 + math.pi / 12) - square
    return (many * alone + 2 * (many - 1) * neighbours) / many**2 / square
