"""The journal for everyone who only reads: output processes, status, export.

Knows: how to read a few hundred rows and let go, so that the writer's log never grows because of a reader.
Must not know: what a record says.  Never writes, never checkpoints.
"""

import os
import sqlite3
import time
from collections import Counter
from collections.abc import Callable, Collection, Iterator
from contextlib import suppress
from pathlib import Path

from collector.errors import CollectorError, JournalFailed, StoppedByIO
from collector.journal.forms import Filler, Form, ReadForms, Row
from collector.journal.schema import COUNTED, MEMORY, connect_reading
from collector.journal.sqlite_faults import FILE_NAME, check_identity, translated_outside_append

MOST_ROWS = 500
_COUNTED_ROWS = 5000
_REPLACED_WITHIN_S = 2.0


def journal_path(folder: Path) -> Path:
    """Where the journal in this folder lies, be it there or not."""
    return folder / FILE_NAME


class JournalReader:
    """A reading connection; works while the collector runs, after it was killed, and after it was closed.

    Where the collector begins a new file, what is read next is read from that; a new JOURNAL raises StoppedByIO.
    """

    def __init__(self, path: Path):
        self._path = path
        self._db, self._file = _connected(path)
        self._filler, self._forms = Filler(), ReadForms(self._look)
        self.name = self._one("SELECT value FROM meta WHERE key = 'name'")

    @classmethod
    def open(cls, folder: Path) -> "JournalReader":
        """Raises StoppedByIO: none there, no right to write beside it, newer, not ours; JournalFailed: damaged."""
        return cls(folder / FILE_NAME)

    def rows(self, after: int, most: int = MOST_ROWS) -> list[Row]:
        """The rows with a seq above `after`, in order, at most `most` and never more than 500."""
        return list(self._whole(self._all("SELECT * FROM record WHERE seq > ? ORDER BY seq LIMIT ?", after,
                                          min(most, MOST_ROWS))))

    def last(self) -> int:
        """The seq used last, be its row still there or not; 0 before the first."""
        return self._one("SELECT max(coalesce((SELECT max(seq) FROM record), 0), CAST(value AS INTEGER)) "
                         "FROM meta WHERE key = 'trimmed'")

    def oldest_ns(self) -> int:
        """When the oldest record that is still there arrived, in wall time; 0 where there is none."""
        return self._one("SELECT coalesce((SELECT at_us FROM record ORDER BY seq LIMIT 1), 0)") * 1000

    def count_after(self, seq: int) -> int:
        """How many rows wait above `seq`, by their numbers alone: exact for any seq that was not trimmed past."""
        first, last = self._all("SELECT (SELECT min(seq) FROM record), (SELECT max(seq) FROM record)")[0]   # no scan
        return 0 if first is None else max(0, last - max(seq, first - 1))

    def select(self, since_us: int | None = None, until_us: int | None = None, port: str | None = None,
               part: str | None = None, lot: str | None = None, kinds: Collection[str] = (), first: int = 1,
               through: int | None = None) -> Iterator[Row]:
        """The rows that arrived in [since, until), of this port, part, lot and these kinds (None, empty: any), by seq.

        `first`, `through`: only seqs between these, both included.
        """
        where, values = "seq > ? AND seq <= ?", []
        for condition, value in (("at_us >= ?", since_us), ("at_us < ?", until_us)):
            if value is not None:
                where, values = f"{where} AND {condition}", [*values, value]
        said, asked = _said(port, part, lot, kinds)
        if said:
            where, values = f"{where} AND (form > 0 OR {said})", [*values, *asked]

        def fits(one: Row | Form) -> bool:
            return ((not kinds or one.kind in kinds) and (port is None or one.port == port)
                    and (part is None or one.part == part) and (lot is None or one.lot == lot))

        after, last = self._one("SELECT coalesce(min(seq), 1) - 1 FROM record"), self.last()
        after, last = max(after, first - 1), last if through is None else min(last, through)
        while after < last:
            yield from self._whole(self._all(f"SELECT * FROM record WHERE {where} ORDER BY seq",
                                             after, min(after + MOST_ROWS, last), *values), fits)
            after = max(after + MOST_ROWS, self._next(after + MOST_ROWS) - 1)      # over the gap of a restore

    def memory(self, prefix: str) -> tuple[dict[str, str], int]:
        """What the writer remembers under keys that begin so, and the seq used last, as of one moment."""
        found = self._all("SELECT key, value FROM meta WHERE key = 'trimmed' OR substr(key, 1, ?) = ? "
                          "UNION ALL SELECT 'last', CAST(coalesce(max(seq), 0) AS TEXT) FROM record",
                          len(MEMORY + prefix), MEMORY + prefix)
        told = dict(found)
        last = max(int(told.pop("last")), int(told.pop("trimmed")))
        return {key.removeprefix(MEMORY + prefix): text for key, text in told.items()}, last

    def kinds(self, after: int, through: int) -> Counter[tuple[str, str]]:
        """How many rows of each (port, kind) have a seq above `after`, up to `through`; read some at a time."""
        found: Counter[tuple[str, str]] = Counter()
        first = self._one("SELECT coalesce(min(seq), 1) FROM record")
        for begin in range(max(after, first - 1), through, _COUNTED_ROWS):
            for port, kind, times in self._all(COUNTED, begin, min(begin + _COUNTED_ROWS, through)):
                found[port, kind] += times
        return found

    def _whole(self, found: list[tuple], fits: Callable[[Row | Form], bool] = lambda one: True) -> Iterator[Row]:
        """These rows with their JSON, as far as they or their forms fit; not those that were deleted, with their form,
        since they were read.  One that is damaged has no body: it is no record."""
        file = self._file
        for row in found:
            seq, number = row[0], row[-1]
            if not number:
                if fits(one := Row._make(row)):
                    yield one
                continue
            form = self._forms.of(number)
            if self._file != file:                             # now another file is read: the number is none of its
                yield from self._whole(self._all("SELECT * FROM record WHERE seq = ?", seq), fits)
            elif form is None:
                if self._all("SELECT 1 FROM record WHERE seq = ?", seq):
                    raise JournalFailed(f"the journal {self._path} is damaged: the form of its record {seq} is lost")
            elif fits(form):
                try:
                    whole = self._filler.whole(row, form)
                except ValueError:
                    whole = Row(seq, row[1], *form[:4], b"")
                yield whole

    def _look(self, statement: str, number: int) -> list[tuple]:
        with suppress(JournalFailed, sqlite3.Error):           # the latter: text that is no UTF-8
            return self._all(statement, number)
        return []

    def _next(self, after: int) -> int:
        """The seq of the first row above `after`; 0: there is none."""
        return self._one(f"SELECT coalesce((SELECT seq FROM record WHERE seq > {after} ORDER BY seq LIMIT 1), 0)")

    def close(self) -> None:
        """Let go of the file; nothing in it changes."""
        self._db.close()

    def _one(self, statement: str) -> int | str:
        return self._all(statement)[0][0]

    def _all(self, statement: str, *values: object) -> list[tuple]:
        """What was read counts only if the file was still in force behind it.

        While a new one takes its place, its log's name is for a moment that of neither.
        """
        while True:
            found, fault = [], None
            try:
                found = self._db.execute(statement, values).fetchall()
            except sqlite3.Error as error:
                fault = error
            if _identity(self._path) == self._file:
                if fault is not None:
                    raise translated_outside_append(fault, self._path) from fault
                return found
            self._open_again()

    def _open_again(self) -> None:
        self._db.close()
        self._db, self._file = _connected(self._path)
        self._forms.forget()
        name = self._one("SELECT value FROM meta WHERE key = 'name'")
        if name != self.name:
            raise StoppedByIO(f"the journal {self._path} is another one now: {name}, not {self.name}")


def _said(port: str | None, part: str | None, lot: str | None, kinds: Collection[str]) -> tuple[str, list[str]]:
    """What one selects by, of records that lie there whole, as a condition and its values; empty: any."""
    asked = {"port = ?": port, "part = ?": part, "lot = ?": lot}
    found = {condition: value for condition, value in asked.items() if value is not None}
    conditions, values = [*found], [*found.values()]
    if kinds:
        conditions, values = [*conditions, f"kind IN ({', '.join('?' * len(kinds))})"], [*values, *kinds]
    return " AND ".join(conditions), values


def _identity(path: Path) -> tuple[int, int] | None:
    try:
        told = os.stat(path)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise StoppedByIO(f"the journal {path} can't be reached: {error.strerror}") from error
    return told.st_dev, told.st_ino


def _connected(path: Path) -> tuple[sqlite3.Connection, tuple[int, int]]:
    """A connection and the file that it reads; one that is just being replaced is waited for."""
    end = time.monotonic() + _REPLACED_WITHIN_S
    while True:
        file = _identity(path)
        try:
            if file is None:
                raise StoppedByIO(f"there is no journal in {path.parent}")
            return _opened(path), file
        except (CollectorError, FileNotFoundError):
            if not _is_being_replaced(path, file) or time.monotonic() >= end:
                raise
        time.sleep(0.01)


def _is_being_replaced(path: Path, file: tuple[int, int] | None) -> bool:
    """Whether another file is, or was since `file` was seen, made to stand in its place;
    no where nothing can be seen."""
    try:
        beside = os.listdir(path.parent)
    except OSError:
        return False
    return any(name.startswith(f"{path.name}.next-") for name in beside) or _identity(path) != file


def _opened(path: Path) -> sqlite3.Connection:
    db = None
    try:
        db = connect_reading(path)
        if not check_identity(db, path):
            raise StoppedByIO(f"the journal {path} holds nothing yet")
        return db
    except BaseException as error:
        if db is not None:
            db.close()
        if isinstance(error, sqlite3.Error):
            raise translated_outside_append(error, path) from error
        raise
