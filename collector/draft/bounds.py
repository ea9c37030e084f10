"""How the bytes of a capture may be cut into frames, the likeliest way first.

Knows: line ends, start and end marks, quiet between bursts, frames of one length.
Must not know: what a frame says.
"""

from collections.abc import Iterator
from itertools import groupby, pairwise
from math import gcd, sqrt

from collector.draft.proposal import Bounds
from collector.frames.framer import Framing, build_framer
from collector.record import Chunk, Frame, escape

Reads = list[tuple[float | None, bytes]]

_NAMES = {b"\x01": "SOH", b"\x02": "STX", b"\x03": "ETX", b"\x04": "EOT", b"\x17": "ETB", b"\r": "CR", b"\n": "LF",
          b"\r\n": "CR LF"}
_STARTS, _ENDS = (b"\x02", b"\x01"), (b"\x03", b"\x04", b"\x17")
_NO_MARK = b"0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz +-.,"


def bounds_of(reads: Reads) -> Iterator[Bounds]:
    """Each way in which these reads may hold frames, the simplest first."""
    data = b"".join(read for _, read in reads)
    yield from _between_marks(data)
    bursts = _bursts(reads)
    ends = data.count(b"\r") + data.count(b"\n")
    if ends and (not bursts or 2 * ends > len(bursts[0])):
        yield from _lines(data, timed=reads[0][0] is not None)
        return
    yield from _end_mark(data)
    if bursts:
        yield from _by_time(data, *bursts)


def frames_of(reads: Reads, framing: Framing) -> list[Frame]:
    """The frames of a capture, by the collector's own framer; what no boundary ends comes out marked as cut."""
    framer, found, at = build_framer(framing), [], 0
    for index, (seconds, data) in enumerate(reads):
        at = round((index if seconds is None else seconds) * 1_000_000_000)
        found += framer.tick(at) + framer.feed(Chunk("", data, at, at))
    if framer.due_ns is not None:
        found += framer.tick(framer.due_ns)
    return found + framer.cut(at)


def _between_marks(data: bytes) -> Iterator[Bounds]:
    for start in _STARTS:
        pieces = [piece.rstrip(b"\r\n ") for piece in data.split(start)[1:]]
        for end in _ENDS:
            whole = sum(piece.endswith(end) and piece.count(end) == 1 for piece in pieces)
            if whole and whole >= 0.9 * (len(pieces) - 1):
                yield Bounds({"start": _text(start), "end": _text(end)}, Framing(start=start, end=(end,)),
                             f"each frame lies between {_NAMES[start]} and {_NAMES[end]}")
                return


def _lines(data: bytes, timed: bool) -> Iterator[Bounds]:
    pairs = data.count(b"\r\n")
    rest = {b"\r": data.count(b"\r") - pairs, b"\n": data.count(b"\n") - pairs}
    mark = b"\r\n" if pairs > sum(rest.values()) else max(rest, key=rest.get)
    why = f"each frame ends with {_NAMES[mark]}"
    if not timed:
        why = "the capture has no times: each of its lines is taken to be a frame"
    yield Bounds({}, Framing(), why + "; CR, LF or CR LF is what a port expects where nothing is said")
    if timed:
        yield Bounds({"end": _text(mark)}, Framing(end=(mark,)),
                     f"each frame ends with {_NAMES[mark]}, and a byte of it alone ends none")


def _end_mark(data: bytes) -> Iterator[Bounds]:
    last = data[-1:]
    if last.isascii() and last not in _NO_MARK and data.count(last) >= 3:
        yield Bounds({"end": _text(last)}, Framing(end=(last,)),
                     f"each frame ends with {_NAMES.get(last, repr(escape(last)))}; there is no line end")


def _bursts(reads: Reads) -> tuple[list[bytes], float, float] | None:
    """What came together, the longest pause within, the shortest between (s); None: no times, or no pause tells."""
    if len(reads) < 3 or reads[0][0] is None:
        return None
    pauses = sorted({round(after - before, 6) for (before, _), (after, _) in pairwise(reads)})
    within, between = max(pairwise([max(pauses[0] / 4, 1e-4), *pauses]), key=lambda two: two[1] / max(two[0], 1e-4))
    if between < 0.004:
        return None
    bursts, before = [b""], reads[0][0]
    for seconds, data in reads:
        if seconds - before >= between - 1e-6:
            bursts.append(b"")
        bursts[-1] += data
        before = seconds
    longest = max((pause for pause in pauses if pause < between - 1e-6), default=0.0)
    return bursts, longest, between


def _by_time(data: bytes, bursts: list[bytes], within: float, between: float) -> Iterator[Bounds]:
    sizes = [len(burst) for burst in bursts]
    length = gcd(*sizes)
    if length == min(sizes) >= 3 and len(set(sizes)) > 1:
        yield _fixed(length, f"each burst brings {length} bytes or a multiple of it, without an end mark")
    gap = round(1000 * (sqrt(within * between) if within > 0.0005 else min(0.05, between / 2)))
    if 1000 * within < gap < 1000 * between:
        yield Bounds({"gap": f"{gap} ms"}, Framing(gap_ms=gap),
                     f"there is no end mark; the line is quiet for {1000 * between:.0f} ms or more between two frames"
                     + (f", for {1000 * within:.0f} ms at most within one" if within else ""))
    for size in range(3, min(max(length, len(data) // 3), 200) + 1):
        if len(data) % size == 0 and _is_period(data, size):
            yield _fixed(size, f"there is no end mark; every {size} bytes the same begins again")
            return


def _fixed(length: int, why: str) -> Bounds:
    return Bounds({"length": str(length)}, Framing(length=length), why)


def _is_period(data: bytes, size: int) -> bool:
    """Whether characters that are no digits stand in the same places of every piece, for most places."""
    pieces = [data[at:at + size] for at in range(0, len(data), size)]
    same = sum(len({48 if byte in b"0123456789 +-" else byte if byte < 48 else 65 for byte in place}) == 1
               for place in zip(*pieces))
    return len(pieces) >= 3 and same >= 0.9 * size and len(list(groupby(sorted(pieces)))) > 1


def _text(mark: bytes) -> str:
    return mark.decode("latin-1")
