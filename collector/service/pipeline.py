"""One port's way from bytes to records: framer, parser, normaliser, judge.

Knows: how the stages follow each other, and that whatever goes wrong in them makes an `unread`, never a loss.
Must not know: journal files, threads, devices, outputs.
"""

from decimal import Decimal

import structlog
from msgspec import Struct

from collector.config.plan import PortPlan
from collector.frames.framer import build_framer
from collector.journal import Row
from collector.measuring.judge import FAIL, PASS, judge
from collector.measuring.normalise import Characteristic, normalise
from collector.ports.marks import unmark
from collector.record import (CHANNEL, INTERNAL, LINE_ERROR, NONE, Chunk, Frame, OverRange, Reading, SentTime, Unread, detail,
                              escape, number)
from collector.service.numbering import Numbering
from collector.service.tally import Last, Tally

log = structlog.get_logger()

MEASUREMENT, MASTER, UNREAD, OVER_RANGE = "measurement", "master", "unread", "over-range"


class Aim(Struct, frozen=True):
    """What a reading is compared with, its constant record fields written once.  No characteristic: not judged."""

    characteristic: Characteristic | None
    constants: dict
    flags: tuple[str, ...] = ()


_NOTHING = Aim(None, {})


class Pipeline:
    """The stages of one port.  Holds the unfinished frame and the counts; everything else comes from the plan."""

    def __init__(self, plan: PortPlan, numbering: Numbering, tally: Tally):
        self.plan, self.tally = plan, tally
        self.marked = False                            # whether the driver marks characters with a line error
        self.framer = build_framer(plan.framing)
        self._numbering = numbering
        self._aims: dict[tuple[str, str], Aim | None] = {}

    def feed(self, chunk: Chunk) -> list[Row]:
        """The records that this chunk completes."""
        self.tally.bytes += len(chunk.data)
        return self._rows(self.framer.feed(chunk))

    def tick(self, steady_ns: int) -> list[Row]:
        """The records of a frame that ends because the line has been quiet."""
        return self._rows(self.framer.tick(steady_ns))

    def cut(self, wall_ns: int) -> list[Row]:
        """The line is lost or closed: what is held of a frame is a record of its own."""
        return self._rows(self.framer.cut(wall_ns))

    def _rows(self, frames: list[Frame]) -> list[Row]:
        rows: list[Row] = []
        for frame in frames:
            self.tally.frames += 1
            self.tally.last_frame_ns = frame.wall_ns
            try:
                rows += self._read(frame)
            except Exception as error:
                log.exception("internal-fault", port=self.plan.name, frame=escape(frame.data))
                rows.append(self._unread(frame, Unread(INTERNAL, f"{type(error).__name__} in the collector; see its log")))
        return rows

    def _read(self, frame: Frame) -> list[Row]:
        if self.marked and b"\xff" in frame.data:
            data, error = unmark(frame.data)
            frame = Frame(data, frame.wall_ns, frame.fault or (LINE_ERROR if error else ""), frame.discarded)
        if frame.fault:
            return [self._unread(frame, Unread(frame.fault, _FAULTS[frame.fault]))]
        found = self.plan.parser.parse(frame.data)
        if isinstance(found, Unread):
            return [self._unread(frame, found)]
        first = self._numbering.next_seq
        try:
            return [self._one(frame, one) for one in found]
        except Exception:
            self._numbering.next_seq = first           # the whole frame becomes one unread: its numbers are free again
            raise

    def _one(self, frame: Frame, found: Reading | OverRange) -> Row:
        said = found.said
        aim = self._aim(said.get("channel", ""), said.get("part", ""))
        if isinstance(found, OverRange):               # a whole-frame text names no channel: it is of the port as such
            self.tally.over_range += 1
            return self._row(OVER_RANGE, frame, found, aim or _NOTHING, {}, {"text": found.text})
        if aim is None:
            return self._unread(frame, Unread(CHANNEL, self._channels_known(said.get("channel", ""))))
        measured = normalise(found, self.plan.is_deviation, aim.characteristic)
        if isinstance(measured, Unread):
            return self._unread(frame, measured)
        kind = said.get("kind", MEASUREMENT)
        verdict = side = ""
        if aim.characteristic is not None and measured.value is not None and kind == MEASUREMENT:
            verdict, side = judge(measured.value, aim.characteristic.limits)
        self._count(said.get("channel", ""), measured.value, measured.deviation, measured.unit.value, verdict, side, frame)
        fields = {"value": NONE if measured.value is None else number(measured.value), "unit": measured.unit.value,
                  "deviation": NONE if measured.deviation is None else number(measured.deviation),
                  "verdict": verdict, "side": side}
        return self._row(kind, frame, found, aim, fields, {})

    def _row(self, kind: str, frame: Frame, found: Reading | OverRange, aim: Aim, fields: dict, more: dict) -> Row:
        said, sent = found.said, found.sent
        flags = aim.flags + (sent.flag,) if sent and sent.flag else aim.flags
        for key in ("status", "master"):
            if key in said:
                more[key] = said[key]
        if sent:
            more["column-time"] = _column_time(sent)
        judged = kind == MEASUREMENT
        constants = aim.constants if judged else _names_only(aim.constants)
        return self._numbering.row(
            kind, frame.wall_ns, port=self.plan.name, channel=said.get("channel", ""), serial=said.get("serial", ""),
            lot=said.get("lot", ""), operator=said.get("operator", ""), flags=flags,
            raw=escape(frame.data, self.plan.encoding), detail=detail(more), **{"part": said.get("part", ""), **constants}, **fields)

    def _unread(self, frame: Frame, found: Unread) -> Row:
        self.tally.count_unread(found.reason)
        said = {"reason": found.reason, "why": found.why}
        if frame.discarded:
            said["discarded"] = frame.discarded
        return self._numbering.row(UNREAD, frame.wall_ns, port=self.plan.name, raw=escape(frame.data, self.plan.encoding),
                                   detail=detail(said))

    def _count(self, channel: str, value: Decimal | None, deviation: Decimal | None, unit: str, verdict: str, side: str,
               frame: Frame) -> None:
        self.tally.readings += 1
        last = self.tally.channels.get(channel)
        if last is None:
            last = self.tally.channels.setdefault(channel, Last())
        last.value, last.unit = f"{deviation if value is None else value:f}", unit
        last.verdict, last.side, last.time_ns = verdict, side, frame.wall_ns
        last.readings += 1
        last.passed += verdict == PASS
        last.failed += verdict == FAIL

    # --- which characteristic a reading belongs to

    def _aim(self, channel: str, part: str) -> Aim | None:
        """What a reading of this channel is compared with; None: a channel that the port does not have."""
        key = (channel, part)
        if key not in self._aims:
            if len(self._aims) > 10_000:               # part texts come from the wire: never an endless memory
                self._aims.clear()
            self._aims[key] = self._find_aim(channel, part)
        return self._aims[key]

    def _find_aim(self, channel: str, part: str) -> Aim | None:
        known = self.plan.channels
        if not known:
            return Aim(None, {})
        if channel not in known:
            return None
        parts = known[channel]
        one = parts.get(part) if part else next(iter(parts.values())) if len(parts) == 1 else None
        if one is None:
            return Aim(None, {}, ("no-part",))
        limits = one.limits
        constants = {"part": one.part, "characteristic": one.name}
        for field, value in (("nominal", one.nominal), ("lower", limits.lower), ("upper", limits.upper)):
            if value is not None:
                constants[field] = number(value)
        return Aim(one, constants)

    def _channels_known(self, channel: str) -> str:
        names = ", ".join(repr(name) if name else "one without a name" for name in self.plan.channels)
        return f"channel {channel!r} measures nothing here; known on this port: {names}"


def _names_only(constants: dict) -> dict:
    return {key: constants[key] for key in ("part", "characteristic") if key in constants}


def _column_time(sent: SentTime) -> dict[str, str]:
    told = {"local": sent.local, "zone": sent.zone}
    if sent.utc:
        told["utc"] = sent.utc
    return told


_FAULTS = {
    "too-long": "longer than `longest` without a frame end",
    "cut": "the line was lost or closed before the frame ended",
    "line-error": "the line had a parity, framing or break error in it",
    "no-match": "bytes that stand in no frame",
}
