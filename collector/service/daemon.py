"""The daemon: wires the threads and processes, listens to signals, stops in order.

Knows: the order of starting and stopping; which thread must not be dead.  Stop: read what waits, commit it, let the
outputs deliver what they can, at most 5 s.
Must not know: how a stage does its work.
"""

import faulthandler
import fcntl
import gc
import os
import signal
import sys
import threading
import time
from contextlib import suppress
from pathlib import Path

import structlog

from collector.clock import Clock, SystemClock
from collector.config.machine import device_warnings
from collector.config.plan import Plan, read_plan
from collector.errors import CollectorError, ConfigError, StoppedByIO
from collector.journal import Journal
from collector.ports.devices import list_devices
from collector.service.handover import HandOver
from collector.service.manager import ManagerShelf, Watchdog
from collector.service.metrics import write_metrics
from collector.service.notify import Notifier, taken_back
from collector.service.opener import Opener
from collector.service.orders import OrderFolder, OrderSpec
from collector.service.outputs import OutputProcess
from collector.service.reader import Reader
from collector.service.status import delivered_through, last_seen, read_status, write_status
from collector.service.tally import OPEN
from collector.service.worker import NewPlan, Outward, Stop, Worker

log = structlog.get_logger()

STOP_WITHIN_S = 4.5
LOOK_EVERY_S = 1.0
STATUS_EVERY_NS, METRICS_EVERY_NS = 4_000_000_000, 10_000_000_000


class Daemon:
    """One running collector."""

    def __init__(self, config: Path, plan: Plan, clock: Clock | None = None, adopt: tuple[str, ...] = ()):
        self.config, self.plan, self.clock = config, plan, clock or SystemClock()
        self.stopping, self.reloading = threading.Event(), threading.Event()
        self.started_ns, self.boot = self.clock.wall_ns(), self.clock.boot()
        self.reload_refused = ""
        self._adopt, self._wake = adopt, threading.Event()
        self._notifier = Notifier(os.environ)
        self._watchdog = Watchdog(self._notifier, self.clock)
        self._next_metrics_ns = self._next_status_ns = 0
        self._status_told: tuple = ()
        self._still: set[str] = set()
        self._outputs: dict[str, OutputProcess] = {}
        self.orders: dict[str, OrderFolder] = {}

    def run(self) -> int:
        """Run until a signal; returns the exit code.  Raises StoppedByIO and the journal's errors."""
        lock = lock_state(self.plan.state)
        try:
            self._listen()
            self._start()
            while not self.stopping.is_set() and self.worker.failure is None:
                self._wake.wait(LOOK_EVERY_S)
                self._wake.clear()
                self._look()
            return self._stop()
        finally:
            os.close(lock)

    def _listen(self) -> None:
        def on_signal(number: int, _frame: object) -> None:
            (self.reloading if number == signal.SIGHUP else self.stopping).set()
            self._wake.set()

        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            signal.signal(number, on_signal)

    def _start(self) -> None:
        plan = self.plan
        self.handover = HandOver()
        self.reader = Reader(self.handover, self.clock, gather_s(plan))
        shelf = ManagerShelf(self._notifier, taken_back(os.environ), set(plan.ports))
        self.opener = Opener(self.reader, self.handover, self.clock, shelf)
        outward = Outward(self._committed, self._taken, self._in_force, self.reader.ask_again, self.reader.release)
        self.worker = Worker(plan, self._open_journal, self.handover, self.clock, outward)
        self.worker.start()
        self._watchdog.wait_until_open(self.worker)
        if self.worker.failure:
            raise self.worker.failure
        self.reader.start()
        self.opener.start()
        self.opener.set_ports(plan.ports)
        for name, output in plan.outputs.items():
            self._outputs[name] = OutputProcess(output, plan.site, plan.state, self.clock, name in self._adopt)
        self._set_orders()
        gc.freeze()                          # what stays for good is not looked through again: 6 to 20 ms each time
        self._look()
        for warning in (*plan.warnings, *device_warnings(plan, list_devices())):
            log.warning("configuration-warning", says=warning)
        self._notifier.ready(self._in_a_line())
        log.info("started", site=plan.site, ports=len(plan.ports), outputs=len(plan.outputs),
                 next_seq=self.worker.keeper.last_seq + 1)

    def _committed(self) -> None:
        for output in list(self._outputs.values()):
            output.wake()

    def _taken(self) -> int:
        return delivered_through(self.plan.state, list(self.plan.outputs))

    def _open_journal(self) -> Journal:
        state = self.plan.state
        return Journal.open(state, self._taken(), last_seen(state), self.plan.journal.reserve,
                            moved=self.worker.keeper.has_moved)

    def _in_force(self, source: str, mark: str) -> None:
        folder = self.orders.get(source)               # another thread may be replacing them
        if folder is not None:
            folder.in_force(mark)

    def _set_orders(self) -> None:
        """One process for each folder of orders; one whose spec has changed is begun anew."""
        wanted = order_specs(self.plan)
        for name in [name for name, folder in self.orders.items() if folder.spec != wanted.get(name)]:
            gone = self.orders.pop(name)
            gone.let_go()
            gone.end(time.monotonic_ns() + 2_000_000_000)
        for name, spec in wanted.items():
            if name not in self.orders:
                self.orders[name] = OrderFolder(spec, self.handover.put, self.clock)

    def _look(self) -> None:
        if self.reloading.is_set():
            self.reloading.clear()
            self._reload()
        self._set_pause()
        for child in (*self._outputs.values(), *self.orders.values()):
            child.look()
        for thread in (self.reader, self.opener):
            if not thread.is_alive() and not self.stopping.is_set():
                raise RuntimeError(f"the {thread.name} thread has ended")
        self._write_status()
        self._write_metrics()
        self._say_what_stands_still(self._watchdog.look((self.reader, self.opener, self.worker), self._in_a_line()))

    def _set_pause(self) -> None:
        self.reader.gather_s = gather_s(self.plan)
        self.reader.pause_s = gather_s(self.plan, self.worker.keeper.sync_s)

    def _say_what_stands_still(self, threads: list[str]) -> None:
        """Once for each that does, and where every thread is: the manager will end this process without a word."""
        for name in threads:
            if name not in self._still:
                log.error("standing-still", thread=name)
        if set(threads) - self._still:
            with suppress(OSError, ValueError):        # the log can't be written
                faulthandler.dump_traceback(sys.stderr, all_threads=True)
        self._still = set(threads)

    def _write_status(self) -> None:
        """Each second while something comes or changes, else each few: for many ports it is much to write."""
        worker, now = self.worker, self.clock.steady_ns()
        told = (worker.keeper.last_seq, worker.keeper.full, sum(tally.bytes for tally in list(worker.tallies.values())),
                id(self.plan), self.reload_refused, [folder.error for folder in self.orders.values()])
        if told != self._status_told or now >= self._next_status_ns:
            self._status_told, self._next_status_ns = told, now + STATUS_EVERY_NS
            write_status(self)

    def _write_metrics(self) -> None:
        if self.plan.metrics is None or self.clock.steady_ns() < self._next_metrics_ns:
            return
        self._next_metrics_ns = self.clock.steady_ns() + METRICS_EVERY_NS
        try:
            write_metrics(self.plan.metrics, self.plan.site, read_status(self.plan))
        except OSError as error:
            log.error("metrics-not-written", cause=error.strerror)

    def _in_a_line(self) -> str:
        tallies = list(self.worker.tallies.values())
        refused = "; a configuration was refused" if self.reload_refused else ""
        return (f"{sum(tally.state == OPEN for tally in tallies)} of {len(tallies)} ports open, "
                f"{self.worker.keeper.last_seq} records{refused}")

    def _reload(self) -> None:
        """Take the configuration anew, and tell the manager how that ended."""
        self._notifier.reloading()
        write_status(self)                             # outputs that hang may be waited for now, 2 s each
        try:
            self._take_anew()
        finally:
            self._notifier.ready(self._in_a_line())

    def _take_anew(self) -> None:
        """Take the configuration anew; a bad one is refused whole and the old one stays."""
        try:
            plan = read_plan(self.config)
        except ConfigError as error:
            self.reload_refused = f"{len(error.faults)} faults, the first: {error.faults[0]}"
            log.error("configuration-refused", faults=[str(fault) for fault in error.faults])
            return
        if (plan.site, plan.state) != (self.plan.site, self.plan.state):
            self.reload_refused = "site or state has changed; that takes a restart"
            log.error("configuration-refused", faults=[self.reload_refused])
            return
        self.reload_refused = ""
        before, self.plan = self.plan, plan
        self.handover.put(NewPlan(plan, self.clock.wall_ns(), self.clock.steady_ns()))
        self._set_pause()
        self.opener.set_ports(plan.ports)
        for name in list(self._outputs):
            if plan.outputs.get(name) != before.outputs.get(name):
                gone = self._outputs.pop(name)
                gone.let_go()
                gone.end(time.monotonic_ns() + 2_000_000_000)
        for name, output in plan.outputs.items():
            if name not in self._outputs:
                self._outputs[name] = OutputProcess(output, plan.site, plan.state, self.clock)
        self._set_orders()
        log.info("configuration-read", ports=len(plan.ports), outputs=len(plan.outputs))

    def _stop(self) -> int:
        deadline_ns = time.monotonic_ns() + int(STOP_WITHIN_S * 1e9)
        self.stopping.set()
        self._notifier.stopping()
        self.opener.stop()
        self.reader.stop()
        self.handover.put(Stop(self.clock.wall_ns(), self.clock.steady_ns()))
        self.worker.join(2.0)
        children = (*self._outputs.values(), *self.orders.values())
        for child in children:
            child.let_go()
        for child in children:
            child.end(deadline_ns)
        write_status(self)
        if self.worker.failure:
            raise self.worker.failure
        if self.worker.is_alive():
            raise StoppedByIO("the journal's disk did not answer in time; what was not committed is lost")
        log.info("stopped", last_seq=self.worker.keeper.last_seq)
        return 0


def gather_s(plan: Plan, sync_s: float = 0.0) -> float:
    """How long the reader pauses: `journal.gather`; a part of it where a sync takes more than half as long, for then
    more gathers behind each sync than is read in the pause.

    Never for so long that two frames look like one that end by a gap, or an answer missed; what came in a pause is
    stamped behind it."""
    times = [ms for port in plan.ports.values()
             for ms in (port.framing.gap_ms, port.request.timeout_ms if port.request else 0) if ms]
    gather = plan.journal.gather / 1000
    pause = gather if sync_s < gather / 2 else gather / 4
    return min([pause, *(ms / 4000 for ms in times)])


def order_specs(plan: Plan) -> dict[str, OrderSpec]:
    """What each folder of orders may say, by source."""
    masters = sorted({master.name for one in plan.characteristics for master in one.masters})
    return {name: OrderSpec(source=name, folder=str(folder), sets=plan.sources[name].sets, parts=tuple(plan.parts),
                            masters=tuple(masters))
            for name, folder in plan.folders.items()}


def lock_state(folder: Path) -> int:
    """Make the state folder if need be and hold it for this process.  Raises StoppedByIO where that can't be."""
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        lock = os.open(folder / "lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    except OSError as error:
        raise StoppedByIO(f"state folder {folder}: {error.strerror}") from error
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        os.close(lock)
        raise StoppedByIO(f"state folder {folder} is in use by another collector; "
                          "one instance a state folder") from error
    return lock


def run(config: Path, adopt: tuple[str, ...] = ()) -> int:
    """The command's work: read the configuration, then run.  A crash in here is a bug and ends the process."""
    plan = read_plan(config)
    unknown = [name for name in adopt if name not in plan.outputs]
    if unknown:
        raise CollectorError(f"--adopt {unknown[0]}: there is no such output; outputs are {', '.join(plan.outputs)}")
    return Daemon(config, plan, adopt=adopt).run()
