"""The journal's one writing connection: append, trim.

Knows: SQLite in WAL mode, synced at every commit; that `seq` has no gaps and is never used again.
Must not know: what a record says, who reads it.

A SQLite before 3.51.3 can lose a commit where one connection checkpoints while another writes: therefore one
connection does both, and every other only reads.
"""

import os
import secrets
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import NamedTuple

from collector.errors import JournalFailed, StoppedByIO
from collector.files import Files, lock
from collector.journal.place import refuse_unfit
from collector.journal.sqlite_faults import (APPLICATION_ID, BUSY_MS, FILE_NAME, SCHEMA, check_identity, primary_code,
                                             set_pragma, translated, translated_outside_append)

_CROCKFORD = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
_MEMORY = "memory/"
_WAL_BYTES = 16 * 1024 * 1024
_TABLES = """
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT, WITHOUT ROWID;
CREATE TABLE record (seq INTEGER PRIMARY KEY, at_us INTEGER NOT NULL, kind TEXT NOT NULL, port TEXT NOT NULL,
                     part TEXT NOT NULL, lot TEXT NOT NULL, body BLOB NOT NULL) STRICT
"""


class Row(NamedTuple):
    """A record as the journal keeps it: arrival in microseconds since 1970, what one selects by, its JSON."""

    seq: int
    at_us: int
    kind: str
    port: str
    part: str
    lot: str
    body: bytes


class Journal:
    """The one connection that writes; belongs to the thread that opened it.

    `name` is the JOURNAL of the ids; `next_seq` is what the next record must carry.
    """

    def __init__(self, path: Path, db: sqlite3.Connection, lock_fd: int):
        self._path, self._db, self._lock_fd = path, db, lock_fd
        self._failed = ""
        self.name = _meta(db, "name")
        self.next_seq = _last(db) + 1

    @classmethod
    def open(cls, folder: Path) -> "Journal":
        """Open the journal in this folder, made at its first use.

        Raises StoppedByIO: network or removable file system, in use, newer, not a journal; JournalFailed: damaged.
        """
        refuse_unfit(folder)
        path = folder / FILE_NAME
        lock_fd = _prepared(folder, path)
        db = None
        try:
            db = sqlite3.connect(path, isolation_level=None, timeout=BUSY_MS / 1000)
            if not check_identity(db, path):
                _make(db)
            _set_pragmas(db)
            return cls(path, db, lock_fd)
        except BaseException as error:
            if db is not None:
                db.close()
            os.close(lock_fd)
            if isinstance(error, sqlite3.Error):
                raise translated_outside_append(error, path) from error
            raise

    def append(self, rows: list[Row], memory: dict[str, str | None] | None = None) -> None:
        """Keep these rows, in one transaction with one sync; returns only when they are durable.

        `memory`: what the writer wants to find again with these rows, by key (None: no longer).
        Raises JournalFull: nothing of it was kept, try again; JournalFailed: the file can't be trusted any more.
        """
        if not rows and not memory:
            return
        if rows and (rows[0].seq != self.next_seq or rows[-1].seq != self.next_seq + len(rows) - 1):
            raise ValueError(f"rows {rows[0].seq} to {rows[-1].seq} do not follow {self.next_seq - 1}")
        with self._transaction():
            self._db.executemany("INSERT INTO record VALUES (?, ?, ?, ?, ?, ?, ?)", rows)
            if memory:
                self._remember(memory)
        self.next_seq += len(rows)

    def memory(self) -> dict[str, str]:
        """What `append` was given to remember, as of the last row."""
        try:
            found = self._db.execute("SELECT key, value FROM meta").fetchall()
        except sqlite3.Error as error:
            raise translated_outside_append(error, self._path) from error
        return {key.removeprefix(_MEMORY): text for key, text in found if key.startswith(_MEMORY)}

    def _remember(self, memory: dict[str, str | None]) -> None:
        kept = [(_MEMORY + key, text) for key, text in memory.items() if text is not None]
        gone = [(_MEMORY + key,) for key, text in memory.items() if text is None]
        self._db.executemany("INSERT INTO meta VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET value = excluded.value",
                             kept)
        self._db.executemany("DELETE FROM meta WHERE key = ?", gone)

    def trim(self, through: int, before_us: int, most: int = 500) -> int:
        """Delete at most `most` rows up to seq `through` that are older than `before_us`; how many they were.

        What was deleted is remembered, so that no seq is used again even if every row goes.  Raises as `append`.
        """
        with self._transaction():
            gone = self._db.execute(
                "SELECT seq FROM record WHERE seq <= ? AND at_us < ? ORDER BY seq LIMIT ?", (through, before_us, most)
            ).fetchall()
            if gone:
                self._db.executemany("DELETE FROM record WHERE seq = ?", gone)
                self._db.execute("UPDATE meta SET value = max(CAST(value AS INTEGER), ?) WHERE key = 'trimmed'",
                                 (gone[-1][0],))
        return len(gone)

    def size_bytes(self) -> int:
        """Bytes that the journal holds: pages in use, and the write-ahead log beside it."""
        try:
            pages, = self._db.execute("PRAGMA page_count").fetchone()
            free, = self._db.execute("PRAGMA freelist_count").fetchone()
            page_bytes, = self._db.execute("PRAGMA page_size").fetchone()
        except sqlite3.Error as error:
            raise translated_outside_append(error, self._path) from error
        with suppress(FileNotFoundError):
            return (pages - free) * page_bytes + os.stat(f"{self._path}-wal").st_size
        return (pages - free) * page_bytes

    def close(self) -> None:
        """Close; what is in the write-ahead log goes into the file.  Everything was durable before."""
        try:
            self._db.close()
        except sqlite3.Error as error:
            raise translated_outside_append(error, self._path) from error
        finally:
            if self._lock_fd >= 0:
                os.close(self._lock_fd)
            self._lock_fd = -1

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        if self._failed:
            raise JournalFailed(self._failed)
        try:
            self._db.execute("BEGIN IMMEDIATE")
            yield
            self._db.execute("COMMIT")
        except BaseException as error:
            self._roll_back()
            if not isinstance(error, sqlite3.Error):
                raise
            if isinstance(error, sqlite3.InterfaceError | sqlite3.ProgrammingError) or \
                    primary_code(error) in (sqlite3.SQLITE_CONSTRAINT, sqlite3.SQLITE_MISMATCH):
                raise                                        # rows that no journal could take: a bug, not the disk
            told = translated(error, self._path)
            if isinstance(told, JournalFailed):
                self._failed = str(told)
            raise told from error

    def _roll_back(self) -> None:
        if self._db.in_transaction:                          # a full disk has rolled back already
            with suppress(sqlite3.Error):
                self._db.execute("ROLLBACK")


def _prepared(folder: Path, path: Path) -> int:
    """The folder is there, the file is private, and no other process writes to it: the lock that says so."""
    try:
        Files().make_folder(folder)
        if not path.exists():            # an open database is never opened past SQLite: closing would end its locks
            os.close(os.open(path, os.O_RDWR | os.O_CREAT, 0o600))
        lock_fd = lock(folder / "journal.lock")
    except OSError as error:
        raise StoppedByIO(f"the journal can't be kept in {folder}: {error.strerror}") from error
    if lock_fd is None:
        raise StoppedByIO(f"the journal in {folder} is in use by another collector")
    return lock_fd


def _make(db: sqlite3.Connection) -> None:
    name = "".join(secrets.choice(_CROCKFORD) for _ in range(8))
    set_pragma(db, "journal_mode", "WAL", "wal")
    db.execute("BEGIN IMMEDIATE")
    for statement in _TABLES.split(";"):
        db.execute(statement)
    db.execute("INSERT INTO meta VALUES ('name', ?), ('trimmed', '0')", (name,))
    db.execute(f"PRAGMA application_id={APPLICATION_ID}")
    db.execute(f"PRAGMA user_version={SCHEMA}")
    db.execute("COMMIT")


def _set_pragmas(db: sqlite3.Connection) -> None:
    set_pragma(db, "journal_mode", "WAL", "wal")
    set_pragma(db, "synchronous", "FULL", 2)
    set_pragma(db, "locking_mode", "NORMAL", "normal")
    set_pragma(db, "busy_timeout", BUSY_MS, BUSY_MS)
    set_pragma(db, "journal_size_limit", _WAL_BYTES, _WAL_BYTES)
    set_pragma(db, "wal_autocheckpoint", 1000, 1000)
    set_pragma(db, "trusted_schema", "OFF", 0)
    set_pragma(db, "cell_size_check", "ON", 1)


def _meta(db: sqlite3.Connection, key: str) -> str:
    found = db.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
    if found is None:
        raise JournalFailed(f"the journal has lost its {key}")
    return found[0]


def _last(db: sqlite3.Connection) -> int:
    newest, = db.execute("SELECT max(seq) FROM record").fetchone()
    return max(newest or 0, int(_meta(db, "trimmed")))
