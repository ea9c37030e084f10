"""Opening the journal's file for writing: its folder, its lock, its tables, its settings.

Knows: what must be so before the first row is written.
Must not know: rows, what to do with a damaged file.
"""

import os
import sqlite3
from contextlib import suppress
from pathlib import Path

from collector.clock import Clock
from collector.errors import JournalFailed, StoppedByIO
from collector.files import Files, lock
from collector.journal.checked import refuse_damaged
from collector.journal.migration import migrate
from collector.journal.renewal import finish
from collector.journal.schema import connect, drawn_name, make_tables, set_writing
from collector.journal.sqlite_faults import check_identity, is_backup, translated

_OPEN = b"open"


def prepare(folder: Path, path: Path, files: Files) -> tuple[int, bool]:
    """The folder is there, the file is private, and no other process writes to it: the lock that says so.

    The lock file also says, from here until the journal is closed, that it is open: True where it said so before.
    """
    lock_fd = None
    try:
        files.make_folder(folder)
        lock_fd = lock(folder / "journal.lock")
        if lock_fd is None:
            raise StoppedByIO(f"the journal in {folder} is in use by another collector")
        was_unclean = os.pread(lock_fd, len(_OPEN), 0) == _OPEN
        finish(path, files)
        if not path.exists():            # an open database is never opened past SQLite: closing would end its locks
            os.close(os.open(path, os.O_RDWR | os.O_CREAT, 0o600))
        with suppress(OSError):          # on a full disk the next start checks nothing
            os.pwrite(lock_fd, _OPEN, 0)
            os.fsync(lock_fd)
    except OSError as error:
        if lock_fd is not None:
            os.close(lock_fd)
        raise StoppedByIO(f"the journal can't be kept in {folder}: {error.strerror}") from error
    return lock_fd, was_unclean


def open_file(path: Path, was_unclean: bool, files: Files, clock: Clock) -> sqlite3.Connection:
    """The connection that writes, to a file of which `was_unclean` says that it was not closed.

    Raises JournalFailed: damaged; JournalFull; StoppedByIO: a person must act.
    """
    db = None
    try:
        db = connect(path)
        migrate(db, path, files, clock)
        if not check_identity(db, path):
            db.execute("PRAGMA journal_mode=WAL").fetchall()
            db.execute("BEGIN IMMEDIATE")
            make_tables(db, {"name": drawn_name(), "trimmed": "0"})
            db.execute("COMMIT")
        if is_backup(db):
            raise StoppedByIO(f"{path} is a backup; `collector restore` makes a journal of it, under a new name")
        set_writing(db)
        refuse_damaged(db, path, was_unclean)
        files.sync_folder(path.parent)       # the log's name: SQLite syncs it too, but passes over an error
        return db
    except BaseException as error:
        if db is not None:
            db.close()
        if isinstance(error, sqlite3.Error):
            raise translated(error, path) from error
        if isinstance(error, OSError):
            raise JournalFailed(f"the folder of the journal {path} can't be synced: {error.strerror}") from error
        raise
