"""Play a scenario: every column's bytes onto its wire, on time and no faster than the wire allows.

Knows: one loop for all columns, what was sent and what was lost.
Must not know: how readings are drawn, how a wire is made.
"""

import os
import selectors
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Protocol

import msgspec

from collector.clock import Clock
from collector.record import escape, number
from collector.simulator.pace import Pacer
from collector.simulator.part_stream import Sending, sendings
from collector.simulator.scenario import Column, Scenario

TICK_NS = 4_000_000
"""All wires are served together at this beat, so that many busy ones cost little more than one."""

_LAST_LINES_NS = 2_000_000_000               # at the end, lines under way are finished and read, for at most this long

Note = Callable[[dict[str, Any]], object]
"""Takes what one line was."""


class Wire(Protocol):
    """Where a column's bytes go."""

    where: str
    fds: tuple[int, ...]

    def write(self, data: bytes) -> int:
        """Send; returns how many bytes are lost."""

    def ready(self, fd: int) -> tuple[int, bytes]:
        """Take what a descriptor has; returns how many bytes sent before are lost by it, and what was heard."""

    def unread(self) -> int:
        """How many bytes a reader that has the line open would lose if it were closed now."""

    def close(self) -> None:
        """Give everything back."""


class Player:
    """One column at play, and its counts."""

    def __init__(self, name: str, column: Column, seed: int, wire: Wire, speed: float = 1.0):
        self.name, self.wire = name, wire
        self.lines = self.bytes = self.lost = 0
        self._pacer = Pacer(column.baud, column.character)
        self._coming: Iterator[Sending] = sendings(name, column, seed)
        self._next = next(self._coming, None)
        self._lost_of_this = 0
        self._speed = speed
        self._request = (column.asked or "").encode("ascii")
        self._heard = b""
        self._asked_ns: int | None = None        # when the request came that is being answered

    @property
    def under_way(self) -> bool:
        """Whether a line has been begun and not finished."""
        return not self._pacer.is_idle

    def due_ns(self, start_ns: int) -> int | None:
        """When there is something to do next; None: never again, or not before it is asked."""
        if self.under_way:
            return self._pacer.free_ns
        planned_ns = self._planned_ns(start_ns)
        return None if planned_ns is None else max(planned_ns, self._pacer.free_ns)

    def _planned_ns(self, start_ns: int) -> int | None:
        if self._next is None or self._request and self._asked_ns is None:
            return None
        return self._asked_ns if self._request else start_ns + int(self._next.at_ns / self._speed)

    def hear(self, data: bytes, now_ns: int) -> None:
        """Take what came from the reader: a request is answered, one that comes during an answer is missed."""
        if not self._request:
            return
        self._heard += data
        if self._request in self._heard and self._asked_ns is None:
            self._asked_ns = now_ns
        after = self._heard.rpartition(self._request)[2]
        self._heard = after[max(0, len(after) - len(self._request) + 1):]

    def serve(self, start_ns: int, now_ns: int, note: Note | None, *, begin: bool) -> None:
        """Send what is due by now; `begin`: whether new lines may be begun."""
        while self._next is not None:
            if not self.under_way:
                planned_ns = self._planned_ns(start_ns)
                if not begin or planned_ns is None or planned_ns > now_ns:
                    return
                self._pacer.put(self._next.data, planned_ns, now_ns)
            gone = self._pacer.take(now_ns)
            if gone:
                lost = self.wire.write(gone)
                self.bytes += len(gone)
                self.lost += lost
                self._lost_of_this += lost
            if self.under_way:
                return
            self._finish(start_ns, note)

    def _finish(self, start_ns: int, note: Note | None) -> None:
        sent = self._next
        self.lines += 1
        if note:
            note(_told(self.name, self.lines, (self._pacer.free_ns - start_ns) / 1e9, sent, self._lost_of_this))
        self._next, self._lost_of_this = next(self._coming, None), 0
        if self._next is None or self._next.at_ns != sent.at_ns:
            self._asked_ns = None                # the lines of one moment are one answer

    def summary(self) -> str:
        """One line for a person."""
        return f"{self.name}: {self.lines} lines, {self.bytes} bytes, {self.lost} of them lost (nobody took them)"


def _told(column: str, n: int, t: float, sent: Sending, lost: int) -> dict[str, Any]:
    """What `--sent` keeps of a line: `t` is when its last bit left, in seconds since the start; `lost` are the
    bytes that nobody took then (those that a reader left unread at its close or at the end are in the summary only)."""
    told: dict[str, Any] = {"column": column, "n": n, "t": round(t, 6), "what": sent.what, "text": escape(sent.data),
                            "channel": sent.channel, "lost": lost}
    if sent.value is not None:
        told |= {"value": number(sent.value), "truth": number(sent.truth)}
    return told


def players(scenario: Scenario, seed: int, speed: float = 1.0) -> list[Player]:
    """The columns with their wires made; planned times pass `speed` times as fast.

    Raises StoppedByIO, CollectorError; wires made so far are then given back.
    """
    made: list[Player] = []
    try:
        for name, column in scenario.columns.items():
            wire = _wire(column)
            try:
                made.append(Player(name, column, seed, wire, speed))
            except BaseException:
                wire.close()
                raise
    except BaseException:
        for player in made:
            player.wire.close()
        raise
    return made


def _wire(column: Column) -> Wire:
    if column.tcp is not None:
        from collector.simulator.tcp_wire import TcpWire
        return TcpWire(column.tcp)
    from collector.simulator.pty_wire import PtyWire
    return PtyWire(Path(column.link))


def play(columns: list[Player], clock: Clock, *, lasts_ns: int | None, stopped: Callable[[], bool], wake: int,
         note: Note | None, flush: Callable[[], None]) -> None:
    """Play until `lasts_ns` is over or `stopped`; lines under way are finished, and their readers given time to read.

    `wake`: a descriptor that is readable when `stopped` may have changed.  `note` takes what each line was; `flush`
    is called after each beat that sent something.
    """
    start_ns = clock.steady_ns()
    end_ns: int | None = None if lasts_ns is None else start_ns + lasts_ns
    was_quiet = False
    with selectors.PollSelector() as selector:           # it asks by number each time: a number may be used again
        selector.register(wake, selectors.EVENT_READ)
        while True:
            _watch(selector, columns)
            _take_in(selector, clock, _wait_s(columns, start_ns, end_ns, clock.steady_ns()))
            now_ns = clock.steady_ns()
            if stopped() and (end_ns is None or now_ns < end_ns):
                end_ns = now_ns
            over = end_ns is not None and now_ns >= end_ns
            for column in columns:
                column.serve(start_ns, now_ns, note, begin=not over)
            flush()
            quiet = over and not any(column.under_way or column.wire.unread() for column in columns)
            if over and now_ns > end_ns + _LAST_LINES_NS or quiet and was_quiet:
                break
            was_quiet = quiet                            # twice: bytes just written take a moment to be seen as unread
    for column in columns:
        column.lost += column.wire.unread()


def _wait_s(columns: list[Player], start_ns: int, end_ns: int | None, now_ns: int) -> float | None:
    """Until the beat at which there is something to do next; None: until a descriptor has something."""
    if end_ns is not None and now_ns >= end_ns:
        return TICK_NS / 1e9
    dues = [due for column in columns if (due := column.due_ns(start_ns)) is not None]
    if end_ns is not None:
        dues.append(end_ns)
    if any(column.under_way for column in columns):
        dues.append(now_ns + 1)
    if not dues:
        return None
    beat_ns = -(-min(dues) // TICK_NS) * TICK_NS
    return max(beat_ns - now_ns, 0) / 1e9


def _watch(selector: selectors.BaseSelector, columns: list[Player]) -> None:
    """Have exactly the wires' present descriptors watched."""
    wanted = {fd: column for column in columns for fd in column.wire.fds}
    for key in list(selector.get_map().values()):
        if key.data is not None and wanted.get(key.fd) is not key.data:
            selector.unregister(key.fd)
    for fd, column in wanted.items():
        if fd not in selector.get_map():
            selector.register(fd, selectors.EVENT_READ, column)


def _take_in(selector: selectors.BaseSelector, clock: Clock, wait_s: float | None) -> None:
    for key, _ in selector.select(wait_s):
        if key.data is None:
            os.read(key.fd, 512)
        else:
            lost, heard = key.data.wire.ready(key.fd)
            key.data.lost += lost
            key.data.hear(heard, clock.steady_ns())


def line_of(told: dict[str, Any]) -> bytes:
    """What was sent as one JSON line."""
    return msgspec.json.encode(told) + b"\n"
