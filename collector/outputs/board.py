"""Output kind `board`: one HTML file that shows how the cell stands, for a browser on the cell's PC or on the share.

Knows: when the file is written anew, also while nothing comes; that a board owes nobody a record.
Must not know: what the page looks like, how the journal keeps records.

It looks at the journal's end by itself, and what is handed over to it counts as delivered at once: a million records
that wait are stepped through beside it, and a folder that is away costs the page and holds nothing back.  What is wrong
with the folder is told, and tried again each time.
"""

import importlib.util
import os
import secrets
from collections.abc import Callable
from pathlib import Path
from typing import Any, ClassVar, Protocol

from pydantic import field_validator, model_validator

from collector.clock import Clock, SystemClock
from collector.errors import OutputDown
from collector.files import Files
from collector.outputs import Batch
from collector.outputs.board_faults import told
from collector.outputs.board_known import Known
from collector.outputs.board_page import Times, page
from collector.outputs.board_view import view
from collector.outputs.cursor import Cursor
from collector.outputs.folder import FolderOutput, FolderSettings, Place, check_sentinel, place
from collector.settings import Duration, Settings as BareSettings, YesNo, wrong

RECALLED = 2000
_AT_LEAST_MS = 200
_NEEDS = ("jinja2",)


class Settings(BareSettings):
    """`outputs.NAME` with `kind: board`.  `every`, `stale` in milliseconds: the file is written anew each `every`; a
    page that finds it unchanged for `stale` says that it is old."""

    kinds: ClassVar[tuple[str, ...]] = ()
    publish: ClassVar[str] = "replaced"
    records: ClassVar[int] = 20_000

    folder: str
    every: Duration = 1000
    stale: Duration = 10_000
    sentinel: YesNo = True
    group: str | None = None

    @field_validator("folder")
    @classmethod
    def _absolute(cls, value: str) -> str:
        return FolderSettings._absolute(value)

    @property
    def every_s(self) -> float:
        """Between two batches: each costs a synced cursor, and brings nothing that is not known."""
        return self.every / 1000

    @model_validator(mode="after")
    def _fits(self) -> "Settings":
        if self.every < _AT_LEAST_MS:
            raise wrong(f"every is {self.every} ms: a board is written each {_AT_LEAST_MS} ms at most",
                        "write every: 1 s")
        if self.stale < 3 * self.every:
            raise wrong(f"stale is {self.stale} ms, every {self.every} ms: a page that comes late would be called old",
                        f"write stale: {3 * self.every} ms or more")
        if not all(importlib.util.find_spec(name) for name in _NEEDS):
            raise wrong("output kind board needs the extra: pip install 'CHECKOUT[report]' into the same place")
        return self


class Reader(Protocol):
    """The journal, as far as a board needs it."""

    def rows(self, after: int, most: int = ...) -> list[Any]:
        """Rows above a seq, in order."""

    def last(self) -> int:
        """The seq used last."""


def followed(known: Known, reader: Reader) -> Known:
    """What is known, with all that the journal holds by now; where much has come since, of the newest alone."""
    last = reader.last()
    if last - known.seq > 2 * RECALLED:
        known = Known(last - RECALLED)
    while known.seq < last and (rows := reader.rows(known.seq)):
        known.take(rows)
    return known


class Board(FolderOutput):
    """The file SITE-OUTPUT.html in its folder.  It is asked by `idle`, at least once a second, whether it is time."""

    def __init__(self, place: Place, site: str, settings: Settings, clock: Clock):
        super().__init__(place, None, None)
        self._site, self._settings, self._clock = site, settings, clock
        self._known, self._state, self._reader, self._round = Known(), None, None, 0
        self._run, self._due_ns = secrets.token_hex(4), 0
        self._fault: OutputDown | None = None

    def recall(self, state: Path, reader: Reader) -> None:
        """Where to look from now on."""
        self._state, self._reader = state, reader

    def open(self) -> None:
        """There is nothing to reach."""

    def together(self, rows: tuple[Any, ...]) -> int:
        return len(rows)

    def write(self, batch: Batch) -> None:
        """They are known from the journal, or soon will be."""

    def idle(self) -> None:
        """Write the file anew, where it is time to.  Raises OutputDown: the file is not as it should be."""
        now = self._clock.steady_ns()
        if now >= self._due_ns:
            self._due_ns = now + self._settings.every * 1_000_000
            self._fault = _fault_of(self._show)
        if self._fault is not None:
            raise self._fault

    def _show(self) -> None:
        self._round += 1
        self._known = followed(self._known, self._reader)
        times = Times(f"{self._run}-{self._round}", self._clock.wall_ns() // 1_000_000, self._settings.every,
                      self._settings.stale)
        shown = view(self._site, self._known, told(self._state, self._clock), self._clock)
        text = page(shown, times)
        with self._place.opened() as place, place.faults_named():
            check_sentinel(place)
            _replace(place, text.encode("utf-8", "replace"))


def _fault_of(step: Callable[[], None]) -> OutputDown | None:
    try:
        step()
    except OutputDown as fault:
        return fault
    return None


def _replace(place: Place, data: bytes) -> None:
    """Whole, from one content to the next; not synced: a board that a loss of power takes is made anew in a second."""
    beside = place.folder / f".{place.stem}.html.part"
    place.files.remove(beside)
    fd = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC, 0o640)
    try:
        if place.files.group is not None:
            os.fchown(fd, -1, place.files.group)
        with open(fd, "wb", closefd=False) as file:
            file.write(data)
    finally:
        os.close(fd)
    os.replace(beside, place.folder / f"{place.stem}.html")


def build(name: str, site: str, settings: Settings, cursor: Cursor, files: Files) -> Board:
    """The output `name` of this site."""
    return Board(place(name, site, settings, cursor, files, None), site, settings, SystemClock())
