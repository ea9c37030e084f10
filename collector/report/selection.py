"""Which records a report is about, where they come from, and the digest that ties the report to them.

Knows: the journal's reader, what `collector export` can select, so that anyone can take the same records out again.
Must not know: what the records are made into.
"""

import hashlib
import shlex
from collections.abc import Callable, Collection, Iterator
from datetime import datetime, timedelta, timezone
from typing import Protocol

import msgspec
from msgspec import Struct

from collector.journal import Row
from collector.record import Record, decode

VALUES = ("measurement", "sweep", "derived")
"""The kinds that are values of a characteristic."""

PART = "part"
_EPOCH = datetime(1970, 1, 1, tzinfo=timezone.utc)
_MILLISECOND_US = 1000


class Source(Protocol):
    """Rows in order of seq; a journal's reader is one."""

    def select(self, since_us: int | None = None, until_us: int | None = None, port: str | None = None,
               part: str | None = None, lot: str | None = None, kinds: Collection[str] = (), first: int = 1,
               through: int | None = None) -> Iterator[Row]: ...


class Selection(Struct, frozen=True):
    """What was asked for; `""` and None: any.  Times in microseconds since 1970, `until_us` itself left out.

    `since`, `until`: as a person wrote them.
    """

    part: str = ""
    lot: str = ""
    serial: str = ""
    characteristic: str = ""
    since_us: int | None = None
    until_us: int | None = None
    since: str = ""
    until: str = ""

    @property
    def kinds(self) -> tuple[str, ...]:
        """A whole part is not of one characteristic."""
        return VALUES if self.characteristic else (*VALUES, PART)

    def words(self) -> list[tuple[str, str]]:
        """What was asked for, as (word, text)."""
        told = (("lot", self.lot), ("part", self.part), ("serial", self.serial),
                ("characteristic", self.characteristic), ("from", self.since), ("before", self.until))
        return [(word, text) for word, text in told if text]

    def records(self, source: Source, through: int | None = None) -> Iterator[tuple[Row, Record]]:
        """The rows selected, and what they say."""
        for row in source.select(self.since_us, self.until_us, None, self.part or None, self.lot or None, self.kinds,
                                 through=through):
            record = decode(row.body)
            if self.serial and record.serial != self.serial:
                continue
            if self.characteristic and record.characteristic != self.characteristic:
                continue
            yield row, record


class Trace(Struct, frozen=True):
    """The records a report was made of: `sha256` is over their JSON, each followed by a line feed, in order of seq."""

    journals: tuple[str, ...]
    sites: tuple[str, ...]
    first: int
    last: int
    count: int
    kinds: dict[str, int]
    since: str                                            # times of the first and the last record, as recorded
    until: str
    sha256: str                                           # `""`: read from files
    files: dict[str, str] = {}                            # name -> SHA-256 of the file


class Tracing:
    """Counts and digests records as they pass; every `each` of them `tell` is told how many there were."""

    def __init__(self, tell: Callable[[int], None] | None = None, each: int = 20_000):
        self._digest, self._tell, self._each = hashlib.sha256(), tell, each
        self._ids: set[str] = set()
        self._kinds: dict[str, int] = {}
        self._first = self._last = self.count = self.latest_us = 0
        self._since = self._until = ""

    def through(self, records: Iterator[tuple[Row, Record]]) -> Iterator[tuple[Row, Record]]:
        """The same records."""
        for row, record in records:
            self._digest.update(row.body + b"\n")
            if not self.count:
                self._first, self._since = row.seq, record.time
            self._last, self._until = row.seq, record.time
            self.latest_us = max(self.latest_us, row.at_us)
            self._ids.add(record.id.rpartition("-")[0])
            self._kinds[row.kind] = self._kinds.get(row.kind, 0) + 1
            self.count += 1
            if self._tell and self.count % self._each == 0:
                self._tell(self.count)
            yield row, record

    def trace(self, files: dict[str, str] | None = None) -> Trace:
        """What has passed so far."""
        named = sorted(self._ids)
        return Trace(journals=tuple(dict.fromkeys(one.rpartition("-")[2] for one in named)),
                     sites=tuple(dict.fromkeys(one.rpartition("-")[0] for one in named)),
                     first=self._first, last=self._last, count=self.count, kinds=self._kinds, since=self._since,
                     until=self._until, sha256="" if files else self._digest.hexdigest(), files=files or {})


def command(config: str, selection: Selection, latest_us: int) -> str:
    """A line for the shell that prints the digest of the same records again, as long as the journal has them.

    Where no end was asked for, it names one behind the last record, so that later ones change nothing.
    """
    words = ["collector", "export", config]
    for kind in selection.kinds:
        words += ["--kind", kind]
    until = selection.until or _written(-(-(latest_us + 2) // _MILLISECOND_US) * _MILLISECOND_US)
    for option, text in (("part", selection.part), ("lot", selection.lot), ("since", selection.since),
                         ("until", until)):
        if text:
            words.append(f"--{option}={text}")            # a text may begin with a hyphen
    line = shlex.join(words)
    for field, text in (("serial", selection.serial), ("characteristic", selection.characteristic)):
        if text:                # a quote within a text is escaped in JSON, so this matches the field and nothing else
            as_written = f'"{field}":{msgspec.json.encode(text).decode()}'
            line += f" | LC_ALL=C grep -F {shlex.quote(as_written)}"
    return f"{line} | sha256sum"


def time_us(text: str) -> int:
    """RFC 3339, or a date, UTC where no zone is said, as microseconds since 1970.  Raises ValueError."""
    found = datetime.fromisoformat(text)
    aware = found if found.tzinfo else found.replace(tzinfo=timezone.utc)
    return (aware - _EPOCH) // timedelta(microseconds=1)


def _written(us: int) -> str:
    return (_EPOCH + timedelta(microseconds=us)).isoformat().replace("+00:00", "Z")
