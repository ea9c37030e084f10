"""Room set aside on the journal's disk, given up when the disk is full so that collecting goes on while it alarms.

Knows: a file of zeros whose blocks are really taken; how much must be free before it is taken again.
Must not know: SQLite.

On a file system that compresses, zeros take no room: there the reserve is worth nothing.
"""

import errno
import os
from contextlib import suppress
from pathlib import Path

RESERVE_BYTES = 64 * 1024 * 1024
WHOLE, GIVEN_UP = "whole", "given up"

_BLOCK = bytes(1024 * 1024)
_NO_ALLOCATION = (errno.EOPNOTSUPP, errno.ENOSYS, errno.EINVAL)


class Reserve:
    """The file `path` of `size_bytes`; 0: there is no reserve, and none is missed."""

    def __init__(self, path: Path, size_bytes: int):
        self._path, self._size_bytes = path, size_bytes
        self.state = WHOLE if self._is_whole() else GIVEN_UP

    def fill(self) -> None:
        """Take the room where that leaves as much free again; else do without for now.  Never raises OSError."""
        if self.state == WHOLE:
            return
        try:
            if _free_bytes(self._path.parent) < 2 * self._size_bytes:
                return
            self._path.unlink(missing_ok=True)
            fd = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600)
            try:
                _allocate(fd, self._size_bytes)
                os.fsync(fd)
            finally:
                os.close(fd)
            self.state = WHOLE
        except OSError:
            self.give_up()

    def give_up(self) -> bool:
        """Free the room.  False: there was none to free."""
        had, self.state = self._path.exists(), WHOLE if self._size_bytes == 0 else GIVEN_UP
        with suppress(OSError):
            self._path.unlink(missing_ok=True)
        return had and not self._path.exists()

    def _is_whole(self) -> bool:
        try:
            return self._size_bytes == 0 or self._path.stat().st_size == self._size_bytes
        except OSError:
            return False


def _free_bytes(folder: Path) -> int:
    told = os.statvfs(folder)
    return told.f_bavail * told.f_frsize


def _allocate(fd: int, size_bytes: int) -> None:
    try:
        os.posix_fallocate(fd, 0, size_bytes)
        return
    except AttributeError:                                   # a platform without it
        pass
    except OSError as error:
        if error.errno not in _NO_ALLOCATION:
            raise
    rest = size_bytes
    while rest > 0:
        rest -= os.write(fd, _BLOCK[:rest])
