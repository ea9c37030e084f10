"""Play a scenario: every column, scanner and order folder of it together.

Knows: which lines and folders there are, one loop for all of them.
Must not know: how readings are drawn, how fast bytes leave (player), how a wire works.
"""

import os
import selectors
from collections.abc import Callable, Iterator
from pathlib import Path

from collector.clock import Clock, SystemClock
from collector.config.models import Character
from collector.simulator.keys import Line, Orders
from collector.simulator.drop_folder import DropFolder
from collector.simulator.pace import Pacer
from collector.simulator.part_stream import Sending, labels, orders, sendings
from collector.simulator.player import Note, Player, Wire
from collector.simulator.scenario import Column, Scenario

TICK_NS = 4_000_000
"""All wires are served together at this beat, so that many busy ones cost little more than one."""

_LAST_LINES_NS = 2_000_000_000               # at the end, lines under way are finished and read, for at most this long
_AT_ONCE = 4_000_000                         # a file has no baud rate


def players(scenario: Scenario, seed: int, speed: float = 1.0) -> list[Player]:
    """The columns with what belongs to them, their wires made; planned times pass `speed` times as fast.

    Raises StoppedByIO, CollectorError; wires made so far are then given back.
    """
    made: list[Player] = []
    try:
        for name, column in scenario.columns.items():
            for player in _of_column(name, column, seed, speed):
                made.append(player)
    except BaseException:
        for player in made:
            player.wire.close()
        raise
    return made


def _of_column(name: str, column: Column, seed: int, speed: float) -> Iterator[Player]:
    yield _player(name, column, sendings(name, column, seed), speed, column.asked or "")
    if column.scanner:
        yield _player(f"{name}.scanner", column.scanner, labels(column), speed)
    if column.orders:
        yield _player(f"{name}.orders", column.orders, orders(column), speed)


def _player(name: str, place: Line | Orders, coming: Iterator[Sending], speed: float, request: str = "") -> Player:
    wire = _wire(place)
    try:
        pace = (_AT_ONCE, Character(8, "N", "1")) if isinstance(place, Orders) else (place.baud, place.character)
        return Player(name, wire, Pacer(*pace), coming, speed, request)
    except BaseException:
        wire.close()
        raise


def _wire(place: Line | Orders) -> Wire:
    if isinstance(place, Orders):
        return DropFolder(Path(place.folder), SystemClock())
    if place.tcp is not None:
        from collector.simulator.tcp_wire import TcpWire
        return TcpWire(place.tcp)
    from collector.simulator.pty_wire import PtyWire
    return PtyWire(Path(place.link))


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
