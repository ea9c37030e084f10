"""How far an output has confirmed, and the batch it was just about to hand over: one small durable file an output.

Knows: the cursor file, how to be sure of it after a save that failed, what a cursor that can't be right looks like.
Must not know: where the records go, what they say.
"""

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
from msgspec import Struct

from collector.clock import SystemClock
from collector.errors import OutputDown, StoppedByIO
from collector.files import Files, lock
from collector.outputs.health import Health

VERSION = 1
_FILES_REMEMBERED = 16
_TELL_AFTER_S = 2.0


class Pending(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """A batch about to be handed over in a file: what must be there if it was, so that a restart can tell.

    `length` and `sha256` are of the bytes of this batch, `offset` is where they begin in a growing file.
    `checksum`: a file with the checksum goes before it.
    """

    publish: str
    file: str
    first: int
    last: int
    through: int
    length: int
    sha256: str
    offset: int = 0
    checksum: bool = False


class CursorState(Struct, frozen=True, kw_only=True):
    """What the cursor file says.  `records`: handed over so far, `refused`: set aside so far and not taken since.

    `grown`: length of each growing file as we left it, the latest last.  `resent`: refused records that were handed
    over later, and may be among the refused still.  `adopted`: the last word of a person by which a folder was adopted.
    `is_apart`: a folder without a sentinel was on another file system than the state.
    """

    version: int = VERSION
    journal: str
    delivered: int = 0
    records: int = 0
    refused: int = 0
    pending: Pending | None = None
    sentinel: str = ""
    grown: dict[str, int] = {}
    resent: tuple[int, ...] = ()
    adopted: str = ""
    is_apart: bool = False


class Cursor:
    """The cursor of one output.  Belongs to the process that holds the output's lock."""

    def __init__(self, path: Path, output: str, state: CursorState, files: Files):
        self._path, self._output, self._state, self._files = path, output, state, files
        self._is_sure = False           # what a process that was killed left may not be on the disk yet

    @classmethod
    def open(cls, state: Path, output: str, journal: str, last_seq: int, files: Files) -> "Cursor":
        """The cursor of an output in the state folder; `journal` and `last_seq` are the journal's as it is now.

        Raises StoppedByIO: it can't be read, or it can't belong to this journal.
        """
        path = cursor_path(state, output)
        found = _read(path) or CursorState(journal=journal)
        if found.journal != journal:
            raise StoppedByIO(f"output {output}: its cursor {path} belongs to journal {found.journal}, but this is "
                              f"{journal}; was it replaced? To deliver this one from its beginning, remove the cursor")
        ahead = max(found.delivered, found.pending.through if found.pending else 0)
        if ahead > last_seq:
            raise StoppedByIO(f"output {output}: its cursor {path} is at {ahead}, the journal only at {last_seq}; "
                              "was an older journal put back? To deliver this one from its beginning, "
                              "remove the cursor")
        return cls(path, output, found, files)

    @property
    def delivered(self) -> int:
        """Every record up to this seq has been handed over, refused, or was of a kind not wanted."""
        return self._state.delivered

    @property
    def pending(self) -> Pending | None:
        return self._state.pending

    @property
    def sentinel(self) -> str:
        return self._state.sentinel

    @property
    def grown(self) -> dict[str, int]:
        return self._state.grown

    @property
    def resent(self) -> tuple[int, ...]:
        return self._state.resent

    @property
    def adopted(self) -> str:
        return self._state.adopted

    @property
    def is_apart(self) -> bool:
        return self._state.is_apart

    @property
    def is_again(self) -> bool:
        """The pending batch is a refused record that goes again: it does not move the cursor."""
        return self._state.pending is not None and self._state.pending.through <= self._state.delivered

    def hold(self, pending: Pending) -> None:
        """From here on this batch may have been handed over.  Raises OutputDown, as all that save."""
        self._save(pending=pending)

    def release(self) -> None:
        """The pending batch was certainly not handed over, nor a part of it."""
        self._save(pending=None)

    def deliver(self, through: int, records: int = 0, refused: int = 0) -> None:
        """All up to `through` has been handed over: so many records more, and so many refused; nothing is pending."""
        self._save(delivered=through, records=self._state.records + records, refused=self._state.refused + refused,
                   pending=None, grown=self._grown())

    def deliver_again(self, seq: int) -> None:
        """A record that had been refused has been handed over; nothing is pending."""
        self._save(resent=(*self._state.resent, seq), records=self._state.records + 1, refused=self._state.refused - 1,
                   pending=None, grown=self._grown())

    def forget_resent(self) -> None:
        """Those handed over later are among the refused no more."""
        if self._state.resent:
            self._save(resent=())

    def note_adopted(self, word: str) -> None:
        """The folder was adopted at this word, which is not followed again."""
        self._save(adopted=word)

    def _grown(self) -> dict[str, int]:
        done, grown = self._state.pending, self._state.grown
        if done is not None and done.publish == "growing":
            others = {name: length for name, length in grown.items() if name != done.file}
            grown = dict([*others.items(), (done.file, done.offset + done.length)][-_FILES_REMEMBERED:])
        return grown

    def remember(self, sentinel: str) -> None:
        """The content of the file by which the folder is known."""
        self._save(sentinel=sentinel)

    def remember_apart(self) -> None:
        """The folder is on another file system than the state folder."""
        self._save(is_apart=True)

    def has_its_disk(self, folder: Path) -> bool:
        """Whether the folder is on the state folder's own file system.  Raises OSError."""
        return folder.stat().st_dev == self._path.parent.stat().st_dev

    def forget_file(self, file: str) -> None:
        """The reader has taken a growing file; a new one of its name may be begun."""
        self._save(grown={name: length for name, length in self._state.grown.items() if name != file})

    def forget_folder(self) -> None:
        """The folder is a new one: its sentinel is made anew; a batch about to be handed over comes again."""
        self.settle()
        self._save(sentinel="", is_apart=False, pending=None, grown={})

    def settle(self) -> None:
        """Be sure of the state: after a save that failed either may be on the disk.  Raises OutputDown."""
        if self._is_sure:
            return
        try:
            self._state = _read(self._path) or self._state
        except StoppedByIO as error:
            raise OutputDown(self._output, str(error)) from error
        self._save()

    def _save(self, **changes: Any) -> None:
        after = msgspec.structs.replace(self._state, **changes)
        self._is_sure = False
        try:
            self._files.replace(self._path, msgspec.json.encode(after) + b"\n")
        except OSError as error:
            raise OutputDown(self._output, f"its cursor {self._path} can't be saved: {error.strerror}") from error
        self._state, self._is_sure = after, True


def cursor_path(state: Path, output: str) -> Path:
    """STATE/outputs/NAME.cursor."""
    return state / "outputs" / f"{output}.cursor"


def lock_output(state: Path, output: str, files: Files, gives_up: Callable[[], bool]) -> int:
    """Wait until no other process writes to this output; the lock ends with this process, or when it is closed.

    That it waits is told to `status`.  Raises StoppedByIO: the state can't be written, or `gives_up` says so.
    """
    path, tell_at = state / "outputs" / f"{output}.lock", time.monotonic() + _TELL_AFTER_S
    try:
        files.make_folder(path.parent)
        while (taken := lock(path)) is None:
            if gives_up():
                raise StoppedByIO(f"output {output}: another process is still writing to it")
            if time.monotonic() >= tell_at:
                tell_at = float("inf")
                Health(state, output, SystemClock()).say(
                    f"output {output}: the process before this one has not ended; does its folder hang? Records wait")
            time.sleep(0.05)
    except OSError as error:
        raise StoppedByIO(f"output {output}: {path} can't be made: {error.strerror}") from error
    return taken


def _read(path: Path) -> CursorState | None:
    try:
        return _decode(path.read_bytes())
    except FileNotFoundError:
        return None
    except OSError as error:
        raise StoppedByIO(f"the cursor {path} can't be read: {error.strerror}") from error
    except msgspec.MsgspecError as error:
        raise StoppedByIO(f"the cursor {path} can't be understood ({error}); it says how far records were delivered: "
                          "put it back from a copy, or remove it to deliver all that the journal holds") from error


def _decode(data: bytes) -> CursorState:
    version = msgspec.json.decode(data, type=_Versioned).version
    if version != VERSION:
        raise msgspec.MsgspecError(f"its version is {version}, this collector knows {VERSION}")
    return msgspec.json.decode(data, type=CursorState)


class _Versioned(Struct):
    version: int
