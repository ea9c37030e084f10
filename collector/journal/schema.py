"""What lies in the journal's file: its tables, and how the connection that writes is set.

Knows: SQLite's settings that keep what was acknowledged; what is remembered beside the records, by key.
Must not know: what a record says, what to do when something is wrong.
"""

import os
import secrets
import sqlite3
from contextlib import suppress
from pathlib import Path

import msgspec
from msgspec import Struct

from collector.errors import JournalFailed
from collector.journal.forms import FORM_TABLES
from collector.journal.sqlite_faults import APPLICATION_ID, BUSY_MS, SCHEMA, set_pragma

MEMORY = "memory/"
RENEWED = "renewed"
"""The keys of `meta`: `name`, `trimmed`, what the writer remembers (behind `memory/`), and how the file was begun."""

LOG_BYTES = 1 << 20
"""What the write-ahead log is made long from the start, and cut to when it is quiet."""

_CROCKFORD = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
_TABLES = """
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT, WITHOUT ROWID;
CREATE TABLE record (seq INTEGER PRIMARY KEY, at_us INTEGER NOT NULL, kind TEXT NOT NULL, port TEXT NOT NULL,
                     part TEXT NOT NULL, lot TEXT NOT NULL, body BLOB NOT NULL,
                     form INTEGER NOT NULL DEFAULT 0) STRICT
"""
_FORM_COLUMNS = """(number INTEGER PRIMARY KEY, kind TEXT NOT NULL, port TEXT NOT NULL, part TEXT NOT NULL,
                    lot TEXT NOT NULL, pieces BLOB NOT NULL, crc INTEGER NOT NULL) STRICT"""

COUNTED = """SELECT coalesce(forms.port, record.port) AS of_port, coalesce(forms.kind, record.kind) AS of_kind, count(*)
             FROM record LEFT JOIN forms ON number = form WHERE seq > ? AND seq <= ? GROUP BY of_port, of_kind"""
"""How many records of each port and kind there are above a seq and through another."""

FIRST = """SELECT seq, at_us, coalesce(forms.port, record.port), coalesce(forms.kind, record.kind), form
           FROM record LEFT JOIN forms ON number = form WHERE seq <= ? ORDER BY seq LIMIT ?"""
"""Of the first so many records up to a seq: seq, time, port, kind and form."""


class Lost(Struct, frozen=True):
    """Records that could not be read: `count` of them, with seqs from `first` to `last`; 0: none.

    `is_exact`: False where the file's end could not be read: then they were at most so many.
    """

    count: int = 0
    first: int = 0
    last: int = 0
    is_exact: bool = True


class Renewed(Struct, frozen=True):
    """A new journal file was begun.

    `cause`: what was wrong; `aside`: what the old file is called now, in the same folder; `kept`: records carried over;
    `memory_whole`: all that was remembered was carried over; `carries_on`: name and seqs go on, False: a new JOURNAL.
    """

    cause: str
    aside: str
    kept: int = 0
    lost: Lost = Lost()
    memory_whole: bool = True
    carries_on: bool = True


def renewed_text(told: list[Renewed]) -> str:
    """As it lies in the file, until the first record behind it."""
    return msgspec.json.encode(told).decode()


def renewed_of(text: str) -> list[Renewed]:
    """What `renewed_text` gave; nothing where that is damaged."""
    try:
        return msgspec.json.decode(text, type=list[Renewed])
    except msgspec.MsgspecError:
        return []


def connect(path: Path) -> sqlite3.Connection:
    """A connection that may write, one thread at a time; transactions begin where they are said to.
    Raises JournalFailed."""
    _refuse_lone_log(path)
    return sqlite3.connect(path, isolation_level=None, timeout=BUSY_MS / 1000, check_same_thread=False)


def connect_reading(path: Path) -> sqlite3.Connection:
    """A connection that changes nothing in the file.  Raises JournalFailed."""
    _refuse_lone_log(path)
    uri = f"{path.absolute().as_uri()}?mode=ro"
    return sqlite3.connect(uri, uri=True, isolation_level=None, timeout=BUSY_MS / 1000)


def _refuse_lone_log(path: Path) -> None:
    """SQLite, even where it only reads, throws a log away that lies beside an empty file."""
    with suppress(FileNotFoundError):
        if os.stat(f"{path}-wal").st_size and not os.stat(path).st_size:
            raise JournalFailed(f"the journal {path} is empty, but its log is not")


def drawn_name() -> str:
    """A JOURNAL that no other has."""
    return "".join(secrets.choice(_CROCKFORD) for _ in range(8))


def make_tables(db: sqlite3.Connection, meta: dict[str, str]) -> None:
    """Make an empty file a journal, within the transaction that is open."""
    for statement in _TABLES.split(";"):
        db.execute(statement)
    make_form_tables(db)
    db.executemany("INSERT INTO meta VALUES (?, ?)", meta.items())
    db.execute(f"PRAGMA application_id={APPLICATION_ID}")
    db.execute(f"PRAGMA user_version={SCHEMA}")


def make_form_tables(db: sqlite3.Connection) -> None:
    """Those that the schemas before 2 do not have."""
    for table in FORM_TABLES:
        db.execute(f"CREATE TABLE {table} {_FORM_COLUMNS}")


def set_writing(db: sqlite3.Connection) -> None:
    """Set what the writing connection needs, each read back.  Raises StoppedByIO where SQLite did not take one."""
    set_pragma(db, "journal_mode", "WAL", "wal")
    set_pragma(db, "synchronous", "FULL", 2)
    set_pragma(db, "locking_mode", "NORMAL", "normal")
    set_pragma(db, "busy_timeout", BUSY_MS, BUSY_MS)
    set_pragma(db, "journal_size_limit", LOG_BYTES, LOG_BYTES)
    set_pragma(db, "wal_autocheckpoint", 0, 0)           # it would hide its errors: the store checkpoints by itself
    set_pragma(db, "trusted_schema", "OFF", 0)
    set_pragma(db, "cell_size_check", "ON", 1)


def meta(db: sqlite3.Connection, key: str) -> str:
    """Raises JournalFailed where it is gone."""
    found = db.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
    if found is None:
        raise JournalFailed(f"the journal has lost its {key}")
    return found[0]


def last_form(db: sqlite3.Connection) -> int:
    """The highest number that a form was ever given: that one is never deleted; 0 before the first."""
    return max(db.execute(f"SELECT coalesce(max(number), 0) FROM {table}").fetchone()[0] for table in FORM_TABLES)


def last_seq(db: sqlite3.Connection) -> int:
    """The seq used last, be its row still there or not; 0 before the first."""
    newest, = db.execute("SELECT max(seq) FROM record").fetchone()
    return max(newest or 0, int(meta(db, "trimmed")))
