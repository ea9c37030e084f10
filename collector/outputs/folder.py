"""What every output into a folder shares: settings, the sentinel, a fault of the folder in words.

Knows: the contract's names of files, when a folder is not the one it was.
Must not know: how a record is written, the journal.
"""

import errno
import hashlib
import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Literal, Protocol

from msgspec import Struct, structs
from pydantic import field_validator, model_validator

from collector.errors import OutputDown
from collector.files import Files
from collector.outputs import Batch
from collector.outputs.cursor import Cursor
from collector.outputs.kinds import Kinds
from collector.settings import Duration, Settings, YesNo, count, wrong

SEALED, GROWING = "sealed", "growing"
_EVERY_MS = {SEALED: 10_000, GROWING: 100}


class FolderSettings(Settings):
    """Keys that every output into a folder has.  `every` in milliseconds; None: 10 s sealed, 100 ms growing."""

    folder: str
    kinds: Kinds = ()
    publish: Literal["sealed", "growing"] = SEALED
    every: Duration | None = None
    records: count(1, 100_000) = 5000
    checksum_file: YesNo = False
    sentinel: YesNo = True
    group: str | None = None

    @field_validator("folder")
    @classmethod
    def _absolute(cls, value: str) -> str:
        if not (os.path.isabs(value) or value.startswith(("./", "../"))) or "\0" in value:
            raise wrong(f"{value!r} is not a whole path",
                        "write it from the root on, as in /srv/mes/inbox (or from the configuration's folder, "
                        "as in ../inbox)")
        return value

    @model_validator(mode="after")
    def _fits(self) -> "FolderSettings":
        if self.checksum_file and self.publish == GROWING:
            raise wrong("checksum-file needs files that are never touched again",
                        "take it out, or write publish: sealed")
        return self

    @property
    def every_s(self) -> float:
        return (_EVERY_MS[self.publish] if self.every is None else self.every) / 1000


class Rendering(Protocol):
    """How records become bytes of a file."""

    suffix: str

    def header(self) -> bytes:
        """What stands at each file's start."""

    def lines(self, rows: tuple[Any, ...]) -> bytes:
        """Whole lines, one a row, whatever batch they are in.  Raises RecordRefused."""


_MISSING = "the folder {} is not there; is its share away? It is never made by us"


class Place(Struct, frozen=True):
    """One output's folder and what it takes to write there.  `held`: the way to it while it is held open."""

    output: str
    site: str
    settings: FolderSettings
    cursor: Cursor
    files: Files
    rendering: Rendering
    held: Path | None = None

    @property
    def folder(self) -> Path:
        return self.held or Path(self.settings.folder)

    @property
    def stem(self) -> str:
        """What each of this output's file names begins with."""
        return f"{self.site}-{self.output}"

    def down(self, cause: str) -> OutputDown:
        return OutputDown(self.output, cause.replace(str(self.folder), self.settings.folder))

    @contextmanager
    def faults_named(self) -> Iterator[None]:
        """Any OSError inside becomes an OutputDown in words."""
        try:
            yield
        except OSError as error:
            raise self.down(in_words(error, Path(self.settings.folder))) from error

    @contextmanager
    def opened(self) -> Iterator["Place"]:
        """The folder as it is now: inside, all is done in this very one, though its share be unmounted meanwhile.

        Raises OutputDown where it is not there.
        """
        if not os.path.isdir("/proc/self/fd"):           # not Linux: by its name, each time
            yield self
            return
        with self.faults_named():
            try:
                fd = os.open(self.settings.folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
            except (FileNotFoundError, NotADirectoryError):
                raise self.down(_MISSING.format(self.settings.folder)) from None
        try:
            yield structs.replace(self, held=Path(f"/proc/self/fd/{fd}"))
        finally:
            os.close(fd)


def check_sentinel(place: Place) -> None:
    """The folder is there and is the one it was; at the first use its sentinel is made.  Raises OutputDown."""
    with place.faults_named():
        _refuse_missing(place)
        (_compare_sentinel if place.settings.sentinel else _compare_disk)(place)


def _refuse_missing(place: Place) -> None:
    if not place.folder.is_dir():
        raise place.down(_MISSING.format(place.folder))


def _is_the_one_it_was(place: Place) -> bool:
    found, known = read_if_there(_sentinel_path(place)), place.cursor.sentinel
    return bool(known) and found == known.encode()


def _sentinel_path(place: Place) -> Path:
    return place.folder / f".{place.stem}.sentinel"


def _compare_sentinel(place: Place) -> None:
    path = _sentinel_path(place)
    found = read_if_there(path)
    known = place.cursor.sentinel
    if known and found is not None and found.decode("ascii", "replace") == known:
        return
    if known:
        state = "has no sentinel" if found is None else "has another sentinel"
        raise place.down(f"the folder {place.folder} is not the one it was (it {state}); is its share away? "
                         f"If it is really a new folder, start the collector once with --adopt {place.output}")
    if found is None or len(found) != _SENTINEL_BYTES:
        found = f"{secrets.token_hex(16)}\n".encode()
    place.files.write_new(path, found)        # also where a killed process has made it: it may not be durable yet
    place.cursor.remember(found.decode("ascii", "replace"))


def _compare_disk(place: Place) -> None:
    """All that can be told without a sentinel: a share is not the disk below it, where that is the state's too."""
    has_its_disk = place.cursor.has_its_disk(place.folder)
    if has_its_disk and place.cursor.is_apart:
        raise place.down(f"the folder {place.folder} is on the same disk as the state folder, and was not before; "
                         "is its share away? If it is really a new folder, start the collector once with "
                         f"--adopt {place.output}")
    if not has_its_disk and not place.cursor.is_apart:
        place.cursor.remember_apart()


_SENTINEL_BYTES = 33


def read_if_there(path: Path) -> bytes | None:
    """The file's bytes; None only where it is certain that there is no such file.  Raises OSError."""
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return None


def digest(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


_AWAY = {errno.ESTALE, errno.ENOTCONN, errno.EIO, errno.EHOSTDOWN, errno.EHOSTUNREACH, errno.ETIMEDOUT, errno.ENODEV,
         errno.ENXIO, errno.ECONNABORTED, errno.ECONNRESET}
_WORDS = {
    errno.ENOENT: "a file or folder on the way is not there",
    errno.EACCES: "may not be written to by this user, or a file in it is held by another program",
    errno.EPERM: "may not be written to by this user",
    errno.EROFS: "is read-only",
    errno.ENOSPC: "is full",
    errno.EDQUOT: "is full: the quota is used up",
    errno.ENAMETOOLONG: "does not take a file name of this length",
} | dict.fromkeys(_AWAY, "can't be reached; is its share away?")


def in_words(error: OSError, folder: Path) -> str:
    """What an OSError in this folder means to the person who must act."""
    said = f"the folder {folder} {_WORDS.get(error.errno, 'gave an error')}"
    return f"{said} ({error.strerror or error})"


def place(output: str, site: str, settings: FolderSettings, cursor: Cursor, files: Files,
          rendering: Rendering) -> Place:
    """The place of an output; its files are of its own group, where it has one.
    Raises OutputDown where there is none."""
    try:
        own = files.of_group(settings.group) if settings.group else files
    except KeyError:
        raise OutputDown(output, f"there is no group {settings.group} on this machine") from None
    return Place(output, site, settings, cursor, own, rendering)


class FolderOutput:
    """An output into a folder: the two ways of publishing behind the three verbs.

    A pending batch is finished the way it was begun, whatever the settings say now.
    """

    def __init__(self, place: Place, sealed: Any, growing: Any):
        self._place, self._ways = place, {SEALED: sealed, GROWING: growing}
        settings = place.settings
        self.records, self.every_s, self.gathers = settings.records, settings.every_s, settings.publish == SEALED
        self._is_clean = False

    def open(self) -> None:
        """The folder is the right one; what a killed process left half written is gone.  Raises OutputDown."""
        with self._place.opened() as place:
            check_sentinel(place)
            if not self._is_clean:
                with place.faults_named():
                    self._ways[SEALED].remove_leftovers(place)
        self._is_clean = True

    def adopt(self) -> None:
        """Take the folder as a new one; if it is the one it was, then only what was taken out of it is given up.

        Raises OutputDown.
        """
        self._place.cursor.settle()
        with self._place.opened() as place, place.faults_named():
            _refuse_missing(place)
            if not _is_the_one_it_was(place):
                return place.cursor.forget_folder()
            pending = place.cursor.pending
            if pending is not None and pending.publish == GROWING and self._ways[GROWING].is_gone(place, pending):
                place.cursor.release()

    def together(self, rows: tuple[Any, ...]) -> int:
        return self._ways[self._place.settings.publish].together(rows)

    def write(self, batch: Batch) -> None:
        """The batch is in the folder, once.  Raises OutputDown, RecordRefused."""
        with self._place.opened() as place, place.faults_named():
            check_sentinel(place)
            pending = place.cursor.pending
            if pending is not None and self._ways[pending.publish].finish(place, pending, batch):
                return
            if batch.rows:
                self._ways[place.settings.publish].begin(place, batch)

    def close(self) -> None:
        """Nothing is held open between two batches."""
