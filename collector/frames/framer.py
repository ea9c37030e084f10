"""Cut a stream of bytes into frames.

Knows: end marks, start and end marks, fixed lengths, quiet gaps, the size limit.
Keeps the unfinished bytes, nothing else.
Must not know: text, numbers, columns, ports, or what time it is (stamps come with the chunks).

Facts of serial life: a read may end in mid-frame and in mid-mark; a read may hold several frames; noise may come
first; an end may never come.  The same bytes give the same frames, however they were chunked, and every byte is
counted once: fed = taken + marks + discarded + waiting.
"""

import re

from msgspec import Struct

from collector.record import CUT, NO_MATCH, TOO_LONG, Chunk, Frame

_BLANKS = b" \t\r\n"


class Framing(Struct, frozen=True):
    """How frames are bounded: `end` marks, with `start` or without; or `length` bytes; or `gap_ms` of quiet.

    Several `end` marks without `start` are of one byte each.  `rest_ms`: after so much quiet a frame of a `length` that
    has begun is over, for its line has lost a byte; 0: never.
    """

    end: tuple[bytes, ...] = (b"\r", b"\n")
    start: bytes = b""
    length: int = 0
    gap_ms: int = 0
    rest_ms: int = 500
    longest: int = 1024

    @property
    def quiet_ms(self) -> int:
        """For how long a line must be quiet for that to end a frame; 0: quiet ends none."""
        return self.rest_ms if self.length else self.gap_ms


class Framer:
    """Common to all ways of framing: the bounded buffer of one unfinished frame, and the counts of bytes."""

    due_ns: int | None = None
    """Steady time until which the line must be quiet for `tick` to end a frame; None: only bytes can."""

    def __init__(self, framing: Framing):
        self.taken = self.marks = self.discarded = 0
        self._longest = framing.longest
        self._held = b""
        self._head = b""                              # the kept part of an over-long frame
        self._dropped = 0                             # bytes of it that were not kept

    @property
    def waiting(self) -> int:
        """Bytes held of an unfinished frame."""
        return len(self._head) + len(self._held)

    @property
    def is_too_long(self) -> bool:
        """Whether what is held is longer than a frame may be."""
        return bool(self._head)

    def feed(self, chunk: Chunk) -> list[Frame]:
        """The frames that this chunk completes."""
        raise NotImplementedError

    def tick(self, steady_ns: int) -> list[Frame]:
        """The line was seen to be quiet until then: the frame that this ends."""
        return []

    def cut(self, wall_ns: int) -> list[Frame]:
        """The line is lost: what is held comes out, marked as cut; nothing is held afterwards."""
        if not self.waiting:
            return []
        held, self._held = self._held, b""
        return [self._frame(held, wall_ns, CUT)]

    def _frame(self, piece: bytes, wall_ns: int, fault: str = "") -> Frame:
        """A frame of what was kept before and this last piece of it."""
        if self._head:
            head, dropped = self._head, self._dropped + len(piece)
            self._head, self._dropped = b"", 0
            self.discarded += len(piece)
        elif len(piece) > self._longest:
            head, dropped = piece[:self._longest], len(piece) - self._longest
            self.discarded += dropped
        else:
            self.taken += len(piece)
            return Frame(piece, wall_ns, fault)
        self.taken += len(head)
        return Frame(head, wall_ns, fault or TOO_LONG, dropped)

    def _hold(self, rest: bytes, tail: int) -> None:
        """Keep the unfinished rest; of an over-long one its first bytes and the last few that may begin a mark."""
        if not self._head and len(rest) > self._longest + tail:
            self._head, rest = rest[:self._longest], rest[self._longest:]
        if self._head and len(rest) > tail:
            self._dropped += len(rest) - tail
            self.discarded += len(rest) - tail
            rest = rest[len(rest) - tail:]
        self._held = rest


class EndMarks(Framer):
    """A frame ends at a mark; nothing between two marks is no frame."""

    def __init__(self, framing: Framing):
        super().__init__(framing)
        self._mark, *self._others = framing.end

    def feed(self, chunk: Chunk) -> list[Frame]:
        data = self._held + chunk.data if self._held else chunk.data
        for other in self._others:
            data = data.replace(other, self._mark)
        *pieces, rest = data.split(self._mark)
        self.marks += len(pieces) * len(self._mark)
        wall_ns = chunk.wall_ns
        if self._head or len(data) > self._longest:
            frames = [self._frame(piece, wall_ns) for piece in pieces if piece or self._head]
        else:                                         # none can be too long
            frames = [Frame(piece, wall_ns) for piece in pieces if piece]
            self.taken += sum(map(len, pieces))
        self._hold(rest, len(self._mark) - 1)
        return frames


class StartAndEnd(Framer):
    """A frame lies between a start mark and the next end mark; other bytes are a frame that nothing can read."""

    def __init__(self, framing: Framing):
        super().__init__(framing)
        self._start, self._ends = framing.start, framing.end
        marks = sorted({self._start, *self._ends}, key=len, reverse=True)
        begun = [re.escape(mark[:size]) + rb"\Z" for mark in marks for size in range(len(mark) - 1, 0, -1)]
        whole = b"|".join(re.escape(mark) for mark in marks)
        self._either = re.compile(b"(" + b"|".join(begun) + b")|" + whole if begun else b"(?!)()|" + whole)
        self._tail = len(marks[0]) - 1
        self._inside = False

    def feed(self, chunk: Chunk) -> list[Frame]:
        data = self._held + chunk.data
        frames: list[Frame] = []
        at = 0
        for found in self._either.finditer(data):
            if found[1]:
                break                                 # a longer mark may begin here: wait for the rest of it
            frames += self._ended(data[at:found.start()], found[0], chunk.wall_ns)
            self.marks += len(found[0])
            at = found.end()
        rest = data[at:]
        self._hold(rest if self._inside or self._head else self._without_blanks(rest), self._tail)
        return frames

    def _without_blanks(self, rest: bytes) -> bytes:
        """Blanks before a stray frame are silent at once: no run of them is too long.
        The last few may begin a mark."""
        blank = min(len(rest) - len(rest.lstrip(_BLANKS)), max(len(rest) - self._tail, 0))
        self.marks += blank
        return rest[blank:]

    def _ended(self, piece: bytes, mark: bytes, wall_ns: int) -> list[Frame]:
        inside, opens = self._inside, mark == self._start and not (self._inside and mark in self._ends)
        self._inside = opens
        if not inside:
            return self._stray(piece, wall_ns)
        if not piece and not self._head:
            return []
        return [self._frame(piece, wall_ns, CUT if opens else "")]

    def _stray(self, piece: bytes, wall_ns: int) -> list[Frame]:
        if self._head:
            return [self._frame(piece, wall_ns, NO_MATCH)]
        text = piece.lstrip(_BLANKS)
        self.marks += len(piece) - len(text)
        return [self._frame(text, wall_ns, NO_MATCH)] if text else []

    def cut(self, wall_ns: int) -> list[Frame]:
        if self._inside:
            self._inside = False
            return super().cut(wall_ns)
        held, self._held = self._held, b""
        return self._stray(held, wall_ns) if held or self._head else []


class FixedLength(Framer):
    """Every so many bytes are a frame.  Where a byte was lost, quiet ends what is there: the next begins anew."""

    def __init__(self, framing: Framing):
        super().__init__(framing)
        self._length, self._rest_ns = framing.length, framing.quiet_ms * 1_000_000
        self._wall_ns = 0

    def feed(self, chunk: Chunk) -> list[Frame]:
        data, length = self._held + chunk.data, self._length
        whole = len(data) - len(data) % length
        self._held = data[whole:]
        self._wall_ns = chunk.wall_ns
        self.due_ns = chunk.steady_ns + self._rest_ns if self._held and self._rest_ns else None
        return [self._frame(data[at:at + length], chunk.wall_ns) for at in range(0, whole, length)]

    def tick(self, steady_ns: int) -> list[Frame]:
        if self.due_ns is None or steady_ns < self.due_ns:
            return []
        return self.cut(self._wall_ns)

    def cut(self, wall_ns: int) -> list[Frame]:
        self.due_ns = None
        return super().cut(wall_ns)


class QuietGap(Framer):
    """A frame ends when the line has been quiet for the gap: by `tick` alone.  That a chunk was read late does not say
    that it came late."""

    def __init__(self, framing: Framing):
        super().__init__(framing)
        self._gap_ns = framing.gap_ms * 1_000_000
        self._wall_ns = 0

    def feed(self, chunk: Chunk) -> list[Frame]:
        if chunk.data:
            self._hold(self._held + chunk.data, 0)
            self._wall_ns, self.due_ns = chunk.wall_ns, chunk.steady_ns + self._gap_ns
        return []

    def tick(self, steady_ns: int) -> list[Frame]:
        if self.due_ns is None or steady_ns < self.due_ns:
            return []
        held, self._held, self.due_ns = self._held, b"", None
        return [self._frame(held, self._wall_ns)]

    def cut(self, wall_ns: int) -> list[Frame]:
        self.due_ns = None
        return super().cut(wall_ns)


def build_framer(framing: Framing) -> Framer:
    """The framer for this way of bounding frames."""
    if framing.length:
        return FixedLength(framing)
    if framing.gap_ms:
        return QuietGap(framing)
    return StartAndEnd(framing) if framing.start else EndMarks(framing)
