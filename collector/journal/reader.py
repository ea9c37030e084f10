"""The journal for everyone who only reads: output processes, status, export.

Knows: how to read a few hundred rows and let go, so that the writer's log never grows because of a reader.
Must not know: what a record says.  Never writes, never checkpoints.
"""

import sqlite3
from collections.abc import Collection, Iterator
from pathlib import Path

from collector.errors import StoppedByIO
from collector.journal.sqlite_faults import BUSY_MS, FILE_NAME, check_identity, translated_outside_append
from collector.journal.store import Row

MOST_ROWS = 500


class JournalReader:
    """A reading connection; works while the collector runs, after it was killed, and after it was closed."""

    def __init__(self, path: Path, db: sqlite3.Connection):
        self._path, self._db = path, db
        self.name = self._one("SELECT value FROM meta WHERE key = 'name'")

    @classmethod
    def open(cls, folder: Path) -> "JournalReader":
        """Raises StoppedByIO: none there, no right to write beside it, newer, not a journal; JournalFailed: damaged."""
        path = folder / FILE_NAME
        try:
            if not path.exists():
                raise StoppedByIO(f"there is no journal in {folder}")
        except OSError as error:
            raise StoppedByIO(f"the journal in {folder} can't be reached: {error.strerror}") from error
        db = None
        try:
            db = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, isolation_level=None,
                                 timeout=BUSY_MS / 1000)
            if not check_identity(db, path):
                raise StoppedByIO(f"the journal {path} holds nothing yet")
            return cls(path, db)
        except BaseException as error:
            if db is not None:
                db.close()
            if isinstance(error, sqlite3.Error):
                raise translated_outside_append(error, path) from error
            raise

    def rows(self, after: int, most: int = MOST_ROWS) -> list[Row]:
        """The rows with a seq above `after`, in order, at most `most` and never more than 500."""
        return [Row._make(row) for row in
                self._all("SELECT * FROM record WHERE seq > ? ORDER BY seq LIMIT ?", after, min(most, MOST_ROWS))]

    def last(self) -> int:
        """The seq used last, be its row still there or not; 0 before the first."""
        return self._one("SELECT max(coalesce((SELECT max(seq) FROM record), 0), CAST(value AS INTEGER)) "
                         "FROM meta WHERE key = 'trimmed'")

    def count_after(self, seq: int) -> int:
        """How many rows wait above `seq`, by their numbers alone: exact for any seq that was not trimmed past."""
        first, last = self._all("SELECT min(seq), max(seq) FROM record")[0]
        return 0 if first is None else max(0, last - max(seq, first - 1))

    def select(self, since_us: int | None = None, until_us: int | None = None, port: str | None = None, part: str | None = None,
               lot: str | None = None, kinds: Collection[str] = (), first: int = 1, through: int | None = None) -> Iterator[Row]:
        """The rows that arrived in [since, until), of this port, part, lot and these kinds (None, empty: any), by seq.

        `first`, `through`: only seqs between these, both included.
        """
        where, values = "seq > ? AND seq <= ?", []
        for condition, value in (("at_us >= ?", since_us), ("at_us < ?", until_us), ("port = ?", port), ("part = ?", part), ("lot = ?", lot)):
            if value is not None:
                where, values = f"{where} AND {condition}", [*values, value]
        if kinds:
            where, values = f"{where} AND kind IN ({', '.join('?' * len(kinds))})", [*values, *kinds]
        after, last = self._one("SELECT coalesce(min(seq), 1) - 1 FROM record"), self.last()
        after, last = max(after, first - 1), last if through is None else min(last, through)
        while after < last:
            yield from map(Row._make, self._all(f"SELECT * FROM record WHERE {where} ORDER BY seq",
                                                after, min(after + MOST_ROWS, last), *values))
            after += MOST_ROWS

    def close(self) -> None:
        """Let go of the file; nothing in it changes."""
        self._db.close()

    def _one(self, statement: str) -> int | str:
        return self._all(statement)[0][0]

    def _all(self, statement: str, *values: object) -> list[tuple]:
        try:
            return self._db.execute(statement, values).fetchall()
        except sqlite3.Error as error:
            raise translated_outside_append(error, self._path) from error
