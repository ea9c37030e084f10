"""The write-ahead log of a journal's file: when it goes into the file, and how long it may become.

Knows: SQLite's checkpoints.  Every few megabytes the log is copied into the file aside, by a connection and a thread of
its own, while commits go on behind it; when it has become long, or when it is quiet, it is copied by the connection
that writes, so that the next commit begins it anew.
Must not know: rows, what is to be done when a copy fails.

A SQLite before 3.51.3 can lose a commit where a connection begins to copy while another begins the log anew.  A log is
begun anew only when all of it is in the file.  So a copy aside begins only behind a commit that is not in the file, and
nothing else copies until it has ended: until this copy says how far it came, the log only grows.
"""

import os
import sqlite3
from contextlib import suppress
from pathlib import Path

from collector.aside import Aside
from collector.journal.schema import LOG_BYTES, connect, set_writing
from collector.journal.sqlite_faults import BUSY_MS

COPIED_BYTES = 4_000_000
LONG_BYTES = 64_000_000
_READERS_END_MS = 25
_PAGE_BYTES = 24 + 4096                       # with its head
_BLOCK_BYTES = 65_536


class Log:
    """Used by one thread at a time.  A copy that fails raises sqlite3.Error or OSError, one aside with a later call;
    what was committed is durable in the log all the same."""

    def __init__(self, db: sqlite3.Connection, path: Path):
        """`db`: the connection that writes.  Raises sqlite3.Error, OSError, StoppedByIO."""
        self._db, self._beside = db, connect(path)
        try:
            set_writing(self._beside)
            self._file = open(path, "rb", buffering=0)
        except BaseException:
            self._beside.close()
            raise
        _lengthen(Path(f"{path}-wal"))
        self._aside, self._is_begun = Aside("copy"), False
        self._new_bytes = 0                  # what has come since a copy began, about
        self._copied_bytes = 0               # how long the log was when the last copy aside saw it

    def grown(self, count: int) -> None:
        """A commit has brought rows, and so many bytes, or about as many."""
        self._new_bytes += count
        if self._aside.is_busy and self._new_bytes < LONG_BYTES:
            return
        if self._end() and (length := self._copied_bytes + self._new_bytes) > LONG_BYTES:
            wait_ms = _READERS_END_MS if length < LONG_BYTES * 3 // 2 else 10 * _READERS_END_MS
            return self._copy(wait_ms, LONG_BYTES)           # to cut it costs 10 ms, and it would grow again
        if self._new_bytes > COPIED_BYTES:
            self._new_bytes, self._is_begun = 0, True
            self._aside.begin(self._copy_aside)

    def tidy(self) -> None:
        """For when it is quiet: what no reader holds goes into the file; where that is all, the next commit begins the
        log anew.  Never waits."""
        if not self._aside.is_busy:
            self._end()
            self._copy(0, LOG_BYTES)

    def close(self) -> None:
        """Wait for what is under way; the connection that writes stays open."""
        try:
            self._end()
        finally:
            self._aside.close()
            self._beside.close()

    def forget(self) -> None:
        """When no connection to the file is left in this process: a file that it closes loses all its locks."""
        self._file.close()

    def _copy(self, wait_ms: int, length: int) -> None:
        """Copy it into the file, with the connection that writes, so that the next commit begins it anew and cuts it to
        this length; a reader in the way is waited for so long."""
        try:
            self._db.execute(f"PRAGMA journal_size_limit={length}").fetchall()
            self._db.execute(f"PRAGMA busy_timeout={wait_ms}")
            self._db.execute("PRAGMA wal_checkpoint(RESTART)").fetchall()
        finally:
            self._db.execute(f"PRAGMA busy_timeout={BUSY_MS}")
        self._new_bytes = 0

    def _end(self) -> bool:
        """Wait for a copy aside.  Whether there was one."""
        was_begun, self._is_begun = self._is_begun, False
        self._aside.end()
        return was_begun

    def _copy_aside(self) -> None:
        _, pages, _ = self._beside.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
        self._copied_bytes = max(0, pages) * _PAGE_BYTES
        os.fdatasync(self._file.fileno())    # SQLite syncs only what is all of the log, which comes to much at once


def _lengthen(path: Path) -> None:
    """Write zeros behind the log, which end it as its end does; nothing may be appended meanwhile.

    A commit within a file's length needs no new length on the disk: its sync takes 0.1 ms less, of 0.5.
    """
    with suppress(OSError):                  # no room for it, or no log yet
        fd = os.open(path, os.O_WRONLY)
        try:
            at = length = os.fstat(fd).st_size
            try:
                while at < LOG_BYTES:
                    at += os.pwrite(fd, bytes(min(_BLOCK_BYTES, LOG_BYTES - at)), at)
            except OSError:
                os.ftruncate(fd, length)
        finally:
            os.close(fd)
