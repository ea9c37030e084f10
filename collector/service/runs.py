"""Running streams of one port: parts that are on and turns that are open, one a channel.

Knows: which characteristic and which context a run began with (it ends with these, whatever changes meanwhile); what
its outcomes become; what of it is remembered for a restart.
Must not know: when a part is still or a turn is over (measuring), how a measurement is recorded.
"""

from decimal import Decimal
from typing import TYPE_CHECKING, Any

from collector.journal import Row
from collector.measuring.normalise import Measured
from collector.measuring.streams import OVER_RANGE, SETTLED, Found, Interrupted, Outcome, Stream
from collector.measuring.units import EXACT, FINEST, round_to
from collector.record import Frame, Reading, escape
from collector.service.aim import Aim

if TYPE_CHECKING:
    from collector.service.circuits import Circuits

MEASUREMENT, SWEEP, READING = "measurement", "sweep", "reading"
STARTS, ENDS = "sweep-start", "sweep-end"
CHANGEOVER, CONFIGURATION = "changeover", "configuration"
_OFF = {"phase": "off", "began_wall_ns": 0}


class Run:
    """One stream, with what it began with."""

    def __init__(self, aim: Aim, steady_ns: int):
        self.aim = aim
        self.stream = Stream(aim.characteristic.stream, steady_ns)
        self.said: dict[str, str] = {}
        self.master: str | None = None


class Runs:
    """The runs of one port, by channel."""

    def __init__(self, circuits: "Circuits"):
        self._circuits, self._plan, self._cell = circuits, circuits.plan, circuits.cell
        self._runs: dict[str, Run] = {}
        self._off: set[str] = set()                    # channels whose last word was over-range
        # since when a channel without a run has said nothing, where that is known
        self._quiet_ns: int | None = None
        self._streaming = [channel for channel, parts in self._plan.channels.items()
                           if any(one.stream for one in parts.values())]
        self._kept = {channel for channel, parts in self._plan.channels.items()
                      if any(one.keep_readings for one in parts.values())}

    # --- what comes

    def of(self, channel: str, aim: Aim, steady_ns: int, wall_ns: int) -> tuple[list[Row], Run | None]:
        """The run that a reading belongs to, None where each reading is a measurement; and what that ends."""
        if channel not in self._streaming:
            return [], None
        run, one = self._runs.get(channel), aim.characteristic
        if one is None or one.stream is None:
            self._quiet_ns = steady_ns
            self._off.discard(channel)
            if run is None or one is None and not run.stream.idle:
                return [], run
            return self._ended(channel, run, run.stream.cut(CHANGEOVER, wall_ns)), self._forget(channel)
        if run is None or run.aim is not aim and run.stream.idle:
            is_off = run is not None or channel in self._off and one.stream.until == OVER_RANGE
            run = Run(aim, steady_ns if self._quiet_ns is None else self._quiet_ns)
            if is_off:                                 # nothing was on the column: what comes next begins whole
                run.stream.recall(_OFF, wall_ns)
            self._runs[channel] = run
        return [], run

    def feed(self, run: Run, kind: str, frame: Frame, found: Reading, said: dict[str, str], master: str | None,
             measured: Measured, steady_ns: int) -> list[Row]:
        """A reading of a run."""
        channel, wall_ns = said.get("channel", ""), frame.wall_ns
        rows: list[Row] = []
        self._off.discard(channel)
        if kind == STARTS:
            rows += self._marked(channel, run, True, wall_ns, steady_ns, said)
        rows += self._ended(channel, run, run.stream.tick(steady_ns))
        if run.stream.idle:
            run.said, run.master = said, master
        outside = run.stream.outside
        value = measured.deviation if measured.value is None else measured.value
        if run.aim.characteristic.keep_readings:
            rows.append(self._circuits.row(READING, wall_ns, said, run.aim.named(), measured, run.aim.flags,
                                           self._raw(frame), {}, found.sent, {}))
        rows += self._ended(channel, run, run.stream.feed(value, steady_ns, wall_ns), frame)
        self._circuits.tally.outside += run.stream.outside - outside
        if kind == ENDS:
            rows += self._marked(channel, run, False, wall_ns, steady_ns, said)
        return rows

    def mark(self, begins: bool, frame: Frame, channel: str, said: dict[str, str], steady_ns: int) -> list[Row]:
        """A sweep begins or ends; a mark that names no channel is for all of the port."""
        self._circuits.tally.marks += 1
        rows: list[Row] = []
        for one in self._named(channel):
            aim = self._circuits.aims.of(one, said.get("part", ""), said.get("master"))
            more, run = self.of(one, aim, steady_ns, frame.wall_ns) if aim else ([], None)
            rows += more
            if run is not None:
                rows += self._marked(one, run, begins, frame.wall_ns, steady_ns,
                                     {**said, "channel": one} if one else said)
        return rows

    def over_range(self, channel: str, frame: Frame, steady_ns: int) -> tuple[list[Row], bool]:
        """No part, or out of span: what that ends; and whether it is news, or another of many while no part is on."""
        rows: list[Row] = []
        named = self._named(channel)
        is_news = not named or any(one not in self._off for one in named) or bool(self._kept.intersection(named))
        for one in named:
            self._off.add(one)
            if one in self._runs:
                rows += self._ended(one, self._runs[one], self._runs[one].stream.over_range(steady_ns, frame.wall_ns))
        return rows, is_news

    def unread(self, steady_ns: int) -> None:
        """A frame of the port could not be read; it may have been of any channel."""
        self._quiet_ns = steady_ns
        for run in self._runs.values():
            run.stream.unread(steady_ns)

    # --- time, loss, restart

    @property
    def due_ns(self) -> int | None:
        """Steady time at which quiet ends something."""
        return min((run.stream.due_ns for run in self._runs.values() if run.stream.due_ns is not None), default=None)

    def tick(self, steady_ns: int) -> list[Row]:
        """What quiet has ended."""
        return [row for channel, run in self._runs.items()
                for row in self._ended(channel, run, run.stream.tick(steady_ns))]

    def opened(self, steady_ns: int) -> None:
        """The line is open from now on; what it said last is long ago."""
        self._quiet_ns = steady_ns
        self._off.clear()
        for run in self._runs.values():
            run.stream.opened(steady_ns)

    def cut(self, cause: str, wall_ns: int) -> list[Row]:
        """The line is lost or closed: what was begun is no measurement."""
        return [row for channel, run in self._runs.items()
                for row in self._ended(channel, run, run.stream.cut(cause, wall_ns))]

    def recall(self, steady_ns: int, wall_ns: int) -> list[Row]:
        """Go on from what the journal remembers of this port; what was open is said to be interrupted."""
        rows: list[Row] = []
        for place, told in list(self._cell.memory.streams.items()):
            port, _, channel = place.partition("/")
            if port != self._plan.name:
                continue
            aim = self._circuits.aims.of(channel, told["part"], None)
            if (aim is None or aim.characteristic is None or aim.characteristic.name != told["characteristic"]
                    or not aim.characteristic.stream):
                self._cell.memory.stream(place, None)
                continue
            run = self._runs[channel] = Run(aim, steady_ns)
            run.said = told["said"]
            rows += self._ended(channel, run, run.stream.recall(told, wall_ns))
        return rows

    def take_over(self, before: "Runs") -> None:
        """Another configuration that changes nothing of what is measured here: what runs goes on."""
        self._off, self._quiet_ns = before._off, before._quiet_ns
        for channel, run in before._runs.items():
            one = run.aim.characteristic
            run.aim = self._circuits.aims.of(channel, one.part, None)
            self._runs[channel] = run

    # --- outcomes

    def _named(self, channel: str) -> list[str]:
        return [one for one in self._streaming if not channel or one == channel]

    def _forget(self, channel: str) -> None:
        self._runs.pop(channel, None)
        self._cell.memory.stream(f"{self._plan.name}/{channel}", None)

    def _marked(self, channel: str, run: Run, begins: bool, wall_ns: int, steady_ns: int,
                said: dict[str, str]) -> list[Row]:
        rows = self._ended(channel, run, run.stream.mark(begins, steady_ns, wall_ns))
        if begins:
            run.said, run.master = said, said.get("master")
            self._remember(channel, run)
        return rows

    def _ended(self, channel: str, run: Run, outcome: Outcome | None, frame: Frame | None = None) -> list[Row]:
        """The records of what a run has come to, if to anything."""
        self._remember(channel, run)
        if outcome is None:
            return []
        if isinstance(outcome, Found):
            return self._found(run, outcome, frame)
        one = run.aim.characteristic
        fields = {"channel": channel, "part": one.part, "characteristic": one.name,
                  **{key: run.said[key] for key in ("serial", "lot", "operator") if key in run.said}}
        more: dict[str, Any] = {"began": self._cell.stamp(outcome.began_wall_ns)}
        if outcome.count is not None:
            more["readings"] = outcome.count
        if isinstance(outcome, Interrupted):
            return [self._cell.event("interrupted", outcome.ended_wall_ns, self._plan.name, fields, cause=outcome.cause,
                                     **more)]
        more |= {"unit": one.unit.value, "smallest": outcome.smallest, "largest": outcome.largest, "last": outcome.last}
        return [self._cell.event("removed-early", outcome.ended_wall_ns, self._plan.name, fields, **more)]

    def _found(self, run: Run, found: Found, frame: Frame | None) -> list[Row]:
        one, spread = run.aim.characteristic, found.spread
        sizes: dict[str, Decimal] = {"tir": spread.tir, "max": spread.largest, "min": spread.smallest,
                                     "mean": spread.mean(one.step)}
        more: dict[str, Any] = {"readings": spread.count, "began": self._cell.stamp(found.began_wall_ns)}
        if found.unread:
            more["unread"] = found.unread
        flags = ("unread-within",) if found.unread else ()
        if one.stream.way == SETTLED:
            kind, report = MEASUREMENT, "mean"
            deviation = spread.standard_deviation()
            more |= {"spread": spread.tir, "standard-deviation": round_to(deviation, FINEST[one.unit] / 10)}
        else:
            kind, report = SWEEP, "mean" if run.master is not None else one.report
            more |= {name: size for name, size in sizes.items() if name != report}
        measured = self._measured(run.aim, sizes[report], report == "tir")
        return self._circuits.finish(run.aim, kind, found.ended_wall_ns, run.said, run.master, measured, more,
                                     self._raw(frame) if frame else "", None, flags)

    def _measured(self, aim: Aim, size: Decimal, is_difference: bool) -> Measured:
        one = aim.characteristic
        if is_difference:
            return Measured(size, None, one.unit)
        if one.nominal is None:
            return Measured(None, size, one.unit) if self._plan.is_deviation else Measured(size, None, one.unit)
        return Measured(size, EXACT.subtract(size, one.nominal), one.unit)

    def _remember(self, channel: str, run: Run) -> None:
        told = run.stream.memory()
        if told is not None:
            one = run.aim.characteristic
            told |= {"part": one.part, "characteristic": one.name, "said": run.said}
        self._cell.memory.stream(f"{self._plan.name}/{channel}", told)

    def _raw(self, frame: Frame) -> str:
        return escape(frame.data, self._plan.encoding)
