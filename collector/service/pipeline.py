"""One port's way from bytes to records: framer, parser, then what its channels make of the readings.

Knows: how the stages follow each other, and that whatever goes wrong in them makes an `unread`, never a loss.
Must not know: journal files, threads, devices, outputs.
"""

import structlog
from msgspec import structs

from collector.config.plan import PortPlan
from collector.frames.framer import build_framer
from collector.journal import Row
from collector.ports.marks import unmark
from collector.ports.parity import ParityCheck
from collector.record import (
    CUT,
    INTERNAL,
    LINE_ERROR,
    NO_MATCH,
    Chunk,
    Frame,
    Mark,
    OverRange,
    Reading,
    Unread,
    detail,
    escape,
)
from collector.service.cell import Cell, fields_of_context
from collector.service.circuits import Circuits
from collector.service.expected import Expected
from collector.service.ledger import Meter
from collector.service.repeats import Known
from collector.service.tally import Tally

log = structlog.get_logger()

UNREAD = "unread"


class Pipeline:
    """The stages of one port.  Holds the unfinished frame and the counts; everything else comes from the plan.

    `is_timed`: whether something of it may end, or be overdue, because time goes by, however the line is.
    """

    def __init__(self, plan: PortPlan, cell: Cell, tally: Tally):
        self.plan, self.tally = plan, tally
        self.marked = False                            # whether characters with a line error are marked
        self._parity: ParityCheck | None = None
        self.expected = Expected(plan, tally)
        self._opened_ns: int | None = None             # until the first bytes of an opening
        self.in_doubt = False                          # whether the frame to come may have begun before the opening
        self.framer = build_framer(plan.framing)
        self.circuits = Circuits(plan, cell, tally)
        self._cell, self._numbering = cell, cell.numbering
        self._sources = cell.plan.scanners.get(plan.name, ())
        self._steady_ns = 0
        self.meter = Meter(self.framer, tally)
        streams = any(one.stream for parts in plan.channels.values() for one in parts.values())
        self.is_timed = bool(plan.silent_ms or plan.request or streams)

    def go_on(self, before: "Pipeline") -> None:
        """Take over from another pipeline of the same line: its unfinished frame,
        and what runs where that does not change."""
        self.framer, self.meter, self.expected = before.framer, before.meter, before.expected
        self._parity, self._opened_ns, self.in_doubt = before._parity, before._opened_ns, before.in_doubt
        self.expected.take(self.plan)
        if before.plan.channels == self.plan.channels:
            self.circuits.runs.take_over(before.circuits.runs)

    def opened(self, marked: bool, steady_ns: int, was_quiet: bool = False) -> None:
        """The port was opened; `marked`: the driver marks characters with a line error;
        `was_quiet`: it begins with a frame."""
        line = self.plan.line
        self._parity = ParityCheck(line.parity, marked) if line.own_parity else None
        self.marked = marked or line.own_parity
        self.circuits.runs.opened(steady_ns)
        self.expected.opened(steady_ns)
        self._opened_ns = None if was_quiet else steady_ns

    def feed(self, chunk: Chunk) -> list[Row]:
        """The records that this chunk completes."""
        if self._parity is not None:
            chunk = structs.replace(chunk, data=self._parity.check(chunk.data))
        self.tally.bytes += len(chunk.data)
        self._steady_ns = chunk.steady_ns
        if self._opened_ns is not None:
            self.in_doubt, self._opened_ns = self._may_be_cut(chunk), None
        return self._heard(self.framer.feed(chunk))

    def _may_be_cut(self, chunk: Chunk) -> bool:
        """Whether the first bytes of an opening may be the rest of a frame;
        not where the line was quiet before them."""
        framing = self.plan.framing
        quiet_ns = max(_QUIET_NS, framing.gap_ms * 1_000_000, 2 * _BITS * 1_000_000_000 // self.plan.line.baud)
        is_known = framing.start or framing.length or not framing.gap_ms and chunk.data.startswith(framing.end)
        return not is_known and chunk.steady_ns - self._opened_ns < quiet_ns

    @property
    def is_behind(self) -> bool:
        """Whether a frame that only quiet can end has come, be it whole or not: what time ends is told after it.
        Bytes that are no frame, on a line that never rests, hold nothing back."""
        return bool(self.plan.framing.gap_ms and self.framer.waiting and not self.framer.is_too_long)

    @property
    def due_ns(self) -> int | None:
        """Steady time at which `tick` would end something; None: only bytes can."""
        due = [at for at in (self.framer.due_ns, self.circuits.runs.due_ns) if at is not None]
        return min(due) if due else None

    def tick(self, steady_ns: int) -> list[Row]:
        """The records of a frame, a part or a turn that ends because the line has been quiet."""
        return self.quiet(steady_ns) + self.circuits.runs.tick(steady_ns)

    def quiet(self, steady_ns: int) -> list[Row]:
        """The records of the frame that ends because the line was seen to be quiet until then."""
        due_ns = self.framer.due_ns
        self._steady_ns = steady_ns if due_ns is None else min(steady_ns, due_ns)
        return self._heard(self.framer.tick(steady_ns))

    def cut(self, wall_ns: int, steady_ns: int, cause: str) -> list[Row]:
        """The line is lost or closed: what is held of a frame is a record of its own, what was begun is no measurement.
        """
        is_behind = self.is_behind
        rows = [] if is_behind else self.circuits.runs.tick(steady_ns)
        self.expected.closed()
        if self._parity is not None and (rest := self._parity.rest()):
            self.tally.bytes += len(rest)
            rows += self._rows(self.framer.feed(Chunk(self.plan.name, rest, wall_ns, steady_ns)))
        rows += self._rows(self.framer.cut(wall_ns))
        if is_behind:
            rows += self.circuits.runs.tick(steady_ns)
        return rows + self.circuits.runs.cut(cause, wall_ns)

    def _heard(self, frames: list[Frame]) -> list[Row]:
        """The records of frames that have come, behind what is to be told of their coming."""
        if not frames:
            return []
        events = [self._cell.event(event, frames[0].wall_ns, self.plan.name, **figures)
                  for event, figures in self.expected.framed(len(frames), self._steady_ns)]
        return events + self._rows(frames)

    def _rows(self, frames: list[Frame]) -> list[Row]:
        """The records of frames that came at once; few together, so that what is said for the first time is soon known.
        """
        self.tally.frames += len(frames)
        if len(frames) <= _TOGETHER:
            return self._made(frames)
        return [row for at in range(0, len(frames), _TOGETHER) for row in self._made(frames[at:at + _TOGETHER])]

    def _made(self, frames: list[Frame]) -> list[Row]:
        rows, at, known = [], 0, self._known(frames)
        while at < len(frames):
            frame, first = frames[at], self._numbering.next_seq
            self.tally.last_frame_ns = frame.wall_ns
            try:
                made, many = [], 0
                if known[at] is not None and not self.in_doubt:
                    made, many = self.circuits.again(known, at, frame.wall_ns)
                if not many:
                    known[at] = None
                    made, many = self._read(frame), 1
            except Exception as error:
                log.exception("internal-fault", port=self.plan.name, frame=escape(frame.data))
                self._numbering.next_seq = first       # the numbers are free again
                if known[at] is not None:              # of many frames one may be the cause: each by itself
                    known = [None] * len(frames)
                    continue
                made, many = self._nothing_read(
                    frame, Unread(INTERNAL, f"{type(error).__name__} in the collector; see its log")), 1
            rows += made
            at += many
        return rows

    def _known(self, frames: list[Frame]) -> list[Known | None]:
        """What each frame repeats of what was read before; None: it must be read."""
        none = [None] * len(frames)
        if self._sources:
            return none
        datas = [frame.data for frame in frames]
        if any([frame.fault for frame in frames]) or self.marked and b"\xff" in b"".join(datas):
            return none
        try:
            return self.circuits.repeats.of(datas)
        except Exception:
            log.exception("internal-fault", port=self.plan.name)
            return none

    def _may_be_the_end_of_another(self, data: bytes) -> bool:
        """Whether the format reads such a frame with a character more before it as well, or with some less."""
        parse = self.plan.parser.parse
        longer = (byte + data for byte in _PRINTABLE)
        shorter = (data[at:] for at in range(1, len(data)))
        return any(not isinstance(parse(one), Unread) for one in (*longer, *shorter))

    def _read(self, frame: Frame) -> list[Row]:
        in_doubt, self.in_doubt = self.in_doubt, False
        if self.marked and b"\xff" in frame.data:
            data, error = unmark(frame.data)
            frame = Frame(data, frame.wall_ns, frame.fault or (LINE_ERROR if error else ""), frame.discarded)
        if frame.fault:
            return self._nothing_read(frame, Unread(frame.fault, _FAULTS[frame.fault]))
        parser = self.plan.parser
        texts = parser.texts(frame.data)
        alone = texts[0] if type(texts) is list and len(texts) == 1 else None
        found = parser.read(texts) if type(texts) is list else texts if isinstance(texts, Unread) else [texts]
        if isinstance(found, Unread):
            return self._nothing_read(frame, found)
        if in_doubt and self._may_be_the_end_of_another(frame.data):
            return self._nothing_read(frame, Unread(CUT, _IN_DOUBT))
        if self._sources:
            return self._label(frame, found)
        rows, read = [], False
        for one in found:
            made = self.circuits.take(frame, one, self._steady_ns, alone)
            read = read or not isinstance(made, Unread)
            rows += [self._unread(frame, made)] if isinstance(made, Unread) else made
        self.tally.read += read
        self.tally.not_read += not read
        return rows

    def _label(self, frame: Frame, found: list[Reading | OverRange | Mark]) -> list[Row]:
        """A frame of a context port: what it says is in force from here on."""
        said = {field: text for one in found for field, text in fields_of_context(one.said).items()}
        raw = escape(frame.data, self.plan.encoding)
        rows = [row for source in self._sources
                for row in self._cell.put(source, said, frame.wall_ns, self.plan.name, raw)]
        if not rows:
            return self._nothing_read(frame, Unread(NO_MATCH, "the label says nothing that this context sets"))
        self.tally.marks += 1
        self.tally.read += 1
        return rows

    def _nothing_read(self, frame: Frame, found: Unread) -> list[Row]:
        self.tally.not_read += 1
        return [self._unread(frame, found)]

    def _unread(self, frame: Frame, found: Unread) -> Row:
        self.tally.count_unread(found.reason)
        self.circuits.unread(self._steady_ns)
        said = {"reason": found.reason, "why": found.why}
        if frame.discarded:
            said["discarded"] = frame.discarded
        return self._numbering.row(UNREAD, frame.wall_ns, port=self.plan.name,
                                   raw=escape(frame.data, self.plan.encoding), detail=detail(said))


_TOGETHER = 40
_QUIET_NS = 50_000_000
_BITS = 12                                             # of a character, at most
_PRINTABLE = [bytes([byte]) for byte in range(0x20, 0x7F)]
_IN_DOUBT = ("it came right when the port was opened, and this format would read it as the end of a longer frame too: "
             "whether it is whole is not known; a pattern with ^ and what stands before the value would tell")
_FAULTS = {
    "too-long": "longer than `longest` without a frame end",
    "cut": "the line was lost, closed or quiet before the frame ended",
    "line-error": "the line had a parity, framing or break error in it",
    "no-match": "bytes that stand in no frame",
}
