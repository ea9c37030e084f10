"""A report out of its records: gather, trace, work out.  One pass over the values, three short ones around them.

Knows: the order of the steps.
Must not know: pages, files that are written.
"""

from collections import Counter
from collections.abc import Callable
from datetime import datetime

from msgspec import Struct

from collector.errors import CollectorError
from collector.report.around import Around, around, doubts
from collector.report.figures import Characteristic, Wanted, characteristic
from collector.report.lot import Lot, Yield
from collector.report.selection import PART, VALUES, Selection, Source, Trace, Tracing

_MOST_NAMED = 12


class Report(Struct, frozen=True):
    """Everything that a page, its tables and its JSON say.  `latest_us`: arrival of the latest record."""

    selection: Selection
    wanted: Wanted
    trace: Trace
    latest_us: int
    characteristics: tuple[Characteristic, ...]
    empty: tuple[tuple[str, str, int], ...]               # part, characteristic, records: none of them with a size
    yields: tuple[Yield, ...]
    around: Around
    made: datetime


class Nothing(CollectorError):
    """Nothing was selected; the text says what there is."""


def make(source: Source, selection: Selection, wanted: Wanted, made: datetime, files: dict[str, str] | None = None,
         through: int | None = None, tell: Callable[[int], None] | None = None) -> Report:
    """The report of a selection.  `through`: no record above this seq; `files`: SHA-256 by name, where read from files.

    Raises Nothing where no record was selected, CollectorError for records that do not belong in one report.
    """
    all_doubts = doubts(source)
    lot, tracing = Lot(all_doubts), Tracing(tell)
    for row, record in tracing.through(selection.records(source, through)):
        lot.take(row, record)
    trace = tracing.trace(files)
    if not trace.count:
        raise Nothing(_what_there_is(source, selection))
    if len(trace.journals) > 1:
        raise CollectorError(f"these are records of several journals ({', '.join(trace.journals)}); "
                             "make a report of each")
    groups = list(lot.groups.values())                    # as they came first
    circuits = {circuit for group in groups for circuit in group.circuits if circuit[0]}
    return Report(
        selection=selection, wanted=wanted, trace=trace, latest_us=tracing.latest_us,
        characteristics=tuple(characteristic(group, wanted) for group in groups if group.values),
        empty=tuple((group.part, group.name, group.without_size) for group in groups if not group.values),
        yields=tuple(one for _, one in sorted(lot.yields.items())),
        around=around(source, circuits, trace.first, trace.last, all_doubts), made=made)


def _what_there_is(source: Source, selection: Selection) -> str:
    parts: Counter[str] = Counter()
    lots: Counter[str] = Counter()
    for row in source.select(kinds=(*VALUES, PART)):
        parts[row.part] += 1
        lots[row.lot] += 1
    asked = ", ".join(f"{word} {text}" for word, text in selection.words()) or "anything"
    if not parts:
        return f"no record fits {asked}; nothing was measured here yet"
    return f"no record fits {asked}; there are parts: {_named(parts)}; lots: {_named(lots)}"


def _named(counts: Counter[str]) -> str:
    shown = [f"{text} ({many} records)" for text, many in counts.most_common(_MOST_NAMED) if text]
    if more := len(counts) - len(shown) - ("" in counts):
        shown.append(f"and {more} more")
    return ", ".join(shown) or "none was said"
