"""The few durable steps that everything on disk is made of, so that a test can make any one of them fail.

Knows: write, sync, rename, append, cut, lock; POSIX and Windows differences of syncing a folder.
Must not know: what the bytes mean.
"""

import copy
import errno
import json
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

try:
    import grp
except ImportError:                              # Windows has no such groups
    grp = None

_FOLDER_SYNC_UNSUPPORTED = {errno.EINVAL, errno.ENOTSUP}
_SHOWN_BYTES = 8192
_AS_IT_IS = getattr(os, "O_BINARY", 0) | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_CLOEXEC", 0)
_MODE = 0o640


class Files:
    """Durable file steps; every public method returns only once its effect would survive a loss of power.

    All raise OSError.  After one, the effect may have happened or not: look before deciding.
    Files are made for their owner to write and their group to read.
    """

    group: int | None = None
    """Whose the files are that are made, by number; None: the folder's or the process's, as the system does it."""

    def of_group(self, name: str) -> "Files":
        """The same, but for files of this group.  Raises KeyError where there is none of this name."""
        found = copy.copy(self)
        found.group = int(name) if name.isdecimal() else grp.getgrnam(name).gr_gid
        return found

    # --- the single steps, each of which a disk can refuse; a test puts its faults here

    def _open(self, path: Path, flags: int) -> int:
        return os.open(path, flags | _AS_IT_IS, _MODE)

    def _write(self, fd: int, offset: int, data: bytes) -> None:
        os.lseek(fd, offset, os.SEEK_SET)
        rest = memoryview(data)
        while rest:
            rest = rest[os.write(fd, rest):]

    def _cut(self, fd: int, length: int) -> None:
        os.ftruncate(fd, length)

    def _sync(self, fd: int) -> None:
        os.fsync(fd)

    def _move(self, old: Path, new: Path) -> None:
        os.replace(old, new)

    def _unlink(self, path: Path) -> None:
        os.unlink(path)

    def sync_folder(self, folder: Path) -> None:
        """Sync a folder's entries.  Where the platform or share can't sync a folder, that is all it can do."""
        if os.name == "nt":
            return
        fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(fd)
        except OSError as fault:
            if fault.errno not in _FOLDER_SYNC_UNSUPPORTED:
                raise
        finally:
            os.close(fd)

    # --- what they make

    def write_new(self, path: Path, data: bytes) -> None:
        """Make the file with this content; one of ours from before is thrown away.  Synced, as is its folder."""
        self._write_fresh(path, data)
        self.sync_folder(path.parent)

    def replace(self, path: Path, data: bytes) -> None:
        """Change a small file of our own from one whole content to the next; a reader sees either."""
        beside = path.with_name(f".{path.name}.next")
        self._write_fresh(beside, data)
        self._move(beside, path)
        self.sync_folder(path.parent)

    def rename(self, old: Path, new: Path) -> None:
        """Give the file its new name, which must be free (FileExistsError); the folder is synced."""
        if os.path.lexists(new):
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(new))
        self._move(old, new)
        self.sync_folder(new.parent)

    def write_at(self, path: Path, offset: int, data: bytes) -> None:
        """Write data at `offset` of a file that must be there; synced."""
        with self._opened(path, os.O_WRONLY) as fd:
            self._write(fd, offset, data)
            self._sync(fd)

    def cut(self, path: Path, length: int) -> None:
        """Keep the first `length` bytes of a file that must be there; synced."""
        with self._opened(path, os.O_WRONLY) as fd:
            self._cut(fd, length)
            self._sync(fd)

    def remove(self, path: Path) -> None:
        """Remove a file of our own; one that is gone already is fine."""
        with suppress(FileNotFoundError):
            self._unlink(path)

    def make_folder(self, folder: Path) -> None:
        """Make a private folder of our own (and those above it), where it isn't there yet."""
        if folder.is_dir():
            return
        if not folder.parent.is_dir():
            self.make_folder(folder.parent)
        with suppress(FileExistsError):
            folder.mkdir(0o700)
        self.sync_folder(folder.parent)

    def _write_fresh(self, path: Path, data: bytes) -> None:
        self.remove(path)                # never the same file again: a sync that failed may lie the second time
        with self._opened(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL) as fd:
            if self.group is not None:
                os.fchown(fd, -1, self.group)
            self._write(fd, 0, data)
            self._sync(fd)

    @contextmanager
    def _opened(self, path: Path, flags: int) -> Iterator[int]:
        fd = self._open(path, flags)
        try:
            yield fd
        finally:
            os.close(fd)


def show(path: Path, data: bytes, padded: bool = True, mode: int = _MODE) -> None:
    """Replace a file that only tells what goes on (a status): whole, but not synced.  Raises OSError.

    On a full disk it is written over in place, in the room that it has: of all times it must tell something then.
    `padded`: with blanks, so that it has room for more.
    """
    if padded:
        data += b" " * (-len(data) % _SHOWN_BYTES)
    beside = path.with_name(f".{path.name}.next")
    try:
        beside.write_bytes(data)
        os.chmod(beside, mode)
        os.replace(beside, path)
    except OSError as error:
        if error.errno not in (errno.ENOSPC, errno.EDQUOT):
            raise
        beside.unlink(missing_ok=True)
        with open(path, "r+b") as file:
            file.write(data)
            file.truncate()


def lock(path: Path) -> int | None:
    """Take a file as a lock that ends with this process.  None: another process has it.  Raises OSError."""
    fd = os.open(path, os.O_RDWR | os.O_CREAT | _AS_IT_IS, 0o600)
    try:
        if os.name == "nt":
            import msvcrt
            msvcrt.locking(fd, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as taken:
        os.close(fd)
        if taken.errno in (errno.EAGAIN, errno.EACCES, errno.EDEADLK):
            return None
        raise
    return fd


def read_object(path: Path) -> dict[str, Any]:
    """The JSON object in a file that another program replaces whole; empty where there is none, or another thing."""
    try:
        found = json.loads(path.read_bytes())
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}
