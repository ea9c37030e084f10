"""A gauge study: several operators measure the same parts several times; where does the spread come from?

Knows: the method of average and range and the analysis of variance, for balanced (crossed) studies.
Must not know: which gauge, what is good enough, what a page shows.

Sources: AIAG, Measurement Systems Analysis, 4th edition, chapter III-B [memory]; the figures of its published study of
10 parts, 3 operators and 3 trials are compared in the tests.  Two-way analysis of variance with random effects:
D. C. Montgomery, Design and Analysis of Experiments [memory]; statsmodels gives the same table.
"""

import math
from collections import Counter
from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction

from msgspec import Struct
from scipy.special import fdtrc

from collector.statistics.constants import d2, d2_star

CATEGORIES = 1.41
"""Of part over gauge: the number of distinct categories, as published (rounded from the root of 2)."""


class NotBalanced(ValueError):
    """A part and operator with another number of trials than the rest."""


class Trial(Struct, frozen=True):
    """One value that one operator got of one part."""

    part: str
    operator: str
    value: Decimal


class Component(Struct, frozen=True):
    """One source of spread.  Deviation in the unit of the values; the rest in percent."""

    name: str                     # repeatability, reproducibility, interaction, operator, part, gauge, total
    variance: float | None
    deviation: float
    of_total: float               # of the total deviation
    contribution: float | None    # of the total variance
    of_tolerance: float | None    # 6 deviations of the tolerance


class AnovaRow(Struct, frozen=True):
    """A row of the analysis of variance; f and p None where nothing is tested."""

    source: str                   # part, operator, interaction, repeatability, pooled, total
    degrees: int
    squares: float
    mean_square: float
    f: float | None = None
    p: float | None = None


class GaugeStudy(Struct, frozen=True):
    """The result of one method."""

    method: str                   # average-and-range, anova
    parts: int
    operators: int
    trials: int                   # of each part by each operator
    components: tuple[Component, ...]
    categories: int               # distinct ones; at least 1
    anova: tuple[AnovaRow, ...]   # empty for average-and-range
    interaction: str              # kept, pooled, or "" where the method has none
    notes: tuple[str, ...]


class _Cells(Struct, frozen=True):
    """The trials by part and operator, each name in the order of its first appearance."""

    parts: tuple[str, ...]
    operators: tuple[str, ...]
    trials: int
    values: dict[tuple[str, str], list[Fraction]]

    def of_part(self, part: str) -> list[Fraction]:
        return [value for operator in self.operators for value in self.values[part, operator]]

    def of_operator(self, operator: str) -> list[Fraction]:
        return [value for part in self.parts for value in self.values[part, operator]]


def balanced(trials: Sequence[Trial]) -> None:
    """Each operator measured each part equally often.  Raises NotBalanced, which names the first that differs."""
    count = Counter((trial.part, trial.operator) for trial in trials)
    parts, operators = _names(trials)
    cells = [(part, operator) for part in parts for operator in operators]
    usual = max((often, many) for many, often in Counter(count.values()).items())[1] if cells else 0
    for part, operator in cells:
        if count[part, operator] != usual:
            raise NotBalanced(f"part {part}, operator {operator}: {count[part, operator]} trials, "
                              f"there should be {usual}")


def average_and_range(trials: Sequence[Trial], tolerance: Decimal | None = None) -> GaugeStudy:
    """By the mean range of the trials, the range of the operators' means and the range of the parts' means.

    EV = mean range / d2(trials); AV = sqrt((range of operators' means / d2*(operators))**2 - EV**2 / (parts * trials)),
    0 where that is negative; PV = range of parts' means / d2*(parts).  The published constants K1, K2, K3 are these
    quotients, rounded.  Raises NotBalanced, and ValueError below 2 parts or 2 trials.
    """
    cells = _cells(trials)
    mean_range = float(_mean([max(each) - min(each) for each in cells.values.values()]))
    repeatability = (mean_range / d2(cells.trials)) ** 2
    operator_range = _range_of_means([cells.of_operator(operator) for operator in cells.operators])
    reproducibility, notes = 0.0, []
    if len(cells.operators) > 1:
        between = (operator_range / d2_star(len(cells.operators))) ** 2
        reproducibility = between - repeatability / (len(cells.parts) * cells.trials)
    if reproducibility < 0:
        notes.append("the variance of reproducibility came out below 0 and is taken as 0")
        reproducibility = 0.0
    part = (_range_of_means([cells.of_part(name) for name in cells.parts]) / d2_star(len(cells.parts))) ** 2
    variances = {"repeatability": repeatability, "reproducibility": reproducibility,
                 "gauge": repeatability + reproducibility, "part": part}
    return _study("average-and-range", cells, variances, tolerance, (), "", notes)


def anova(trials: Sequence[Trial], tolerance: Decimal | None = None, pool_above: float = 0.25) -> GaugeStudy:
    """By two-way analysis of variance, parts and operators random.

    An interaction whose p is above `pool_above` is pooled into the repeatability, and parts and operators are tested
    against that; else it is kept, and they are tested against it.  Variances that come out below 0 are taken as 0.
    Sums of squares are exact.  Raises NotBalanced, and ValueError below 2 parts or 2 trials.
    """
    cells = _cells(trials)
    degrees, squares = _sums_of_squares(cells)
    _f, p = _test(degrees, squares, "interaction", "repeatability")
    crossed = len(cells.operators) > 1
    pooled = crossed and (p > pool_above if p is not None else not squares["interaction"])
    notes = []
    if pooled:
        degrees["pooled"] = degrees["interaction"] + degrees["repeatability"]
        squares["pooled"] = squares["interaction"] + squares["repeatability"]
        reason = "neither was seen" if p is None else f"p {p:.3f} is above {pool_above:g}"
        notes.append(f"interaction pooled into repeatability: {reason}")
    error = "pooled" if pooled else "repeatability"
    by = error if pooled or not crossed else "interaction"
    tested = {"part": by, "operator": by, "interaction": "repeatability"}
    rows = tuple(AnovaRow(source, degrees[source], float(squares[source]), float(squares[source] / degrees[source]),
                          *(_test(degrees, squares, source, tested[source]) if source in tested else ()))
                 for source in ("part", "operator", "interaction", "repeatability", "pooled", "total")
                 if degrees.get(source))
    variances = _variances(cells, {source: squares[source] / degrees[source] for source in degrees if degrees[source]},
                           error, by, notes)
    interaction = ("pooled" if pooled else "kept") if crossed else ""
    return _study("anova", cells, variances, tolerance, rows, interaction, notes)


def _variances(cells: _Cells, mean: dict[str, Fraction], error: str, by: str, notes: list[str]) -> dict[str, float]:
    """The components from the expected mean squares; adds to `notes` what came out below 0."""
    parts, operators, trials = len(cells.parts), len(cells.operators), cells.trials
    found = {"part": (mean["part"] - mean[by]) / (operators * trials)}
    if operators > 1:
        found["operator"] = (mean["operator"] - mean[by]) / (parts * trials)
    if by == "interaction":
        found["interaction"] = (mean["interaction"] - mean[error]) / trials
    notes.extend(f"the variance of {name} came out below 0 and is taken as 0"
                 for name, variance in found.items() if variance < 0)
    found = {name: float(max(variance, Fraction(0))) for name, variance in found.items()}
    repeatability = float(mean[error])
    reproducibility = found.get("operator", 0.0) + found.get("interaction", 0.0)
    part = found.pop("part")
    return {"repeatability": repeatability, "reproducibility": reproducibility, **found,
            "gauge": repeatability + reproducibility, "part": part}


def _study(method: str, cells: _Cells, variances: dict[str, float], tolerance: Decimal | None,
           rows: tuple[AnovaRow, ...], interaction: str, notes: list[str]) -> GaugeStudy:
    total = variances["gauge"] + variances["part"]
    components = tuple(_component(name, variance, total, tolerance)
                       for name, variance in (*variances.items(), ("total", total)))
    categories = 1
    if variances["gauge"]:
        categories = max(1, math.floor(CATEGORIES * math.sqrt(variances["part"] / variances["gauge"])))
    if len(cells.operators) == 1:
        notes.append("one operator: nothing is known of reproducibility")
    if not variances["gauge"]:
        notes.append("the trials do not differ: the gauge is too coarse to show its spread, or they were not made anew")
    return GaugeStudy(method=method, parts=len(cells.parts), operators=len(cells.operators), trials=cells.trials,
                      components=components, categories=categories, anova=rows, interaction=interaction,
                      notes=tuple(notes))


def _component(name: str, variance: float, total: float, tolerance: Decimal | None) -> Component:
    deviation = math.sqrt(variance)
    return Component(
        name=name, variance=variance, deviation=deviation,
        of_total=100 * math.sqrt(variance / total) if total else 0.0,
        contribution=100 * variance / total if total else 0.0,
        of_tolerance=600 * deviation / float(tolerance) if tolerance else None)


def _cells(trials: Sequence[Trial]) -> _Cells:
    balanced(trials)
    parts, operators = _names(trials)
    values: dict[tuple[str, str], list[Fraction]] = {}
    for trial in trials:
        values.setdefault((trial.part, trial.operator), []).append(Fraction(trial.value))
    many = len(trials) // max(1, len(values))
    if len(parts) < 2 or many < 2:
        raise ValueError(f"a gauge study needs at least 2 parts and 2 trials of each, not {len(parts)} and {many}")
    return _Cells(parts, operators, many, values)


def _names(trials: Sequence[Trial]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    parts, operators = ((trial.part for trial in trials), (trial.operator for trial in trials))
    return tuple(dict.fromkeys(parts)), tuple(dict.fromkeys(operators))


def _sums_of_squares(cells: _Cells) -> tuple[dict[str, int], dict[str, Fraction]]:
    parts, operators, trials = len(cells.parts), len(cells.operators), cells.trials
    every = [value for cell in cells.values.values() for value in cell]
    level = sum(every) ** 2 / len(every)
    squares = {
        "part": sum(sum(cells.of_part(part)) ** 2 for part in cells.parts) / (operators * trials) - level,
        "operator": sum(sum(cells.of_operator(name)) ** 2 for name in cells.operators) / (parts * trials) - level,
        "total": sum(value * value for value in every) - level,
    }
    between = sum(sum(cell) ** 2 for cell in cells.values.values()) / trials - level
    squares["interaction"] = between - squares["part"] - squares["operator"]
    squares["repeatability"] = squares["total"] - between
    degrees = {"part": parts - 1, "operator": operators - 1, "interaction": (parts - 1) * (operators - 1),
               "repeatability": parts * operators * (trials - 1), "total": len(every) - 1}
    return degrees, squares


def _test(degrees: dict[str, int], squares: dict[str, Fraction], source: str,
          by: str) -> tuple[float | None, float | None]:
    """F and p of one mean square against another; None where the other is 0 or has no degrees."""
    if not degrees[source] or not degrees[by] or not squares[by]:
        return None, None
    f = float(squares[source] / degrees[source] / (squares[by] / degrees[by]))
    return f, float(fdtrc(degrees[source], degrees[by], f))


def _mean(values: Sequence[Fraction]) -> Fraction:
    return sum(values) / len(values)


def _range_of_means(groups: list[list[Fraction]]) -> float:
    means = [_mean(group) for group in groups]
    return float(max(means) - min(means))
