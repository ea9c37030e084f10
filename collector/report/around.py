"""What happened around the values of a report: checks on masters, readings in doubt, events, frames that were not read.

Knows: which of these records belong to which ports and channels, and which changes of context a reader wants to see.
Must not know: statistics, pages.
"""

from collections import Counter
from collections.abc import Iterable, Iterator
from typing import Any

import msgspec
from msgspec import Struct

from collector.journal import Row
from collector.record import Record, decode
from collector.report.lot import Doubt
from collector.report.selection import Source

EVENT, MASTER, SUSPECT, UNREAD, OVER_RANGE = "event", "master", "suspect", "unread", "over-range"
_OF_EACH_PART = ("serial", "part-temperature", "master-temperature")
"""Fields of a context that change with each part: such a change is counted, not shown."""


class Check(Struct, frozen=True):
    """A reading of a master; sizes as digits as recorded.  `when`: before, within or behind the values."""

    seq: int
    time: str
    port: str
    channel: str
    characteristic: str
    master: str
    value: str
    deviation: str
    nominal: str
    lower: str
    upper: str
    unit: str
    verdict: str
    side: str
    is_gain: bool
    when: str = "within"


class Event(Struct, frozen=True):
    """Something that happened, in words; port `""`: of no port, or of several."""

    seq: int
    time: str
    port: str
    event: str
    words: str


class Around(Struct, frozen=True):
    """All of it, each in order of seq.  Counts are of the ports of the values, from their first to their last seq."""

    doubts: tuple[Doubt, ...] = ()
    checks: tuple[Check, ...] = ()
    events: tuple[Event, ...] = ()
    unread: dict[str, int] = {}                           # port -> frames
    reasons: dict[str, int] = {}                          # reason -> frames
    over_range: dict[str, int] = {}
    serial_changes: int = 0                               # events of context that changed only what each part has


def doubts(source: Source) -> list[Doubt]:
    """Every `suspect` record there is: a check may fail long behind the readings that it puts in doubt."""
    return [_doubt(decode(row.body)) for row in source.select(kinds=(SUSPECT,))]


def around(source: Source, circuits: Iterable[tuple[str, str]], first: int, last: int,
           all_doubts: Iterable[Doubt]) -> Around:
    """What belongs to these circuits (port, channel), from seq `first` to `last`.

    Of the checks also the last one before and the first one behind, of each circuit.
    """
    known = set(circuits)
    ports = {port for port, _ in known}
    unread: Counter[str] = Counter()
    reasons: Counter[str] = Counter()
    over_range: Counter[str] = Counter()
    told = _Told(ports)
    for row in source.select(kinds=(EVENT, UNREAD, OVER_RANGE), first=first, through=last):
        if row.kind == EVENT:
            told.take(decode(row.body))
        elif row.port in ports and row.kind == OVER_RANGE:
            over_range[row.port] += 1
        elif row.port in ports:
            unread[row.port] += 1
            reasons[str(_detail(decode(row.body)).get("reason", ""))] += 1
    mine = tuple(one for one in all_doubts if (one.port, one.channel) in known and one.first <= last
                 and one.last >= first)
    return Around(doubts=mine, checks=tuple(_checks(source, known, first, last)), events=tuple(told.events),
                  unread=dict(unread), reasons=dict(reasons), over_range=dict(over_range),
                  serial_changes=told.serial_changes)


def _checks(source: Source, circuits: set[tuple[str, str]], first: int, last: int) -> Iterator[Check]:
    before: dict[tuple[str, str], Row] = {}
    behind: dict[tuple[str, str], Row] = {}
    within = []
    for row in source.select(kinds=(MASTER,)):
        record = decode(row.body)
        circuit = record.port, record.channel
        if circuit not in circuits:
            continue
        if row.seq < first:
            before[circuit] = row
        elif row.seq <= last:
            within.append(row)
        else:
            behind.setdefault(circuit, row)
    for when, rows in (("before", before.values()), ("within", within), ("behind", behind.values())):
        for row in sorted(rows):
            yield _check(decode(row.body), when)


class _Told:
    """Events in words; of the context only what is news."""

    def __init__(self, ports: set[str]):
        self.events: list[Event] = []
        self.serial_changes = 0
        self._ports, self._in_force = ports, {}

    def take(self, record: Record) -> None:
        told = _detail(record)
        named = told.get("ports")
        if record.port and record.port not in self._ports and not (
                isinstance(named, list) and self._ports.intersection(map(str, named))):
            return
        event = str(told.pop("event", ""))
        if event == "context" and not self._is_news(told):
            self.serial_changes += 1
            return
        self.events.append(Event(record.seq, record.time, record.port, event, _words(told)))

    def _is_news(self, told: dict[str, Any]) -> bool:
        """Whether more changes than what changes with each part."""
        given = told.get("sets")
        if not isinstance(given, dict):
            return "serial" not in (told.get("ends") or ())
        held = self._in_force.setdefault(str(told.get("source")), {})
        changed = {field for field, text in given.items() if held.get(field) != text}
        held.update(given)
        return not changed <= set(_OF_EACH_PART) or not changed and not given


def _words(told: dict[str, Any]) -> str:
    given = told.pop("sets", None)
    if isinstance(given, dict):
        told = {**given, **{key: told[key] for key in ("source", "order") if told.get(key)}}
    return ", ".join(f"{key} {_text(value)}" for key, value in told.items() if value not in ("", None, []))


def _text(value: Any) -> str:
    if isinstance(value, list):
        return " ".join(map(str, value))
    if isinstance(value, dict):
        return _words(value)
    return {True: "yes", False: "no"}[value] if isinstance(value, bool) else str(value)


def _check(record: Record, when: str) -> Check:
    told = _detail(record)
    return Check(record.seq, record.time, record.port, record.channel, record.characteristic,
                 str(told.get("master", "")), *(bytes(one).decode() for one in (
                     record.value, record.deviation, record.nominal, record.lower, record.upper)),
                 record.unit, record.verdict, record.side, told.get("check") == "gain", when)


def _doubt(record: Record) -> Doubt:
    told = _detail(record)
    return Doubt(record.seq, record.time, record.port, record.channel, record.part, record.characteristic,
                 str(told.get("master", "")), int(told.get("first", 0)), int(told.get("last", 0)),
                 str(told.get("since", "")), str(told.get("until", "")), str(told.get("failed", "")))


def _detail(record: Record) -> dict[str, Any]:
    return msgspec.json.decode(record.detail) if bytes(record.detail) else {}
