"""The figures of a report: for each characteristic, and each set of limits that it was judged by, what statistics say.

Knows: that figures never go across limits that changed, that readings in doubt are shown but not charted, one unit.
Must not know: how anything looks, how statistics are worked out.
"""

from collections.abc import Sequence
from decimal import Decimal

from msgspec import Struct

from collector.measuring.units import Unit, convert_exactly
from collector.report.lot import VERDICTS, Group, JudgedBy
from collector.report.steadiness import Steadiness, steadiness
from collector.statistics.capability import Capability, capability
from collector.statistics.charts import Charts, individuals, subgroups
from collector.statistics.summary import Summary, summarise

_METRIC = ("mm", "um")


class Wanted(Struct, frozen=True):
    """How it is to be worked out: size of a subgroup (1: individuals), its spread by `range` or `deviation`."""

    subgroup: int = 1
    spread: str = "range"
    confidence: float = 0.95


class Counts(Struct, frozen=True):
    """How many values had which verdict, as recorded; `failed` and `undecided` are of both sides."""

    passed: int = 0
    failed: int = 0
    below: int = 0
    above: int = 0
    undecided: int = 0
    undecided_below: int = 0
    undecided_above: int = 0
    unjudged: int = 0


class Figures(Struct, frozen=True):
    """What can be said of some values."""

    summary: Summary
    counts: Counts


class Set(Struct, frozen=True):
    """The values that were judged by the same limits.

    `all`: every one; `sound`: without those in doubt, None where none is.  Charts and capability are of the sound ones.
    `seqs`: of the values charted.  `no_chart`: why there is none.
    """

    number: int
    judged: JudgedBy
    first: int
    last: int
    all: Figures
    sound: Figures | None
    charts: Charts | None
    no_chart: str
    steady: Steadiness | None
    capability: Capability
    seqs: Sequence[int]
    values: Sequence[Decimal]

    @property
    def figures(self) -> Figures:
        """What charts and capability are made of."""
        return self.sound or self.all


class Characteristic(Struct, frozen=True):
    """One characteristic: its values in order, all in `unit`; `decimals`: the most that a value has."""

    group: Group
    unit: str
    recorded_units: tuple[str, ...]
    values: Sequence[Decimal]
    judged: tuple[JudgedBy, ...]
    decimals: int
    sets: tuple[Set, ...]

    @property
    def doubted(self) -> int:
        return sum(self.group.doubted)


class Signalled(Struct, frozen=True):
    """A signal: its chart's name, its point's number (from 1) and size, the rule, the seqs that make the point."""

    chart: str
    point: int
    value: float
    rule: str
    seqs: str


def signalled(each: Set) -> list[Signalled]:
    """The signals of a set's charts."""
    charts, found = each.charts, []
    for chart in (charts.location, charts.spread) if charts else ():
        lead = charts.size if chart.what != "moving range" else 2
        for signal in chart.signals:
            first = signal.at * charts.size
            seqs = dict.fromkeys((each.seqs[first], each.seqs[first + lead - 1]))
            found.append(Signalled(chart.what, signal.at + 1, chart.points[signal.at], signal.rule,
                                   " to ".join(map(str, seqs))))
    return found


def characteristic(group: Group, wanted: Wanted) -> Characteristic:
    """The figures of one characteristic."""
    unit, values, judged = _in_one_unit(group)
    decimals = max((_decimals(value) for value in {id(value): value for value in values}.values()), default=0)
    sets = tuple(_set(group, number, values, judged, wanted) for number in range(len(judged)))
    return Characteristic(group=group, unit=unit, recorded_units=tuple(dict.fromkeys(one.unit for one in group.judged)),
                          values=values, judged=judged, decimals=decimals, sets=sets)


def _set(group: Group, number: int, values: Sequence[Decimal], judged: tuple[JudgedBy, ...], wanted: Wanted) -> Set:
    places: Sequence[int] = range(len(values)) if len(judged) == 1 else [
        at for at, by in enumerate(group.by) if by == number]
    sound = [at for at in places if not group.doubted[at]] if any(group.doubted) else places
    every = _picked(values, places)
    kept = every if len(sound) == len(places) else _picked(values, sound)
    all_figures = _figures(group, every, places)
    sound_figures = None if kept is every else _figures(group, kept, sound)
    charts, no_chart = _charts(kept, wanted)
    steady = steadiness(charts) if charts else None
    one = judged[number]
    return Set(number=number + 1, judged=one, first=group.seqs[places[0]], last=group.seqs[places[-1]], all=all_figures,
               sound=sound_figures, charts=charts, no_chart=no_chart, steady=steady,
               capability=capability((sound_figures or all_figures).summary, charts.within if charts else None,
                                     charts.degrees if charts else 0.0, one.lower, one.upper,
                                     steady is None or steady.stable, wanted.confidence),
               seqs=group.seqs if len(sound) == len(values) else [group.seqs[at] for at in sound], values=kept)


def _charts(values: Sequence[Decimal], wanted: Wanted) -> tuple[Charts | None, str]:
    try:
        return (individuals(values) if wanted.subgroup == 1 else
                subgroups(values, wanted.subgroup, wanted.spread)), ""
    except ValueError as few:
        return None, str(few)


def _figures(group: Group, values: Sequence[Decimal], places: Sequence[int]) -> Figures:
    verdicts = group.verdicts if len(places) == len(group.verdicts) else bytes(group.verdicts[at] for at in places)
    counts = {verdict: verdicts.count(code) for code, verdict in enumerate(VERDICTS)}
    total = {word: sum(many for told, many in counts.items() if told[0] == word) for word in ("fail", "undecided")}
    return Figures(summarise(values), Counts(
        passed=counts["pass", ""], failed=total["fail"], below=counts["fail", "below"], above=counts["fail", "above"],
        undecided=total["undecided"], undecided_below=counts["undecided", "below"],
        undecided_above=counts["undecided", "above"], unjudged=counts["", ""]))


def _picked(values: Sequence[Decimal], places: Sequence[int]) -> Sequence[Decimal]:
    return values if len(places) == len(values) else [values[at] for at in places]


def _in_one_unit(group: Group) -> tuple[str, Sequence[Decimal], tuple[JudgedBy, ...]]:
    """The values and limits in one unit: that of the first, but a metric one where there is one: exact always."""
    units = list(dict.fromkeys(one.unit for one in group.judged))
    if len(units) <= 1:
        return units[0] if units else "", group.values, tuple(group.judged)
    target = next((unit for unit in units if unit in _METRIC), units[0])
    known: dict[tuple[str, Decimal], Decimal] = {}

    def converted(value: Decimal | None, unit: str) -> Decimal | None:
        if value is None or unit == target:
            return value
        if (unit, value) not in known:
            known[unit, value] = convert_exactly(value, Unit(unit), Unit(target))
        return known[unit, value]

    values = [converted(value, group.judged[by].unit) for value, by in zip(group.values, group.by)]
    return target, values, tuple(JudgedBy(target, *(converted(size, one.unit) for size in (
        one.nominal, one.lower, one.upper))) for one in group.judged)


def _decimals(value: Decimal) -> int:
    return max(0, -value.as_tuple().exponent)
