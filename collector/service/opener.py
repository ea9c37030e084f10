"""The opener thread: tries every port that is not open, with growing waits, for ever.

Knows: which ports are wanted, how long to wait before the next try, what is worth a line in the log.
Must not know: how a port is opened, what is read from it.

A local device is tried in this thread.  A network port is tried in a short-lived thread of its own, one at a time, so
that a dead host delays no other port.  A connection alone proves nothing (a converter whose device is gone connects and
drops in a loop): only bytes, or ten seconds of connection, bring the waits back to the shortest.
"""

import threading
from collections import deque
from collections.abc import Callable
from contextlib import suppress

import msgspec
import structlog
from tenacity import RetryCallState, Retrying, wait_exponential, wait_random

from collector.clock import Clock
from collector.config.plan import PortPlan
from collector.errors import PortLost
from collector.ports import LineSettings, OpenPort, is_network, open_port, take_back
from collector.service.handover import HandOver, PortClosed, PortWaiting
from collector.service.reader import Reader, Request

log = structlog.get_logger()

PROVEN_NS = 10_000_000_000
_LOOK_EVERY_S = 1.0
_LOG_EACH = 100
_LOCAL_WAIT = wait_exponential(multiplier=0.25, max=1.7) + wait_random(0, 0.3)
_NETWORK_WAIT = wait_exponential(multiplier=0.5, max=14) + wait_random(0, 1)
_RETRYING = Retrying()


class _Wanted:
    """One port that should be open."""

    def __init__(self, name: str, plan: PortPlan, due_ns: int):
        self.name, self.plan, self.line, self.due_ns = name, plan, line_of(plan), due_ns
        self.busy = False                    # open, being tried, or its device not given back yet
        self.is_open = False
        self.tries = 0                       # since it was last proven
        self.faults = 0                      # the same, for the log
        self.opens = 0
        self.causes: set[str] = set()        # told since it was last open


class Shelf:
    """Where the descriptors of open devices outlive this process: `kept`, by port, are those of the one before.

    This one keeps nothing; the daemon has one that a service manager stands behind.
    """

    def __init__(self, kept: dict[str, int] | None = None):
        self.kept = dict(kept or {})

    def keep(self, port: str, fd: int) -> None:
        """Keep it until it is given up, or its device hangs up."""

    def give_up(self, port: str) -> None:
        """Keep it no longer."""


class Opener(threading.Thread):
    """`set_ports` and `stop` may be called from any thread."""

    def __init__(self, reader: Reader, handover: HandOver, clock: Clock, shelf: "Shelf | None" = None):
        super().__init__(name="opener", daemon=True)
        self._shelf = shelf or Shelf()
        self.moved_ns = clock.steady_ns()
        self._reader, self._handover, self._clock = reader, handover, clock
        self._wanted: dict[str, _Wanted] = {}
        self._orders: deque[Callable[[], None]] = deque()
        self._wake, self._stopping = threading.Event(), threading.Event()
        self._lock, self._ended = threading.Lock(), False

    # --- from other threads

    def set_ports(self, ports: dict[str, PortPlan]) -> None:
        """From now on these ports are wanted; one whose line, framing and request are the same stays open."""
        requests = {name: Request(plan.request.send.encode(plan.encoding), plan.request.every)
                    for name, plan in ports.items() if plan.request}
        self._order(lambda: self._want(dict(ports), requests))

    def stop(self) -> None:
        """Try no more; ends within a second.  Open ports are the reader's."""
        self._stopping.set()
        self._wake.set()
        if self.ident is not None:
            self.join(1.0)

    def _order(self, order: Callable[[], None]) -> bool:
        """Have the opener's thread do this; False when it has ended."""
        with self._lock:
            if self._ended:
                return False
            self._orders.append(order)
        self._wake.set()
        return True

    # --- the thread

    def run(self) -> None:
        while not self._stopping.is_set():
            self._wake.clear()
            self._carry_out_orders()
            for wanted in list(self._wanted.values()):
                if not wanted.busy and wanted.due_ns <= self._clock.steady_ns() and not self._stopping.is_set():
                    self._try(wanted)
            self.moved_ns = self._clock.steady_ns()
            self._wake.wait(self._wait_s())
        with self._lock:
            self._ended = True
        self._carry_out_orders()             # a port opened just now is closed by this

    def _carry_out_orders(self) -> None:
        while self._orders:
            self._orders.popleft()()

    def _wait_s(self) -> float:
        due_ns = [wanted.due_ns for wanted in self._wanted.values() if not wanted.busy]
        if not due_ns:
            return _LOOK_EVERY_S
        return min(_LOOK_EVERY_S, max(0.0, (min(due_ns) - self._clock.steady_ns()) / 1e9))

    def _want(self, ports: dict[str, PortPlan], requests: dict[str, Request]) -> None:
        before, self._wanted = self._wanted, {}
        for name, plan in ports.items():
            old = before.get(name)
            if old is not None and stays_open(old.plan, plan):
                self._wanted[name] = old
                continue
            self._wanted[name] = _Wanted(name, plan, self._clock.steady_ns())
            self._wanted[name].busy = old is not None and old.busy
        for name, old in before.items():
            if old.is_open and self._wanted.get(name) is not old:
                self._reader.release(name, "configuration changed")
        self._reader.ask(requests)           # last: no line is asked what its successor is to be asked

    # --- trying

    def _try(self, wanted: _Wanted) -> None:
        wanted.busy = True
        if not is_network(wanted.line.device):
            self._take(wanted, self._outcome(wanted))
            return
        threading.Thread(target=self._try_apart, args=(wanted,), name=f"connect {wanted.name}", daemon=True).start()

    def _try_apart(self, wanted: _Wanted) -> None:
        outcome = self._outcome(wanted)
        taken = self._order(lambda: self._take(wanted, outcome))
        if not taken and not isinstance(outcome, Exception):
            outcome.close()

    def _take(self, wanted: _Wanted, outcome: OpenPort | Exception) -> None:
        if isinstance(outcome, PortLost):
            self._failed(wanted, outcome.cause)
            return
        if isinstance(outcome, Exception):
            raise outcome
        if self._wanted.get(wanted.name) is not wanted or self._stopping.is_set():
            outcome.close()
            self._freed(wanted)
            return
        if wanted.opens % _LOG_EACH == 0:
            log.info("port-open", port=wanted.name, identity=outcome.identity)
        wanted.is_open, wanted.opens = True, wanted.opens + 1
        if not outcome.network:
            self._shelf.keep(wanted.name, outcome.fd)
        wanted.causes.clear()
        self._reader.adopt(wanted.name, outcome, lambda closed: self._order(lambda: self._closed(wanted, closed)),
                           wanted.plan.framing.quiet_ms)

    def _outcome(self, wanted: _Wanted) -> OpenPort | Exception:
        try:
            kept = self._shelf.kept.pop(wanted.name, None)
            if kept is not None:
                with suppress(PortLost):
                    return take_back(wanted.name, wanted.line, kept)
                self._shelf.give_up(wanted.name)
            return open_port(wanted.name, wanted.line)
        except Exception as fault:           # a bug, unless PortLost: raised again in the opener's own thread
            return fault

    def _failed(self, wanted: _Wanted, cause: str) -> None:
        if self._wanted.get(wanted.name) is wanted and cause not in wanted.causes:
            wanted.causes.add(cause)
            self._handover.put(PortWaiting(wanted.name, self._clock.wall_ns(), cause))
        self._log_fault(wanted, "port-waiting", cause)
        self._later(wanted)

    def _closed(self, wanted: _Wanted, closed: PortClosed) -> None:
        wanted.is_open = False
        self._shelf.give_up(wanted.name)
        if closed.bytes or closed.open_ns >= PROVEN_NS:
            wanted.tries = wanted.faults = wanted.opens = 0
        self._log_fault(wanted, "port-lost", closed.cause)
        self._later(wanted)

    def _log_fault(self, wanted: _Wanted, event: str, cause: str) -> None:
        wanted.faults += 1
        if wanted.faults == 1 or wanted.faults % _LOG_EACH == 0:
            log.warning(event, port=wanted.name, cause=cause, times=wanted.faults)

    def _later(self, wanted: _Wanted) -> None:
        wanted.tries += 1
        wanted.due_ns = self._clock.steady_ns() + int(wait_s(wanted.line.device, wanted.tries) * 1e9)
        self._freed(wanted)

    def _freed(self, wanted: _Wanted) -> None:
        """Nobody has the device any more: it, or what the configuration has put in its place, may be tried."""
        wanted.busy = False
        current = self._wanted.get(wanted.name)
        if current is not None and not current.is_open:
            current.busy = False


def line_of(plan: PortPlan) -> LineSettings:
    """A port's settings; frames of a fixed length can't bear the marks of line errors among their bytes."""
    return msgspec.structs.replace(plan.line, marks=False) if plan.framing.length else plan.line


def stays_open(before: PortPlan, plan: PortPlan) -> bool:
    """Whether an open port serves this plan too; the worker begins a port anew on the same changes."""
    return before.line == plan.line and before.framing == plan.framing and before.request == plan.request


def wait_s(device: str, tries: int) -> float:
    """How long to wait after the `tries`-th try in vain: up to 2 s for a local device, 15 s for a network port."""
    state = RetryCallState(_RETRYING, None, (), {})
    state.attempt_number = min(tries, 20)
    return (_NETWORK_WAIT if is_network(device) else _LOCAL_WAIT)(state)

