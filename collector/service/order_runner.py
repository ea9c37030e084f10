"""The process that looks at one folder of orders: `python -m collector.service.order_runner`.

Standard input is told, by the daemon: first an OrderSpec as one line of JSON; then a line with the mark of each order
that is in force; at last its end: move what is in force and exit 0, after 2 s whatever the folder does.
Standard output says OrderRead, OrderRefused and Looked, one line of JSON each; a Looked at least each half second.
SIGINT and SIGTERM are for the daemon, which then closes the pipe; both are ignored here.

Knows: which files are orders, when one is whole, that they go one at a time in the order of their names.
Must not know: what may stand in an order (`orders`), what it changes.

Facts of shares: a call may hang for ever; inotify tells nothing; a copy sets the file's time once its bytes are there.
"""

import errno
import os
import queue
import signal
import stat
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import msgspec
from msgspec import Struct

from collector.clock import Clock, SystemClock
from collector.errors import CollectorError
from collector.files import Files
from collector.logs import configure, plain
from collector.service.orders import (LONGEST_BYTES, Looked, NotWhole, OrderRead, OrderRefused, OrderSpec, Wrong,
                                      read_order)

LOOK_EVERY_S = 0.5
QUIET_NS = 2_000_000_000
TAKEN, REFUSED = "taken", "refused"
_SLOW_NS = 5_000_000_000
_END_WITHIN_S = 2.0
_READ_ONLY = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC


class Stuck(CollectorError):
    """The folder can't be read, or an order in it not be moved: tell, try the same again."""


# --- the folder


class _File(Struct, frozen=True):
    """A file as it was read; of a longer one the first LONGEST_BYTES + 1."""

    name: str
    inode: int
    mark: str
    data: bytes


class _Held(Struct, frozen=True):
    """The one order at hand.  `to`: the folder it must be moved to, `""` while it is not in force."""

    file: _File
    to: str = ""
    why: str = ""


class _Half(Struct, frozen=True):
    """A file that is not whole: since when, and since when with this mark (steady)."""

    name: str
    first_ns: int
    mark: str
    since_ns: int


class Folder:
    """The folder, one step at a time.  `say` takes what the daemon should hear."""

    def __init__(self, spec: OrderSpec, say: Callable[[OrderRead | OrderRefused | Looked], None], files: Files,
                 clock: Clock):
        self._spec, self._say, self._files, self._clock = spec, say, files, clock
        self._folder = Path(spec.folder)
        self._held: _Held | None = None
        self._half: _Half | None = None

    def in_force(self, mark: str) -> None:
        """The order with this mark is committed; one that is not at hand is none of this process's."""
        if self._held is not None and self._held.file.mark == mark:
            self._held = msgspec.structs.replace(self._held, to=TAKEN)

    def look(self) -> bool:
        """One step: read and send the next order, or move the one at hand.  True: there may be more to do at once."""
        try:
            is_moved = self._step()
        except Stuck as stuck:
            self._say(Looked(str(stuck)))
            return False
        self._say(Looked(""))
        return is_moved

    def _step(self) -> bool:
        self._held = self._held or self._next()
        if self._held is None or not self._held.to:
            return False
        self._put_away(self._held)
        self._held = None
        return True

    def _next(self) -> _Held | None:
        name = self._first_name()
        with _stuck(f"the order {plain(name)} in {self._folder} can't be read; the orders after it wait"):
            file = _read(self._folder / name) if name else None
        if file is None:
            return None
        try:
            fields = read_order(self._spec, file.data)
        except Wrong as wrong:
            return _Held(file, REFUSED, str(wrong))
        except NotWhole as wrong:
            return _Held(file, REFUSED, str(wrong)) if self._is_quiet(file) else None
        with _stuck(f"the folder {self._folder / TAKEN} can't be made; orders wait"):
            self._make(TAKEN)                          # before anything is in force that could not be moved there
        self._say(OrderRead(self._spec.source, plain(name), file.mark, fields, self._clock.wall_ns()))
        return _Held(file)

    def _first_name(self) -> str:
        """The smallest name of an order; `""`: there is none."""
        with _stuck(f"the folder {self._folder} can't be read; is its share away?"), os.scandir(self._folder) as found:
            return min((one.name for one in found if one.name.endswith(".json") and not one.name.startswith(".")
                        and one.is_file(follow_symlinks=False)), default="")

    def _is_quiet(self, file: _File) -> bool:
        """Nobody has written to it for a while.  Raises Stuck where that takes too long."""
        now, half = self._clock.steady_ns(), self._half
        if half is None or half.name != file.name:
            half = _Half(file.name, now, file.mark, now)
        if half.mark != file.mark:
            half = _Half(half.name, half.first_ns, file.mark, now)
        self._half = half
        if now - half.since_ns >= QUIET_NS:
            self._half = None
            return True
        if now - half.first_ns >= _SLOW_NS:
            raise Stuck(f"the order {plain(file.name)} in {self._folder} is still being written; those after it wait")
        return False

    def _put_away(self, held: _Held) -> None:
        """Move it, unless another lies in its place by now; both folders are synced.  Raises Stuck; then once more."""
        place, own = self._folder / held.file.name, self._folder / held.to
        with _stuck(f"the order {plain(place.name)} can't be moved to {own}; the orders after it wait"):
            self._make(held.to)
            if _is_same(place, held.file):
                target = own / free_name(own, place.name)
                if held.to == REFUSED:
                    self._files.write_new(own / f"{target.name}.reason.txt", f"{held.why}\n".encode())
                self._files.rename(place, target)
                if not _is_same(target, held.file):    # replaced at the last moment: that one was never read
                    self._files.rename(target, place)
            self._files.sync_folder(own)               # here too where only a sync had failed the last time
            self._files.sync_folder(self._folder)
        if held.to == REFUSED:
            self._say(OrderRefused(self._spec.source, plain(place.name), held.why, self._clock.wall_ns()))

    def _make(self, name: str) -> None:
        with suppress(FileExistsError):
            os.mkdir(self._folder / name)              # for persons to look into: not private, as `make_folder`'s are
            self._files.sync_folder(self._folder)


@contextmanager
def _stuck(words: str) -> Iterator[None]:
    """Any OSError inside becomes Stuck with these words."""
    try:
        yield
    except OSError as error:
        raise Stuck(f"{words} ({error.strerror or error})") from error


def _read(path: Path) -> _File | None:
    """The file; None where it is gone, is no regular file, or was changed meanwhile.  Raises OSError."""
    try:
        fd = os.open(path, _READ_ONLY)
    except OSError as error:
        if error.errno in (errno.ENOENT, errno.ELOOP):
            return None
        raise
    with open(fd, "rb") as file:
        before = os.fstat(fd)
        if not stat.S_ISREG(before.st_mode):
            return None
        data, after = file.read(LONGEST_BYTES + 1), os.fstat(fd)
    mark = _mark(path.name, before)
    return _File(path.name, before.st_ino, mark, data) if mark == _mark(path.name, after) else None


def _mark(name: str, found: os.stat_result) -> str:
    return f"{plain(name)} {found.st_ino} {found.st_size} {found.st_mtime_ns}"


def _is_same(path: Path, file: _File) -> bool:
    """Whether that order lies there still; its time and the white space at its end may have come after it was read."""
    found = _read(path)
    return found is not None and (found.inode, found.data.rstrip()) == (file.inode, file.data.rstrip())


def free_name(folder: Path, name: str) -> str:
    """`NAME.json` where that is free in the folder, else `NAME-2.json` and so on, found in few looks."""
    stem = name.removesuffix(".json")
    if len(os.fsencode(stem)) > 200:
        stem = stem[:50]                               # room for what is added: names end at 255 bytes

    def numbered(number: int) -> str:
        return f"{stem}.json" if number == 1 else f"{stem}-{number}.json"

    used, free = 0, 1
    while os.path.lexists(folder / numbered(free)):
        used, free = free, free * 2
    while free - used > 1:
        middle = (used + free) // 2
        if os.path.lexists(folder / numbered(middle)):
            used = middle
        else:
            free = middle
    return numbered(free)


# --- the process


def main() -> int:
    """Look until standard input ends.  Returns the exit code."""
    configure()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.SIG_IGN)
    lines = _lines()
    spec = next(lines, None)
    if spec is None:
        return 0                                       # the daemon has ended before it said anything
    told: queue.SimpleQueue[bytes | None] = queue.SimpleQueue()
    threading.Thread(target=_listen, args=(lines, told), name="listen", daemon=True).start()
    folder = Folder(msgspec.json.decode(spec, type=OrderSpec), _say, Files(), SystemClock())
    with suppress(BrokenPipeError):                    # the daemon was killed
        _look_until_told(folder, told)
    return 0


def _look_until_told(folder: Folder, told: "queue.SimpleQueue[bytes | None]") -> None:
    is_moved = folder.look()
    while True:
        with suppress(queue.Empty):
            mark = told.get(timeout=0 if is_moved else LOOK_EVERY_S)
            if mark is None:
                return
            folder.in_force(mark.decode())
        is_moved = folder.look()


def _lines() -> Iterator[bytes]:
    held = b""
    while more := os.read(0, 65536):
        *lines, held = (held + more).split(b"\n")
        yield from lines


def _listen(lines: Iterator[bytes], told: "queue.SimpleQueue[bytes | None]") -> None:
    for mark in lines:
        told.put(mark)
    told.put(None)
    time.sleep(_END_WITHIN_S)
    os._exit(0)                                        # it hangs in the folder


def _say(said: OrderRead | OrderRefused | Looked) -> None:
    data = msgspec.json.encode(said) + b"\n"
    while data:
        data = data[os.write(1, data):]


if __name__ == "__main__":
    sys.exit(main())
