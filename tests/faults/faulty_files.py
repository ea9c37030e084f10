"""Files whose n-th step fails, or at whose n-th step the process dies; with it the power, if so wished.

What was not synced is dropped when the power goes: contents since the file's last sync, names since the folder's.
Nothing is really synced, so that thousands of runs take seconds.
"""

import errno
import os
import weakref
from collections.abc import Callable
from pathlib import Path

from collector.files import Files

ERRORS = ("error", "late-error", "half-error")
DEATHS = ("dies-before", "dies-after", "dies-half-way", "power-before", "power-after")


class Died(BaseException):
    """The process was killed here; nothing it does afterwards has an effect."""


class FaultyFiles(Files):
    """`hit`: the n-th step was reached; `after_step` is called after each step that was done.

    `before`: the files of a process that died on this machine; what it had not synced may be dropped still.
    """

    def __init__(self, fail_at: int = 0, fault: str = "error", after_step: Callable[[], None] = lambda: None,
                 before: "FaultyFiles | None" = None):
        self.fail_at, self.fault, self.after_step = fail_at, fault, after_step
        self.hit = self.is_dead = False
        self._steps = 0
        self._undo: list[tuple[object, Callable[[], None]]] = list(before._undo) if before else []

    def _open(self, path: Path, flags: int) -> int:
        name = _by_name(path)
        made: list[int] = []

        def step() -> None:
            is_new = not path.exists()
            made.append(Files._open(self, path, flags))
            if is_new:
                self._undo.append((name.parent, lambda: name.unlink(missing_ok=True)))
        try:
            self._step(step)
        except BaseException:
            for fd in made:
                os.close(fd)
            raise
        return made[0]

    def _write(self, fd: int, offset: int, data: bytes) -> None:
        self._remember_content(fd)
        self._step(lambda: Files._write(self, fd, offset, data), lambda: Files._write(self, fd, offset, data[:len(data) // 2]))

    def _cut(self, fd: int, length: int) -> None:
        self._remember_content(fd)
        self._step(lambda: Files._cut(self, fd, length))

    def _sync(self, fd: int) -> None:
        self._step(lambda: self._is_durable(os.fstat(fd).st_ino))

    def sync_folder(self, folder: Path) -> None:
        os.close(os.open(folder, os.O_RDONLY))
        name = Path(os.path.realpath(folder))
        self._step(lambda: self._is_durable(name))

    def _move(self, old: Path, new: Path) -> None:
        old_name, new_name = _by_name(old), _by_name(new)

        def step() -> None:
            before = new.read_bytes() if new.exists() else None
            os.replace(old, new)
            self._undo.append((new_name.parent, lambda: _move_back(old_name, new_name, before)))
        self._step(step)

    def _unlink(self, path: Path) -> None:
        name = _by_name(path)

        def step() -> None:
            before = path.read_bytes()
            os.unlink(path)
            self._undo.append((name.parent, lambda: None if name.exists() else name.write_bytes(before)))
        self._step(step)

    def _step(self, whole: Callable[[], None], half: Callable[[], None] = lambda: None) -> None:
        if self.is_dead:
            raise Died
        self._steps += 1
        if self._steps != self.fail_at:
            whole()
            return self.after_step()
        self.hit = True
        when = self.fault.partition("-")[2]
        if self.fault == "late-error" or when == "after":
            whole()
        if "half" in self.fault:
            half()
        if self.fault in ERRORS:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        self._die()

    def _die(self) -> None:
        self.is_dead = True
        if self.fault.startswith("power"):
            for _, undo in reversed(self._undo):
                undo()
        raise Died

    def _remember_content(self, fd: int) -> None:
        if self.is_dead:
            raise Died
        before = Path(f"/proc/self/fd/{fd}").read_bytes()
        held = os.dup(fd)                          # as long as it is held, no other file gets its number

        def restore() -> None:                     # by whatever name it has now
            os.ftruncate(held, 0)
            os.pwrite(held, before, 0)
        weakref.finalize(restore, os.close, held)
        self._undo.append((os.fstat(fd).st_ino, restore))

    def _is_durable(self, what: object) -> None:
        self._undo = [one for one in self._undo if one[0] != what]


def _by_name(path: Path) -> Path:
    """The path as it will be known once the folder is held open no more."""
    return Path(os.path.realpath(path.parent)) / path.name


def _move_back(old: Path, new: Path, before: bytes | None) -> None:
    if new.exists():
        os.replace(new, old)
    if before is not None:
        new.write_bytes(before)
