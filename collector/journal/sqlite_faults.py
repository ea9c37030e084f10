"""SQLite's errors in our words, by what the caller does next."""

import os
import sqlite3
from pathlib import Path

from collector.errors import CollectorError, JournalFailed, JournalFull, StoppedByIO

FILE_NAME = "journal.sqlite"
APPLICATION_ID = 0x436F4C4A
SCHEMA = 2
BUSY_MS = 5000
BESIDE = "beside"
"""The table that a backup has, and no journal."""

_FULL, _BUSY, _LOCKED = sqlite3.SQLITE_FULL, sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED
_INDEX_HAS_NO_ROOM = sqlite3.SQLITE_IOERR_SHMSIZE
"""What SQLite says where the index of its log, which holds nothing of its own, can't grow: the disk is full."""

_NO_WAY_IN = (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM, sqlite3.SQLITE_AUTH)


def primary_code(error: sqlite3.Error) -> int:
    """SQLite's primary result code; 0 for an error of the Python module itself."""
    return (getattr(error, "sqlite_errorcode", 0) or 0) & 0xFF


def translated(error: sqlite3.Error, path: object) -> CollectorError:
    """JournalFull: wait and try again.  StoppedByIO: a person must act.  JournalFailed: never again on this file.

    An error of the Python module itself is a bug of ours and is raised as it is.
    """
    code = primary_code(error)
    if not code:
        raise error
    if code == _FULL:
        return JournalFull(f"no room for the journal {path}")
    if code in (_BUSY, _LOCKED):
        return JournalFull(f"the journal {path} is locked by another program")
    if getattr(error, "sqlite_errorcode", 0) == _INDEX_HAS_NO_ROOM:
        return JournalFull(f"no room for the index of the journal {path}")
    if code in _NO_WAY_IN:
        return StoppedByIO(f"the journal {path} can't be opened ({error}); it takes the right to write in its folder, "
                           "even for reading: run this as the user that the collector runs as")
    return JournalFailed(f"the journal {path} can't be trusted any more: {error}")


def is_no_room(full: JournalFull) -> bool:
    """Whether it is the disk that is full, and not another program that is in the way."""
    return primary_code(full.__cause__) not in (_BUSY, _LOCKED) if isinstance(full.__cause__, sqlite3.Error) else True


def translated_outside_append(error: sqlite3.Error, path: object) -> CollectorError:
    """As `translated`, where nothing waits in memory to be tried again: what is full or locked stops the caller."""
    told = translated(error, path)
    return StoppedByIO(str(told)) if isinstance(told, JournalFull) else told


def check_identity(db: sqlite3.Connection, path: object, oldest: int = SCHEMA) -> bool:
    """Whether the file is a journal of ours; False: an empty file.  `oldest`: the schema that it has at least.

    Raises StoppedByIO for another program's, a newer one or an older one, JournalFailed for what is too short to be any
    database.
    """
    application, = db.execute("PRAGMA application_id").fetchone()
    version, = db.execute("PRAGMA user_version").fetchone()
    tables, = db.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    if (application, version, tables) == (0, 0, 0):
        if not holds_nothing(db, path):
            raise JournalFailed(f"the journal {path} is damaged: it is cut off")
        return False
    if application != APPLICATION_ID:
        raise StoppedByIO(f"{path} is not a journal of the collector")
    if version > SCHEMA:
        raise StoppedByIO(f"the journal {path} was made by a newer collector (its schema is {version}, this one knows "
                          f"{SCHEMA}); run the newer one{_or_go_back(Path(str(path)))}")
    if version < oldest:
        raise StoppedByIO(f"the journal {path} was made by an older collector (its schema is {version}, this one's is "
                          f"{SCHEMA}); the next `collector run` makes it over, and keeps a copy")
    return True


def copy_before(path: Path, schema: int) -> Path:
    """Where the copy lies of a journal as it was when it had this schema, be it there or not."""
    return path.with_name(f"{path.name}.schema-{schema}")


def _or_go_back(path: Path) -> str:
    copy = copy_before(path, SCHEMA)
    return f", or go back to {copy}, as it was before that: `collector restore --aside`" if copy.exists() else ""


def is_backup(db: sqlite3.Connection) -> bool:
    """Whether it is a backup, which must be put back by `collector restore` to be a journal again."""
    return bool(db.execute("SELECT count(*) FROM sqlite_schema WHERE name = ?", (BESIDE,)).fetchone()[0])


def holds_nothing(db: sqlite3.Connection, path: object) -> bool:
    """Whether nothing was ever written: SQLite takes any short file for an empty database, and would write over it."""
    pages, = db.execute("PRAGMA page_count").fetchone()
    return bool(pages) or os.stat(str(path)).st_size == 0


def set_pragma(db: sqlite3.Connection, name: str, value: object, expected: object) -> None:
    """Set a pragma and read it back.  Raises StoppedByIO where SQLite did not take it."""
    db.execute(f"PRAGMA {name}={value}").fetchall()
    found = db.execute(f"PRAGMA {name}").fetchone()
    if found is None or found[0] != expected:
        raise StoppedByIO(f"SQLite {sqlite3.sqlite_version} did not take {name}={value}: it stays at "
                          f"{found[0] if found else 'nothing'}")
