"""The study itself: readings by part and operator in, figures and a verdict out.

Knows: which figures are worked out, and from what; that a study that is not balanced has none.
Must not know: the journal, files, pages.
"""

from collections.abc import Sequence
from decimal import Decimal

from msgspec import Struct

from collector.measuring.units import EXACT
from collector.statistics.charts import subgroups
from collector.statistics.gauge_study import (Component, GaugeStudy, NotBalanced, Trial, anova, average_and_range,
                                              balanced)
from collector.statistics.summary import summarise
from collector.study.verdict import NONE, SOURCE, Verdict, of_study

_MOST_NAMED = 30
_TOO_COARSE = Verdict(NONE, ("There is no verdict: the readings of each part are all the same. Either the column shows "
                             "too few digits, or they were not made anew each time.",), SOURCE)
_LARGEST_RANGE = 10                                    # subgroups up to this size have a range chart


class Group(Struct, frozen=True):
    """The readings of one part or one operator, taken together."""

    name: str
    count: int
    mean: Decimal
    smallest: Decimal
    largest: Decimal
    mean_range: Decimal | None = None


class Ranges(Struct, frozen=True):
    """The range of each operator's readings of each part, in order of operators, then parts, and its upper limit.

    `beyond`: (operator, part) of those above the limit: there an operator repeated badly, or a reading is wrong.
    """

    values: tuple[Decimal, ...]
    mean: float
    limit: float
    beyond: tuple[tuple[str, str], ...]


class Study(Struct, frozen=True):
    """Everything worked out of a study; `why` says why there are no figures, empty where there are."""

    trials: tuple[Trial, ...]
    tolerance: Decimal | None
    parts: tuple[Group, ...]
    operators: tuple[Group, ...]
    ranges: Ranges | None
    anova: GaugeStudy | None
    average_and_range: GaugeStudy | None
    verdict: Verdict
    why: str = ""


def work_out(trials: Sequence[Trial], tolerance: Decimal | None) -> Study:
    """The figures of a study; parts and operators stay in the order in which they come first.

    Where it is not balanced, or has no spread, there are none, and `why` says what is missing.
    """
    trials = tuple(trials)
    try:
        balanced(trials)
        by_anova, by_range = anova(trials, tolerance), average_and_range(trials, tolerance)
    except NotBalanced:
        return _without(trials, tolerance, f"The study is not balanced: {_unbalanced(trials)}.")
    except ValueError as refused:
        return _without(trials, tolerance, f"There are no figures: {refused}.")
    cells = _cells(trials)
    parts, operators = _names(trials, "part"), _names(trials, "operator")
    gauge = component(by_anova, "gauge")
    return Study(trials, tolerance, tuple(_group(trials, "part", name) for name in parts),
                 tuple(_group(trials, "operator", name, [_range(cells[name, part]) for part in parts])
                       for name in operators),
                 _ranges(cells, operators, parts), by_anova, by_range,
                 of_study(gauge.of_tolerance, gauge.of_total, by_anova.categories) if gauge.deviation else _TOO_COARSE)


def _without(trials: tuple[Trial, ...], tolerance: Decimal | None, why: str) -> Study:
    return Study(trials, tolerance, (), (), None, None, None, Verdict(NONE, ("There is no verdict.", why), SOURCE), why)


def _unbalanced(trials: Sequence[Trial]) -> str:
    """Every part and operator with another number of readings than most have."""
    cells = _cells(trials)
    counts = {(operator, part): len(cells.get((operator, part), ())) for operator in _names(trials, "operator")
              for part in _names(trials, "part")}
    usual = max(sorted(set(counts.values()), reverse=True), key=list(counts.values()).count)
    odd = [f"part {part} by {operator} has {count}" for (operator, part), count in counts.items() if count != usual]
    more = f" and {len(odd) - _MOST_NAMED} more" if len(odd) > _MOST_NAMED else ""
    return f"most have {usual} readings, {', '.join(odd[:_MOST_NAMED])}{more}"


def component(study: GaugeStudy, name: str) -> Component:
    """The component of this name."""
    return next(one for one in study.components if one.name == name)


def _names(trials: Sequence[Trial], field: str) -> list[str]:
    return list(dict.fromkeys(getattr(one, field) for one in trials))


def _cells(trials: Sequence[Trial]) -> dict[tuple[str, str], list[Decimal]]:
    found: dict[tuple[str, str], list[Decimal]] = {}
    for one in trials:
        found.setdefault((one.operator, one.part), []).append(one.value)
    return found


def _range(values: Sequence[Decimal]) -> Decimal:
    return EXACT.subtract(max(values), min(values))


def _group(trials: Sequence[Trial], field: str, name: str, ranges: Sequence[Decimal] = ()) -> Group:
    told = summarise([one.value for one in trials if getattr(one, field) == name])
    return Group(name, told.count, told.mean, told.smallest, told.largest, summarise(ranges).mean if ranges else None)


def _ranges(cells: dict[tuple[str, str], list[Decimal]], operators: Sequence[str],
            parts: Sequence[str]) -> Ranges | None:
    ordered = [(operator, part) for operator in operators for part in parts]
    size = len(cells[ordered[0]])
    if size > _LARGEST_RANGE:
        return None
    spread = subgroups([value for cell in ordered for value in cells[cell]], size, "range").spread
    values = tuple(_range(cells[cell]) for cell in ordered)
    return Ranges(values, spread.centre, spread.upper,
                  tuple(cell for cell, value in zip(ordered, values) if float(value) > spread.upper))
