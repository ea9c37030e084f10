"""The worker thread: takes what the ports brought, makes records of it, commits them, wakes the outputs.

Knows: order (items come as they happened), group commit (one transaction for all that waits), what a change of the
configuration and a kill leave behind.
Must not know: devices, how outputs deliver, what may befall the journal's file (keeper).
"""

import threading
from collections.abc import Callable

from msgspec import Struct

from collector.clock import Clock
from collector.config.plan import Plan, PortPlan
from collector.journal import Journal, Row
from collector.record import Chunk
from collector.ports import LineErrors
from collector.service.clockwatch import ClockWatch
from collector.service.handover import TAKEN_BYTES, HandOver, PortAsked, PortClosed, PortLooked, PortOpened
from collector.service.handover import PortQuiet, PortWaiting
from collector.service.expected import SILENT, UNANSWERED, Overdue
from collector.service.keeper import Keeper
from collector.service.orders import OrderRead, OrderRefused
from collector.service.pipeline import Pipeline
from collector.service.tally import LOST, OPEN, WAITING, Tally

IDLE_S = 1.0
MOST_ROWS = 4000
"""A transaction has no more than this by much, nor is it made of more than TAKEN_BYTES, so that memory and the
write-ahead log stay small."""

_PARTS_EVERY_NS = 1_000_000_000


class NewPlan(Struct, frozen=True):
    """An item of the hand-over: from this moment on, another configuration."""

    plan: Plan
    wall_ns: int
    steady_ns: int


class Stop(Struct, frozen=True):
    """The last item of the hand-over: at this moment all is closed, however late that is taken."""

    wall_ns: int
    steady_ns: int


class Outward(Struct, frozen=True):
    """What the worker has others do.

    `committed` is called after each commit; `taken` gives the seq through which every output has taken all; `in_force`
    is called with the source and the mark of an order once it is committed; `ask_again` with a port whose answer is
    missing; `connect_again` with a network port that is silent, and the cause.  The first and third may be called by
    another thread.
    """

    committed: Callable[[], None] = lambda: None
    taken: Callable[[], int] = lambda: 0
    in_force: Callable[[str, str], None] = lambda source, mark: None
    ask_again: Callable[[str], None] = lambda port: None
    connect_again: Callable[[str, str], None] = lambda port, cause: None


class Worker(threading.Thread):
    """Owns the pipelines and, through its keeper, the journal.  Ends after a `Stop`, or with `failure` set."""

    def __init__(self, plan: Plan, open_journal: Callable[[], Journal], handover: HandOver, clock: Clock,
                 outward: Outward = Outward()):
        super().__init__(name="worker", daemon=True)
        self.tallies: dict[str, Tally] = {}
        self.failure: BaseException | None = None
        self.keeper = Keeper(open_journal, outward.taken, handover.stopped, clock, handover.wake)
        self._moved_ns = clock.steady_ns()
        self.opened = threading.Event()
        self._plan, self._handover, self._clock, self._outward = plan, handover, clock, outward
        self._orders: list[tuple[str, str]] = []
        self._next_part_ns = 0
        self._stopping = False
        self._pipelines: dict[str, Pipeline] = {}

    @property
    def moved_ns(self) -> int:
        """When it last went on; waiting for room on a disk counts, for no restart would make any."""
        return max(self._moved_ns, self.keeper.moved_ns)

    def run(self) -> None:
        try:
            self.cell = self.keeper.open(self._plan)
            self.watch = ClockWatch(self._clock, self.cell)
            rows = [self.watch.started(), *self.keeper.told(), *self._after_a_kill()]
            self._commit([*rows, *self._make_pipelines(self._plan)])
            self.opened.set()
            self._work()
            self.keeper.close()
        except BaseException as error:
            self.failure = error
        finally:
            self.opened.set()

    def _work(self) -> None:
        rows: list[Row] = []
        gathered_bytes = 0
        while True:
            items = self._handover.take_all(self._wait_s())
            if not self.keeper.is_syncing:             # a sync that hangs is no progress, whatever is read meanwhile
                self._moved_ns = self._clock.steady_ns()
            for item in items:
                self._stopping = self._stopping or isinstance(item, Stop)
                rows += self._take(item)
                gathered_bytes += len(item.data) if isinstance(item, Chunk) else 0
                if len(rows) >= MOST_ROWS or gathered_bytes >= TAKEN_BYTES:
                    self._commit(rows)
                    rows, gathered_bytes = [], 0
            if not self._handover.waiting:             # what waits came before now
                rows += self._ticked()
            if self.keeper.is_syncing and not self._stopping:
                continue                               # its end wakes this loop: until then more gathers
            self._commit(rows)
            rows, gathered_bytes = [], 0
            if self._stopping:
                return
            self.keeper.trim(self._plan.journal.keep)

    def _take(self, item: object) -> list[Row]:
        if isinstance(item, Chunk):
            told = self.watch.seen(item.wall_ns, item.steady_ns)
            return told + (self._pipelines[item.port].feed(item) if item.port in self._pipelines else [])
        if isinstance(item, PortQuiet):
            return self._pipelines[item.port].quiet(item.steady_ns) if item.port in self._pipelines else []
        if isinstance(item, NewPlan):
            return self._change(item)
        if isinstance(item, Stop):
            rows = [row for pipeline in self._pipelines.values()
                    for row in pipeline.cut(item.wall_ns, item.steady_ns, "stopped")]
            return [*rows, self.cell.event("stopped", item.wall_ns)]
        if isinstance(item, OrderRead):
            return self._ordered(item)
        if isinstance(item, OrderRefused):
            return [self.cell.event("order-refused", item.wall_ns, source=item.source, order=item.name, why=item.why)]
        return self._port_changed(item)

    def _ordered(self, item: OrderRead) -> list[Row]:
        """An order is applied once: its file's mark is committed together with what it changes,
        then it may be moved."""
        self._orders.append((item.source, item.mark))
        orders = self.cell.memory.fields.orders
        if item.source not in self.cell.context.sources or orders.get(item.source) == item.mark:
            return []
        rows = self.cell.put(item.source, item.fields, item.wall_ns, order=item.name)
        orders[item.source] = item.mark
        return rows

    def _port_changed(self, item: PortOpened | PortClosed | PortWaiting | PortAsked | PortLooked) -> list[Row]:
        pipeline = self._pipelines.get(item.port)
        if pipeline is None:
            return []
        if isinstance(item, PortAsked):
            return self._owed(item.port, pipeline.expected.asked(item.steady_ns, pipeline.is_behind), item.steady_ns)
        if isinstance(item, PortLooked):
            return self._looked(pipeline, item)
        tally, device = pipeline.tally, pipeline.plan.line.device
        if isinstance(item, PortOpened):
            tally.moved_to(OPEN, item.wall_ns)
            pipeline.opened(item.marked, item.steady_ns)
            rows = [self.cell.event("port-open", item.wall_ns, item.port, device=device, identity=item.identity)]
            if item.discarded:
                rows.append(self.cell.event("lost", item.wall_ns, item.port, count=item.discarded, of="bytes",
                                            exact=True, cause="waited at opening, received under other settings"))
            return rows
        now_ns, since_ns = self._clock.steady_ns(), max(0, self._clock.wall_ns() - item.wall_ns)
        rows = pipeline.cut(item.wall_ns, now_ns - since_ns, "port-lost")
        tally.moved_to(LOST if isinstance(item, PortClosed) else WAITING, item.wall_ns, item.cause)
        tally.losses += isinstance(item, PortClosed)
        return [*rows, self.cell.event("port-lost", item.wall_ns, item.port, device=device, cause=item.cause)]

    def _looked(self, pipeline: Pipeline, item: PortLooked) -> list[Row]:
        """Line errors are counted, and those that cost bytes are told, as well as settings that another has changed."""
        pipeline.tally.count_line_errors(item.errors)
        rows, errors = [], item.errors or LineErrors()
        for count, whose in ((errors.overrun, "adapter"), (errors.buffer_overrun, "system")):
            if count:
                rows.append(self.cell.event("lost", item.wall_ns, item.port, count=count, of="bytes", exact=False,
                                            bound="at least",
                                            cause=f"overrun: the {whose} had no room for what the line brought"))
        if item.tampered:
            rows.append(self.cell.event("settings-changed", item.wall_ns, item.port, device=pipeline.plan.line.device,
                                        cause="another program changed the settings of the line; they were set again"))
        return rows

    def _overdue(self, now_ns: int) -> list[Row]:
        """Frames and answers that have not come in time."""
        return [row for pipeline in self._timed()
                for row in self._owed(pipeline.plan.name, pipeline.expected.tick(now_ns), now_ns)]

    def _timed(self) -> list[Pipeline]:
        """Those of which something may end, or be overdue, at a time; not while a frame has come that is not ended."""
        return [one for one in self._pipelines.values() if one.is_timed and not one.is_behind]

    def _owed(self, name: str, overdue: list[Overdue], now_ns: int) -> list[Row]:
        """Have done what is to be done about what a port owes; what is to be told of it."""
        rows = []
        for one in overdue:
            if one.ask:
                self._outward.ask_again(name)
            if one.connect:
                self._outward.connect_again(name, "silent for longer than `silent` says: connected anew")
            if one.event:
                wall_ns = self._clock.wall_ns()
                since = self.cell.stamp(wall_ns - now_ns + one.since_ns)
                rows.append(self.cell.event(one.event, wall_ns, name, since=since, cause=_CAUSES[one.event]))
        return rows

    # --- configuration

    def _make_pipelines(self, plan: Plan) -> list[Row]:
        """A pipeline for each port, and what the journal remembers as begun and not ended."""
        rows: list[Row] = []
        for name, port in plan.ports.items():
            self.tallies[name] = Tally(port.line.device)
            self._pipelines[name] = Pipeline(port, self.cell, self.tallies[name])
            rows += self._pipelines[name].circuits.runs.recall(self._clock.steady_ns(), self._clock.wall_ns())
        return rows

    def _after_a_kill(self) -> list[Row]:
        """What may be lost where the program did not stop in order: of a frame that was begun, exactly; and, at most,
        what was read and not committed yet, with all that a line can bring from then until now."""
        memory, now, rows = self.cell.memory, self._clock.wall_ns(), []
        if not memory.killed_ns:
            return []
        for name, port in self._plan.ports.items():
            if waiting := memory.ledger.lose_waiting(name):
                rows.append(self.cell.event("lost", now, name, count=waiting, of="bytes", exact=True,
                                            cause="the program was killed with a frame unfinished"))
            since = self.cell.stamp(memory.killed_ns)
            if now < memory.killed_ns:
                rows.append(self.cell.event("lost", now, name, count=0, of="bytes", exact=False, bound="at least",
                                            since=since,
                                            cause="the program was killed, and the clock has gone back since: "
                                                  "how much is not known"))
                continue
            most = (now - memory.killed_ns) * port.line.baud // 10_000_000_000 + 1
            rows.append(self.cell.event("lost", now, name, count=most, of="bytes", exact=False, bound="at most",
                                        since=since,
                                        cause="the program was killed: at most what its line can have brought since"))
        return rows

    def _change(self, item: NewPlan) -> list[Row]:
        """Every port goes on where nothing about its line has changed; the others begin anew."""
        rows, before, plan, now = [], self._pipelines, item.plan, item.wall_ns
        begun = {name for name, old in before.items() if old.framer.waiting}
        for name, old in before.items():               # under the configuration that it came under
            if not _goes_on(old, plan):
                rows += old.cut(now, item.steady_ns, "configuration")
            elif old.plan.channels != plan.ports[name].channels:
                rows += old.circuits.runs.cut("configuration", now)
            self.cell.memory.ledger.read(name, old.meter)
        self.cell.take(plan)
        self.tallies = {name: self.tallies.get(name) or Tally(port.line.device) for name, port in plan.ports.items()}
        self._pipelines, self._plan = {}, plan
        for name, port in plan.ports.items():
            new = self._pipelines[name] = Pipeline(port, self.cell, self.tallies[name])
            if name in before:
                new.marked = before[name].marked       # the driver's marks go on until the port is opened anew
                if _goes_on(before[name], plan):
                    new.go_on(before[name])
                    if before[name].plan.channels != port.channels:     # a part that was measured stays measured
                        rows += new.circuits.runs.recall(item.steady_ns, now)
                elif name in begun:
                    new.in_doubt = True                # of the frame that was cut just now the rest may come yet
        return [*rows, self.cell.event("configuration", now)]

    # --- time and room

    def _wait_s(self) -> float:
        due = [at for pipeline in self._timed()
               for at in (pipeline.circuits.runs.due_ns, pipeline.expected.due_ns) if at is not None]
        if not due:
            return IDLE_S
        return min(IDLE_S, max(0.0, (min(due) - self._clock.steady_ns()) / 1e9))

    def _ticked(self) -> list[Row]:
        now = self._clock.steady_ns()
        rows = [row for pipeline in self._timed()
                if (at := pipeline.circuits.runs.due_ns) is not None and at <= now
                for row in pipeline.circuits.runs.tick(now)]
        rows += self.watch.seen(self._clock.wall_ns(), now) + self._overdue(now)      # what quiet has ended came before
        if now >= self._next_part_ns:
            self._next_part_ns = now + _PARTS_EVERY_NS
            rows += self.cell.tick(self._clock.wall_ns())
        return rows

    def _commit(self, rows: list[Row]) -> None:
        """Commit, and wait for room for as long as it takes: what is not taken stays with the kernel and the column.
        Many rows may be durable only after this has returned."""
        memory, orders = self.cell.changed(), self._orders
        self._orders = []
        if not rows and not memory and not orders:
            return self.keeper.settle()

        def kept() -> None:
            if rows:
                self._outward.committed()
            for source, mark in orders:
                self._outward.in_force(source, mark)

        for name, pipeline in self._pipelines.items():
            self.cell.memory.ledger.read(name, pipeline.meter)
        self.keeper.append(rows, memory, self._stopping, kept)
        self._moved_ns = self._clock.steady_ns()


_CAUSES = {
    SILENT: "no frame for longer than `silent` says: the column is off, its cable loose, or the adapter asleep",
    UNANSWERED: "the column did not answer in time; it is asked again",
}


def _goes_on(old: Pipeline, plan: Plan) -> bool:
    return old.plan.name in plan.ports and same_line(old.plan, plan.ports[old.plan.name])


def same_line(one: PortPlan, other: PortPlan) -> bool:
    """Whether a port can stay open, with its unfinished frame, under another plan."""
    return one.line == other.line and one.framing == other.framing and one.request == other.request
