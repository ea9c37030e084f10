"""The reader thread, one for all ports: takes what every open port has, stamps it, hands it over.

Knows: open ports, their descriptors, when a column wants to be asked, that a line is quiet.
Must not know: how ports are opened, what the bytes mean.

While the hand-over is full nothing is read: the bytes wait in the kernel.  While lines are busy it pauses after each
round, for `pause_s`, and up to `gather_s` while what was read before is not even taken: what they bring meanwhile is
read at once and becomes one transaction with one sync; a line that speaks now and then is read without delay, though
its frame come in pieces.
"""

import os
import selectors
import socket
import threading
import time
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from typing import Any

import structlog
from msgspec import Struct

from collector.clock import Clock
from collector.ports import LineErrors, OpenPort
from collector.ports.now import read_now
from collector.record import Chunk
from collector.service.handover import HandOver, PortAsked, PortClosed, PortLooked, PortOpened, PortQuiet
from collector.service.quiet import Quiet

log = structlog.get_logger()

_READ_BYTES = 65536
_LONGEST_WAIT_S, _FULL_WAIT_S = 1.0, 0.02
_LOG_EACH = 100
_REST_NS = 25_000_000                        # more than a wait for the processor: that is no rest
_BUSY_READS = 200                            # in a row without a rest: more than frames of many columns have pieces
_LAST_READ_NS = 500_000_000
_LOOK_EVERY_NS = 1_000_000_000


class Request(Struct, frozen=True):
    """What a column is asked, and how often."""

    send: bytes
    every_ms: int


class _Open:
    """One port that is being read."""

    def __init__(self, name: str, port: OpenPort, closed: Callable[[PortClosed], None], quiet_ms: int):
        self.name, self.port, self.closed, self.quiet_ns = name, port, closed, quiet_ms * 1_000_000
        self.since_ns = 0
        self.bytes = 0
        self.asked = 0                       # how many asking times have passed
        self.unsent = 0                      # in a row
        self.errors: LineErrors | None = None


class Reader(threading.Thread):
    """`adopt`, `release`, `ask`, `ask_again` and `stop` may be called from any thread."""

    def __init__(self, handover: HandOver, clock: Clock, gather_s: float = 0.002):
        super().__init__(name="reader", daemon=True)
        self.moved_ns = clock.steady_ns()
        self.gather_s = self.pause_s = gather_s
        self._brought: list[Chunk] = []      # in this round
        self._handover, self._clock = handover, clock
        self._open: dict[str, _Open] = {}
        self._new: list[_Open] = []          # adopted, and not told of yet
        self._requests: dict[str, Request] = {}
        self._orders: deque[Callable[[], None]] = deque()
        self._stopping = threading.Event()
        self._last_read_ns = 0
        self._reads_without_rest = 0
        self._next_look_ns, self._holding = 0, False
        self._selector, self._quiet = selectors.DefaultSelector(), Quiet()
        self._wake_out, self._wake_in = socket.socketpair()
        self._wake_out.setblocking(False)
        self._wake_in.setblocking(False)
        self._selector.register(self._wake_out, selectors.EVENT_READ)

    # --- from other threads

    def adopt(self, name: str, port: OpenPort, closed: Callable[[PortClosed], None] = lambda _: None,
              quiet_ms: int = 0) -> None:
        """Read this port from now on; `closed` is told, in the reader's thread, once it is closed.  Where nothing comes
        for `quiet_ms` behind what came, a PortQuiet is handed over; 0: never."""
        self._order(lambda: self._adopt(_Open(name, port, closed, quiet_ms)))

    def release(self, name: str, cause: str) -> None:
        """Read what waits on this port, then close it; nothing where it is not open."""
        self._order(lambda: self._release(name, cause))

    def ask(self, requests: dict[str, Request]) -> None:
        """From now on ask these ports, and no others."""
        self._order(lambda: self._ask_from_now(requests))

    def ask_again(self, name: str) -> None:
        """Ask this port now, beside its own times."""
        self._order(lambda: self._ask(name))

    def stop(self) -> None:
        """Read what waits on every port, close them, end.  Returns once that is done, within a second."""
        self._stopping.set()
        self._order(lambda: None)
        if self.ident is None:               # it was never started
            self._give_back()
            return
        self.join(1.0)

    def _order(self, order: Callable[[], None]) -> None:
        self._orders.append(order)
        with suppress(OSError):              # a full one wakes as well; a closed one has nobody to wake
            self._wake_in.send(b"\0")

    # --- the thread

    def run(self) -> None:
        try:
            while not self._stopping.is_set():
                self._round()
            self._carry_out_orders()
            self._read_last()
        finally:
            self._give_back()

    def _round(self) -> None:
        if self._handover.full:
            self._hold(True)
            time.sleep(_FULL_WAIT_S)
            self.moved_ns = self._last_read_ns = self._clock.steady_ns()         # the lines do not rest meanwhile
            self._quiet.held_up(self.moved_ns)
            self._carry_out_orders()
            return
        self._hold(False)
        self._announce()
        looked_ns = self._clock.steady_ns()
        ready = self._selector.select(self._wait_s())
        wall_ns, self.moved_ns = self._clock.wall_ns(), self._clock.steady_ns()
        for key, _ in ready:
            if key.data is not None:
                self._read(key.data, wall_ns, self.moved_ns)
        brought = len(self._brought)
        self._tell_quiet(looked_ns)
        self._hand_over()
        self._carry_out_orders()
        self._ask_what_is_due()
        self._look_at_lines()
        if brought:
            self._pause_if_busy(brought)

    def _hold(self, on: bool) -> None:
        if on != self._holding:
            self._holding = on
            for one in self._open.values():
                one.port.hold(on)

    def _look_at_lines(self) -> None:
        """Hand over what has changed about each line since it was looked at last."""
        if self.moved_ns < self._next_look_ns:
            return
        self._next_look_ns = self.moved_ns + _LOOK_EVERY_NS
        for one in list(self._open.values()):
            try:
                self._look_at(one)
            except OSError as fault:
                self._lose(one, one.port.explain(fault, one.bytes > 0))

    def _look_at(self, one: _Open) -> None:
        state = one.port.look()
        found = state.errors.since(one.errors) if state.errors and one.errors else None
        one.errors = state.errors
        if state.tampered or found and found != LineErrors():
            self._tell(PortLooked(one.name, self._clock.wall_ns(), found, state.tampered))

    def _pause_if_busy(self, brought: int) -> None:
        is_rested = self.moved_ns - self._last_read_ns >= _REST_NS
        self._reads_without_rest = 0 if is_rested else self._reads_without_rest + brought
        left_s = min(self.gather_s, self._wait_s()) if self._reads_without_rest >= _BUSY_READS else 0.0
        while left_s > 0.0:
            time.sleep(min(self.pause_s, left_s))
            left_s = left_s - self.pause_s if self._handover.waiting else 0.0
        self._last_read_ns = self._clock.steady_ns()

    def _read(self, one: _Open, wall_ns: int, steady_ns: int) -> None:
        """Take what is there on a port."""
        if one.name not in self._open:
            return
        if self._handover.full:
            return self._quiet.heard(one.name, self._clock.steady_ns())
        try:
            data = read_now(one.port.fd)
        except BlockingIOError:
            return
        except OSError as fault:
            return self._lose(one, one.port.explain(fault, one.bytes > 0))
        if not data:
            return self._lose(one, one.port.explain(None, one.bytes > 0))
        one.bytes += len(data)
        self._brought.append(Chunk(one.name, data, wall_ns, steady_ns))
        self._quiet.heard(one.name, self._clock.steady_ns())

    def _tell_quiet(self, looked_ns: int, ports: list[str] | None = None) -> None:
        for name in self._quiet.found_nothing(looked_ns, ports):
            self._tell(PortQuiet(name, looked_ns))

    def _hand_over(self) -> None:
        """What was brought goes before anything that is told after it."""
        if self._brought:
            self._handover.put_all(self._brought)
            self._brought = []

    def _tell(self, item: Any) -> None:
        self._hand_over()
        self._handover.put(item)

    def _lose(self, one: _Open, cause: str) -> None:
        self._announce()
        with suppress(OSError):              # a device that is gone counts no more
            self._look_at(one)
        self._close(one)
        closed = PortClosed(one.name, self._clock.wall_ns(), cause, one.bytes, self._clock.steady_ns() - one.since_ns)
        self._tell(closed)
        one.closed(closed)

    def _close(self, one: _Open) -> None:
        del self._open[one.name]
        self._quiet.forget(one.name)
        self._selector.unregister(one.port.fd)
        one.port.close()

    # --- orders

    def _carry_out_orders(self) -> None:
        with suppress(BlockingIOError):
            self._wake_out.recv(_READ_BYTES)
        while self._orders:
            self._orders.popleft()()
        if not self._handover.full:
            self._announce()

    def _adopt(self, one: _Open) -> None:
        if one.name in self._open:
            self._lose(self._open[one.name], "opened anew")
        self._open[one.name] = one
        self._quiet.watch(one.name, one.quiet_ns)
        self._selector.register(one.port.fd, selectors.EVENT_READ, one)
        self._new.append(one)

    def _announce(self) -> None:
        """Tell of ports that were adopted, right before they are read: how long a line is quiet at first matters."""
        while self._new:
            self._opened(self._new.pop(0))

    def _opened(self, one: _Open) -> None:
        one.since_ns = self._clock.steady_ns()
        port, wall_ns = one.port, self._clock.wall_ns()
        self._tell(PortOpened(one.name, wall_ns, one.since_ns, port.identity, port.marked, port.discarded))
        with suppress(OSError):              # reading will say so
            one.errors = port.look().errors
        if one.errors is not None:
            self._tell(PortLooked(one.name, wall_ns, LineErrors()))      # they are counted from here on

    def _release(self, name: str, cause: str) -> None:
        one = self._open.get(name)
        if one is None:
            return
        self._announce()
        self._drain(one, self._clock.steady_ns() + _LAST_READ_NS)
        if name in self._open:
            self._lose(one, cause)

    def _ask(self, name: str) -> None:
        """Send a port its request; what can't be sent now is not sent."""
        one, request = self._open.get(name), self._requests.get(name)
        if one is None or request is None:
            return
        try:
            one.port.write(request.send)
            one.unsent = 0
            self._tell(PortAsked(name, self._clock.steady_ns()))
        except BlockingIOError as fault:
            one.unsent += 1
            if one.unsent == 1 or one.unsent % _LOG_EACH == 0:
                log.warning("not-sent", port=name, cause=fault.strerror, times=one.unsent)
        except OSError as fault:
            self._lose(one, one.port.explain(fault, one.bytes > 0))

    # --- columns that are asked

    def _ask_from_now(self, requests: dict[str, Request]) -> None:
        for name, one in self._open.items():
            if name in requests and requests[name] != self._requests.get(name):
                one.asked = self._times(one, requests[name])
        self._requests = requests

    def _times(self, one: _Open, request: Request) -> int:
        """How many asking times this port has had: by multiples from its opening, so that nothing drifts."""
        return (self._clock.steady_ns() - one.since_ns) // (request.every_ms * 1_000_000) + 1

    def _due_ns(self, one: _Open) -> int:
        return one.since_ns + one.asked * self._requests[one.name].every_ms * 1_000_000

    def _wait_s(self) -> float:
        due = [self._due_ns(self._open[name]) for name in self._requests if name in self._open]
        due += [at for at in [self._quiet.due_ns] if at is not None]
        if not due:
            return _LONGEST_WAIT_S
        return min(_LONGEST_WAIT_S, max(0.0, (min(due) - self._clock.steady_ns()) / 1e9))

    def _ask_what_is_due(self) -> None:
        for name, request in self._requests.items():
            one = self._open.get(name)
            if one is not None and one.since_ns and self._due_ns(one) <= self._clock.steady_ns():
                one.asked = self._times(one, request)      # what was missed is not made up for
                self._ask(name)

    # --- the end

    def _read_last(self) -> None:
        self._announce()
        deadline_ns = self._clock.steady_ns() + _LAST_READ_NS
        for one in list(self._open.values()):
            self._drain(one, deadline_ns)
            with suppress(OSError):
                self._look_at(one)

    def _drain(self, one: _Open, deadline_ns: int) -> None:
        """Take all that the kernel holds, full hand-over or not: closing would lose it."""
        while (looked_ns := self._clock.steady_ns()) < deadline_ns:
            try:
                data = os.read(one.port.fd, _READ_BYTES)
            except OSError:
                return self._tell_quiet(looked_ns, [one.name])
            if not data:
                return
            one.bytes += len(data)
            self._tell(Chunk(one.name, data, self._clock.wall_ns(), self._clock.steady_ns()))
            self._quiet.heard(one.name, self._clock.steady_ns())

    def _give_back(self) -> None:
        for one in list(self._open.values()):
            self._close(one)
        self._selector.close()
        self._wake_out.close()
        self._wake_in.close()
        self._handover.stopped.set()
