"""What a board knows of its cell: the newest of each channel, its last twenty, the counts; all of it in memory.

Knows: which records say something about a channel, and what is forgotten for what comes.
Must not know: the journal, the state folder, how it is shown.
"""

from collections import Counter, deque
from collections.abc import Iterable
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

import msgspec

from collector.record import Record, decode

LAST = 20
MOST = 48
"""Channels that are shown at most: a wire that names ever new ones fills neither memory nor screen."""

_EVENTS, _MEASURED = 4, ("measurement", "sweep", "derived")


@dataclass
class Circuit:
    """One channel, or one derived characteristic.  `newest` may be a check on a master, or an over-range."""

    port: str
    channel: str
    newest: Record
    measured: Record | None = None
    last: deque[Record] = field(default_factory=lambda: deque(maxlen=LAST))

    @property
    def where(self) -> str:
        """As the configuration names the channel; empty for a derived one."""
        return f"{self.port}/{self.channel}" if self.channel else self.port


@dataclass
class Counts:
    """Verdicts and unread frames of one port, in one lot, from `since` on."""

    lot: str = ""
    since: str = ""
    found: Counter[str] = field(default_factory=Counter)


class Known:
    """Everything that records above a seq have said; `take` them in order of seq."""

    def __init__(self, seq: int = 0) -> None:
        self.seq = seq
        self.circuits: dict[tuple[str, str, str], Circuit] = {}
        self.unread: dict[str, Record] = {}
        self.events: deque[Record] = deque(maxlen=_EVENTS)
        self.counts: dict[str, Counts] = {}
        self.whole_part: Record | None = None

    def take(self, rows: Iterable[Any]) -> None:
        """Take up journal rows; one that is no record says nothing."""
        for row in rows:
            self.seq = row.seq
            if row.kind == "reading":
                continue
            try:
                self._take(decode(row.body))
            except (msgspec.MsgspecError, UnicodeError):
                continue

    def _take(self, record: Record) -> None:
        kind = record.kind
        if kind in _MEASURED:
            circuit = self._circuit(record)
            circuit.newest = circuit.measured = record
            circuit.last.append(record)
            self._count(record, record.verdict)
        elif kind == "master":
            self._circuit(record).newest = record
        elif kind == "over-range":
            self._off(record)
        elif kind == "unread":
            self.unread[record.port] = record
            self._count(record, "unread")
        elif kind == "part":
            self.whole_part = record
        elif kind == "suspect" or said(record).get("event") != "context":
            self.events.append(record)

    def _circuit(self, record: Record) -> Circuit:
        """A derived size has no channel: it is its own."""
        own = record.characteristic if record.kind == "derived" else ""
        key = (record.port, record.channel, own)
        circuit = self.circuits.get(key)
        if circuit is None:
            if len(self.circuits) >= MOST:
                del self.circuits[min(self.circuits, key=lambda one: self.circuits[one].newest.seq)]
            self._no_longer_unnamed(record)
            circuit = self.circuits[key] = Circuit(record.port, record.channel, record)
        elif circuit.measured and (circuit.measured.part, circuit.measured.characteristic) != (
                record.part, record.characteristic) and record.kind in _MEASURED:
            circuit.last.clear()                       # another size: what it was before says nothing of it
        return circuit

    def _no_longer_unnamed(self, record: Record) -> None:
        """What stood for a port of which only an over-range was known goes, now that its channels have names."""
        unnamed = self.circuits.get((record.port, "", ""))
        if record.channel and unnamed is not None and unnamed.newest.kind == "over-range" and not unnamed.measured:
            del self.circuits[record.port, "", ""]

    def _off(self, record: Record) -> None:
        """No part on a channel; where the frame names none, on all of its port.

        The over-range that ends a turn takes nothing off: its result is there only now.
        """
        ones = [one for one in self.circuits.values() if one.port == record.port]
        named = [one for one in ones if one.channel == record.channel] or ([] if record.channel else ones)
        for one in named or [self._circuit(record)]:
            if one.newest.kind != "sweep" or one.newest.time != record.time:
                one.newest = record

    def _count(self, record: Record, what: str) -> None:
        counts = self.counts.setdefault(record.port, Counts(record.lot, record.time))
        if record.lot and record.lot != counts.lot:
            if counts.lot or counts.found.keys() - {"unread"}:
                counts = self.counts[record.port] = Counts(since=record.time)
            counts.lot = record.lot
        counts.found[what] += 1


def said(record: Record) -> dict[str, Any]:
    """A record's `detail`."""
    return msgspec.json.decode(record.detail) if record.detail else {}


def exact(text: msgspec.Raw) -> Decimal | None:
    """A number of a record; None where it has none."""
    digits = bytes(text)
    return Decimal(digits.decode("ascii")) if digits else None
