"""A stand-in line on a pseudo-terminal, reached by a link.

Knows: making the terminal and its link, who has it open (Linux tells by inotify), dropping what nobody takes.
Must not know: what is sent, and when.

A pseudo-terminal differs from a device: it carries no bits and no parity, it keeps bytes for whoever opens it later,
and it stays exclusive and set as it was beyond its last close.  A column does not wait for its reader, and a device
forgets: so the near end is kept open here, and after the last close it is made as new.
"""

import ctypes
import fcntl
import os
import struct
import termios
import tty
from contextlib import suppress
from pathlib import Path

from collector.errors import StoppedByIO

_IN_CLOSE, _IN_OPEN = 0x18, 0x20
_EVENT = struct.Struct("iIII")               # watch, mask, cookie, length of the name that follows
_READ_BYTES = 65536


class PtyWire:
    """One line.  `fds` are to be watched for reading; `ready` takes what they have."""

    def __init__(self, link: Path):
        """Raises StoppedByIO where the link can't be made."""
        self.link = link
        self._master, self._slave = os.openpty()
        os.set_blocking(self._master, False)
        tty.setraw(self._slave)
        self._device = os.ttyname(self._slave)
        self._watch = _watch(self._device)
        self._open = 0
        self.fds = (self._master, self._watch)
        try:
            _make_link(link, self._device)
        except OSError as fault:
            self._close_fds()
            raise StoppedByIO(f"link {link} can't be made: {fault.strerror}") from fault

    @property
    def where(self) -> str:
        """Where it can be reached, for a person."""
        return f"{self.link} -> {self._device}"

    def write(self, data: bytes) -> int:
        """Send; returns how many bytes are lost because nobody has the line open or its buffer is full."""
        if not self._open:
            return len(data)
        try:
            return len(data) - os.write(self._master, data)
        except BlockingIOError:
            return len(data)

    def ready(self, fd: int) -> tuple[int, bytes]:
        """Take what a descriptor has; returns how many bytes sent before are lost by it, and what was heard."""
        if fd == self._master:
            try:
                return 0, os.read(self._master, _READ_BYTES)
            except BlockingIOError:
                return 0, b""
        was_open, data, at = self._open, os.read(self._watch, _READ_BYTES), 0
        while at < len(data):
            _, mask, _, length = _EVENT.unpack_from(data, at)
            at += _EVENT.size + length
            self._open = max(0, self._open + bool(mask & _IN_OPEN) - bool(mask & _IN_CLOSE))
        return (self._forget() if was_open and not self._open else 0), b""

    def _forget(self) -> int:
        unread = self._waiting()
        fcntl.ioctl(self._slave, termios.TIOCNXCL)
        tty.setraw(self._slave, termios.TCSAFLUSH)           # throws away what is unread, too
        return unread

    def unread(self) -> int:
        """How many bytes a reader that has the line open would lose if it were closed now."""
        return self._waiting() if self._open else 0

    def _waiting(self) -> int:
        return struct.unpack("i", fcntl.ioctl(self._slave, termios.FIONREAD, b"\0" * 4))[0]

    def close(self) -> None:
        with suppress(OSError):
            if os.readlink(self.link) == self._device:
                self.link.unlink()
        self._close_fds()

    def _close_fds(self) -> None:
        for fd in (self._watch, self._slave, self._master):
            os.close(fd)


def _make_link(link: Path, device: str) -> None:
    """The link takes the place of an old one, never of a file."""
    if link.exists() and not link.is_symlink():
        raise FileExistsError(0, "a file of that name is there, and it is no link")
    link.parent.mkdir(parents=True, exist_ok=True)
    beside = link.with_name(f".{link.name}.next")
    beside.unlink(missing_ok=True)
    beside.symlink_to(device)
    os.replace(beside, link)


def _watch(path: str) -> int:
    """A descriptor that tells of every open and close of the path.  Raises StoppedByIO where the system can't."""
    system = ctypes.CDLL(None, use_errno=True)
    if not hasattr(system, "inotify_init1"):
        raise StoppedByIO("a column on a pseudo-terminal needs Linux; give it a tcp port instead of a link")
    fd = system.inotify_init1(os.O_NONBLOCK | os.O_CLOEXEC)
    if fd < 0 or system.inotify_add_watch(fd, os.fsencode(path), _IN_OPEN | _IN_CLOSE) < 0:
        raise StoppedByIO(f"{path} can't be watched: {os.strerror(ctypes.get_errno())}")
    return fd
