"""The write-ahead log of a journal's file: when it goes into the file, and how long it may become.

Knows: SQLite's checkpoints.  Every few megabytes the log is copied into the file aside, by a connection and a thread of
its own, while commits go on behind it; when it has become long it is copied by the connection that writes, so that the
next commit begins it anew.
Must not know: rows, what is to be done when a copy fails.

A SQLite before 3.51.3 can lose a commit where a connection begins to copy while another begins the log anew.  A log is
begun anew only when all of it is in the file.  So a copy aside begins only behind a commit that is not in the file, and
nothing else copies until it has ended: until then the log only grows.
"""

import os
import sqlite3
from contextlib import suppress
from pathlib import Path
from queue import SimpleQueue

from collector.aside import Aside
from collector.journal.schema import LOG_BYTES, connect, set_writing
from collector.journal.sqlite_faults import BUSY_MS

COPIED_BYTES = 4_000_000
LONG_BYTES = 64_000_000
_READERS_END_MS = 25
_FRAME_BYTES = 24 + 4096
_BLOCK_BYTES = 65_536


class Log:
    """Used by one thread at a time.  A copy that fails raises sqlite3.Error, JournalFailed or StoppedByIO, one aside
    with a later call; what was committed is durable in the log all the same."""

    def __init__(self, db: sqlite3.Connection, path: Path):
        """`db`: the connection that writes."""
        self._db, self._path = db, path
        _lengthen(Path(f"{path}-wal"))
        self._beside: sqlite3.Connection | None = None
        self._aside: Aside | None = None
        self._lengths: SimpleQueue[int] = SimpleQueue()
        self._bytes = 0                      # how long it was when that was told last
        self._new_bytes = 0                  # what has come since it was copied last

    def grown(self, count: int) -> None:
        """A commit has brought so many bytes, or about as many."""
        self._bytes += count
        self._new_bytes += count
        if self._aside is not None and self._aside.is_busy:
            return
        if self._has_ended() and self._bytes > LONG_BYTES:
            return self._copy(_READERS_END_MS if self._bytes < LONG_BYTES * 3 // 2 else 10 * _READERS_END_MS)
        if self._new_bytes > COPIED_BYTES:
            self._aside = self._aside or Aside("copy")
            self._new_bytes = 0
            self._aside.begin(self._copy_aside)

    def tidy(self) -> None:
        """For when it is quiet: what no reader holds goes into the file; where that is all, the next commit begins the
        log anew.  Never waits."""
        if self._aside is None or not self._aside.is_busy:
            self._has_ended()
            self._copy(0)

    def _copy(self, wait_ms: int) -> None:
        """Copy it into the file, with the connection that writes, so that the next commit begins it anew: a reader in
        the way is waited for so long."""
        try:
            self._db.execute(f"PRAGMA busy_timeout={wait_ms}")
            frames, copied = _copied(self._db, "RESTART")
            self._bytes = 0 if copied == frames else frames * _FRAME_BYTES
            self._new_bytes = 0
        finally:
            self._db.execute(f"PRAGMA busy_timeout={BUSY_MS}")

    def close(self) -> None:
        """Wait for what is under way; the connection that writes stays open."""
        try:
            self._has_ended()
        finally:
            if self._beside is not None:
                self._beside.close()

    def _has_ended(self) -> bool:
        """Whether a copy aside was under way that has ended now.  Waits for it."""
        if self._aside is not None:
            self._aside.end()
        found = not self._lengths.empty()
        while not self._lengths.empty():
            self._bytes = self._lengths.get() + self._new_bytes
        return found

    def _copy_aside(self) -> None:
        if self._beside is None:
            self._beside = connect(self._path)
            set_writing(self._beside)
        frames, _ = _copied(self._beside, "PASSIVE")
        self._lengths.put(frames * _FRAME_BYTES)


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


def _copied(db: sqlite3.Connection, how: str) -> tuple[int, int]:
    """Copy the log: pages that are in it, and how many of these are in the file."""
    _, frames, copied = db.execute(f"PRAGMA wal_checkpoint({how})").fetchone()
    return frames, copied
