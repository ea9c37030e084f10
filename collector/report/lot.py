"""The records of a report, gathered: of each characteristic its values in order, in columns that a million fit in.

Knows: which records are values of one characteristic, what they were judged by, which of them are in doubt.
Must not know: statistics, pages.
"""

from array import array
from bisect import bisect_right
from collections import Counter
from collections.abc import Iterable
from decimal import Decimal
from typing import Any

import msgspec
from msgspec import Raw, Struct

from collector.journal import Row
from collector.record import Record
from collector.report.selection import PART

VERDICTS = (("", ""), ("pass", ""), ("fail", "below"), ("fail", "above"), ("undecided", "below"),
            ("undecided", "above"), ("fail", ""), ("undecided", ""))
"""What a record says of its value; its place here is what a column keeps."""

MOST_LISTED = 20_000
_MOST_KNOWN = 200_000
_CODES = {verdict: code for code, verdict in enumerate(VERDICTS)}


class JudgedBy(Struct, frozen=True):
    """What values are judged by; figures are never made across two of these."""

    unit: str
    nominal: Decimal | None = None
    lower: Decimal | None = None
    upper: Decimal | None = None


class Out(Struct, frozen=True):
    """A value that is not within its limits for sure, for a person to find the part."""

    seq: int
    time: str
    serial: str
    lot: str
    operator: str
    value: Decimal
    unit: str
    verdict: str
    side: str
    suspect: bool


class Doubt(Struct, frozen=True):
    """A `suspect` record: every reading of this port and channel from `first` to `last` (seq)."""

    seq: int
    time: str
    port: str
    channel: str
    part: str
    characteristic: str
    master: str
    first: int
    last: int
    since: str
    until: str
    failed: str


class Group:
    """The values of one characteristic in the order of seq: column by column, entry `i` of each is the `i`-th value.

    `by`: place in `judged`; `verdicts`: place in VERDICTS; `doubted`: 1 where a failed check put it in doubt.
    """

    def __init__(self, part: str, name: str):
        self.part, self.name = part, name
        self.seqs, self.at_us, self.by = array("q"), array("q"), array("H")
        self.values: list[Decimal] = []
        self.verdicts, self.doubted = bytearray(), bytearray()
        self.judged: list[JudgedBy] = []
        self.flags: Counter[str] = Counter()
        self.lots: Counter[str] = Counter()
        self.operators: Counter[str] = Counter()
        self.kinds: Counter[str] = Counter()
        self.circuits: Counter[tuple[str, str]] = Counter()
        self.without_size = 0
        self.out: list[Out] = []
        self.out_count = 0
        self._places: dict[tuple[bytes, ...], int] = {}

    def place(self, record: Record, number: "Numbers") -> int:
        """Where in `judged` stands what this record was judged by; it is added at its first use."""
        raw = bytes(record.nominal), bytes(record.lower), bytes(record.upper), record.unit.encode()
        if (found := self._places.get(raw)) is not None:
            return found
        one = JudgedBy(record.unit, number.known(raw[0]), number.known(raw[1]), number.known(raw[2]))
        if one not in self.judged:                        # 25.0 and 25.000 are the same limit
            self.judged.append(one)
        self._places[raw] = self.judged.index(one)
        return self._places[raw]


class Yield(Struct):
    """Whole parts of one part number: how many passed, failed, are undecided, were not complete, have no verdict."""

    part: str
    passed: int = 0
    failed: int = 0
    undecided: int = 0
    incomplete: int = 0
    unjudged: int = 0
    suspect: int = 0

    @property
    def count(self) -> int:
        return self.passed + self.failed + self.undecided + self.incomplete + self.unjudged


class Numbers:
    """Digits to decimals; the same digits, which come again and again, are one object."""

    def __init__(self) -> None:
        self._known: dict[bytes, Decimal] = {}

    def known(self, digits: bytes | Raw) -> Decimal | None:
        """None for no digits."""
        text = bytes(digits)
        if not text:
            return None
        found = self._known.get(text)
        if found is None:
            if len(self._known) >= _MOST_KNOWN:
                self._known.clear()
            found = self._known[text] = Decimal(text.decode())
        return found


class Doubts:
    """Whether a seq of a circuit lies in what a `suspect` record puts in doubt."""

    def __init__(self, doubts: Iterable[Doubt]):
        spans: dict[tuple[str, str], list[tuple[int, int]]] = {}
        for one in doubts:
            spans.setdefault((one.port, one.channel), []).append((one.first, one.last))
        self._spans = {circuit: _merged(found) for circuit, found in spans.items()}
        self.seen: set[int] = set()

    def __bool__(self) -> bool:
        return bool(self._spans)

    def about(self, record: Record) -> bool:
        """Of a derived value and of a part: where one of the readings that it was made of is in doubt."""
        if not self._spans:
            return False
        made_of = _made_of(record)
        found = any(seq in self.seen for seq in made_of) if made_of else self._covers(record)
        if found:
            self.seen.add(record.seq)
        return found

    def _covers(self, record: Record) -> bool:
        spans = self._spans.get((record.port, record.channel))
        if spans is None:
            return False
        at = bisect_right(spans, (record.seq, float("inf"))) - 1
        return at >= 0 and spans[at][0] <= record.seq <= spans[at][1]


def _told(record: Record) -> dict[str, Any]:
    return msgspec.json.decode(record.detail) if bytes(record.detail) else {}


def _made_of(record: Record) -> list[int]:
    if record.kind not in ("derived", PART):
        return []
    told = _told(record)
    ids = told.get("inputs") or told.get("readings") or {}
    return [int(seq) for one in ids.values() if (seq := str(one).rpartition("-")[2]).isdecimal()]


def _merged(spans: list[tuple[int, int]]) -> list[tuple[int, int]]:
    found: list[tuple[int, int]] = []
    for first, last in sorted(spans):
        if found and first <= found[-1][1] + 1:
            found[-1] = found[-1][0], max(last, found[-1][1])
        else:
            found.append((first, last))
    return found


class Lot:
    """Everything that was selected, by characteristic, and the whole parts."""

    def __init__(self, doubts: Iterable[Doubt] = ()):
        self.doubts = Doubts(doubts)
        self.groups: dict[tuple[str, ...], Group] = {}
        self.yields: dict[str, Yield] = {}
        self._number = Numbers()

    def take(self, row: Row, record: Record) -> None:
        """One record of a kind in VALUES, or a part.  Raises ValueError for a number that is none."""
        if row.kind == PART:
            self._part(record)
            return
        key = (record.part, record.characteristic) if record.characteristic else \
            (record.part, "", record.port, record.channel)
        group = self.groups.get(key)
        if group is None:
            group = self.groups[key] = Group(record.part, record.characteristic or _unnamed(record))
        value = self._number.known(record.value)
        if value is None:
            group.without_size += 1
            return
        doubted = self.doubts.about(record)
        group.seqs.append(row.seq)
        group.at_us.append(row.at_us)
        group.values.append(value)
        group.by.append(group.place(record, self._number))
        code = _CODES.get((record.verdict, record.side), 0)
        group.verdicts.append(code)
        group.doubted.append(doubted)
        group.flags.update(record.flags)
        group.lots[record.lot] += 1
        group.operators[record.operator] += 1
        group.kinds[row.kind] += 1
        group.circuits[record.port, record.channel] += 1
        if code > 1:
            group.out_count += 1
            if len(group.out) < MOST_LISTED:
                group.out.append(Out(row.seq, record.time, record.serial, record.lot, record.operator, value,
                                     record.unit, record.verdict, record.side, doubted))

    def _part(self, record: Record) -> None:
        one = self.yields.setdefault(record.part, Yield(record.part))
        if record.verdict == "fail":
            one.failed += 1
        elif "missing" in _told(record):
            one.incomplete += 1
        elif record.verdict == "pass":
            one.passed += 1
        elif record.verdict == "undecided":
            one.undecided += 1
        else:
            one.unjudged += 1
        one.suspect += self.doubts.about(record)


def _unnamed(record: Record) -> str:
    circuit = "/".join(text for text in (record.port, record.channel) if text)
    return f"(no characteristic) {circuit}".strip()
