"""Read all that can be read of a journal that is damaged, and say what can't be.

Knows: that SQLite finds damage page by page: a range of seqs that breaks is halved until what is left is a single one.
Must not know: whether the journal is in use.  Never writes.
"""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import NamedTuple

import msgspec
from msgspec import Struct

from collector.errors import JournalFailed
from collector.journal.forms import Filler, ReadForms, Row
from collector.journal.schema import MEMORY, RENEWED, connect_reading, renewed_of
from collector.journal.sqlite_faults import check_identity, primary_code, translated_outside_append

_STEP = 256
_DAMAGE = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_ERROR)
_HOPELESS = 20_000
"""So many seqs in a row that can't be read, where nobody knows how far they go, are taken for the end."""

_ROWS_A_PAGE = 150                                     # those that are filled into forms are the smallest


class Span(NamedTuple):
    """Seqs from `first` through `last`."""

    first: int
    last: int


class _Numbered(Struct):
    seq: int


class Salvage:
    """What can be read of one file; `broken` and `unsound` grow while `rows` is walked.

    `name`: the JOURNAL, `""` where that can't be read; `memory`: what the writer remembered, by key, as far as it can
    be read, `memory_whole`: that is all of it; `first`, `last`: the seqs that are looked at, `end_known`: False where
    the end of the file can't be read, and `last` is the most that it could have held; `renewed`: what was not told yet.
    """

    def __init__(self, db: sqlite3.Connection, after: int, seen: int, exact: bool):
        self._db, self._seen = db, seen
        db.execute("PRAGMA cell_size_check=ON")
        self.broken: list[Span] = []
        self.unsound: list[int] = []
        self._filler, self._forms = Filler(), ReadForms(self._look)
        found, self.memory_whole = self._meta()
        self.name = found.get("name", "")
        self.memory = {key.removeprefix(MEMORY): text for key, text in found.items() if key.startswith(MEMORY)}
        self.trimmed = int(found["trimmed"]) if found.get("trimmed", "").isdecimal() else 0
        self.renewed = renewed_of(found.get(RENEWED, "[]"))
        first, first_known = self._one("SELECT min(seq) FROM record")
        self.first = max(after + 1, (first or 1) if first_known else self.trimmed + 1)
        self._newest, is_known = self._one("SELECT max(seq) FROM record")
        self.end_known = is_known or exact
        self.last = seen if exact else max(self._newest or 0, self.trimmed, seen)
        if not self.end_known:
            pages, _ = self._one("PRAGMA page_count")
            self.last = max(self.last, self.first) + (pages or 0) * _ROWS_A_PAGE
        self._gone_from = max(self._newest or 0, self.trimmed, after) + 1 if is_known else self.last + 1

    def rows(self) -> Iterator[Row]:
        """Every sound row, in order of seq: one that can be read, and whose body is JSON with the row's own seq; of one
        that is filled in, whose form is sound and whose JSON is."""
        at, read_through = self.first, self.first - 1
        while at <= self.last:
            end = min(at + _STEP - 1, self.last)
            for found in self._around_damage(at, end):
                read_through = found.seq
                row = self._whole(found)
                if row is not None and is_sound(row):
                    yield row
                else:
                    self.unsound.append(found.seq)
            if not self.broken or self.broken[-1].last < end:
                read_through = end
            if not self.end_known and end - max(read_through, self._seen) > _HOPELESS:
                self.broken[-1] = Span(self.broken[-1].first, self.last)
                return
            at = end + 1
        if self._gone_from <= self.last:             # used, and not even an empty place is left of them
            self.broken.append(Span(self._gone_from, self.last))

    def _whole(self, row: Row) -> Row | None:
        """The row with its JSON; None where it or its form is damaged."""
        if not row.form:
            return row
        form = self._forms.of(row.form)
        try:
            return None if form is None else self._filler.whole(row, form)
        except ValueError:
            return None

    def _look(self, statement: str, number: int) -> list[tuple]:
        try:
            return self._db.execute(statement, (number,)).fetchall()
        except (sqlite3.Error, UnicodeError) as error:
            _only_damage(error)
            return []

    def _around_damage(self, first: int, last: int) -> Iterator[Row]:
        spans = [Span(first, last)]
        while spans:
            low, high = spans.pop()
            rows, broke = self._read(low, high)
            yield from rows
            low = rows[-1].seq + 1 if rows else low
            if not broke or low > high:
                continue
            if low == high:
                self._broke(low)
                continue
            middle = (low + high) // 2
            spans += [Span(middle + 1, high), Span(low, middle)]

    def _read(self, low: int, high: int) -> tuple[list[Row], bool]:
        """The rows from `low` through `high` up to the first damage, and whether there was any."""
        rows: list[Row] = []
        try:
            for found in self._db.execute("SELECT * FROM record WHERE seq BETWEEN ? AND ? ORDER BY seq", (low, high)):
                if not low <= found[0] <= high or rows and found[0] <= rows[-1].seq:
                    return rows, True
                rows.append(Row(*found))       # of schema 1 without a form
        except (sqlite3.Error, UnicodeError) as error:
            _only_damage(error)
            return rows, True
        return rows, False

    def _broke(self, seq: int) -> None:
        if self.broken and self.broken[-1].last == seq - 1:
            self.broken[-1] = Span(self.broken[-1].first, seq)
        else:
            self.broken.append(Span(seq, seq))

    def _one(self, statement: str) -> tuple[int | None, bool]:
        try:
            return self._db.execute(statement).fetchone()[0], True
        except sqlite3.Error as error:
            _only_damage(error)
            return None, False

    def _meta(self) -> tuple[dict[str, str], bool]:
        """From both ends, so that one damaged page costs what lies in it."""
        found: dict[str, str] = {}
        for order in ("ASC", "DESC"):
            try:
                for key, value in self._db.execute(f"SELECT key, value FROM meta ORDER BY key {order}"):
                    found[key] = value
                return found, True
            except (sqlite3.Error, UnicodeError) as error:
                _only_damage(error)
        return found, False


@contextmanager
def open_salvage(path: Path, after: int = 0, seen: int = 0, exact: bool = False) -> Iterator[Salvage]:
    """What can be read above `after`; `seen`: the highest seq that is known to have been used, `exact`: none above it
    was ever acknowledged.

    Raises JournalFailed where nothing of it can be read, StoppedByIO where it is no journal or can't be reached.
    """
    try:
        with closing(connect_reading(path)) as db:
            if not check_identity(db, path, oldest=1):
                raise JournalFailed(f"{path} is empty")
            db.execute("SELECT seq FROM record LIMIT 0")
            yield Salvage(db, after, seen, exact)
    except sqlite3.Error as error:
        raise translated_outside_append(error, path) from error


def is_sound(row: Row) -> bool:
    """Whether the row is of the types it should be, and its body JSON with its own seq."""
    try:
        return all(isinstance(text, str) for text in row[2:6]) and isinstance(row.at_us, int) and \
            msgspec.json.decode(row.body, type=_Numbered).seq == row.seq
    except (msgspec.MsgspecError, TypeError, UnicodeError):
        return False


def _only_damage(error: Exception) -> None:
    if isinstance(error, sqlite3.Error) and primary_code(error) not in _DAMAGE:
        # text that is no UTF-8 is an error of the Python module itself, without a code
        if not (isinstance(error, sqlite3.OperationalError) and "decode" in str(error)):
            raise error
