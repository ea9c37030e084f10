"""Find the checksum at the frames' end by trying: the collector's own kinds, on the collector's own terms.

Knows: which kinds are common, where a mark before the sum or a start before the bytes may stand.
Must not know: what the bytes say.

A sum is believed where it holds for three different frames or more, and for nearly all of them.  sum16 is tried before
sum8: its first byte may never change, as a mark does.
"""

import re
from collections.abc import Iterator

from collector.frames.checksum import Checksum, build_checksum

KINDS = ("xor", "sum16", "sum8", "sum8-complement", "crc-8", "crc-8/maxim-dow", "crc-16/modbus", "crc-16/xmodem",
         "crc-16/ibm-3740", "crc-16/kermit", "crc-16/arc", "crc-16/x-25", "crc-32")
_WIDTH = {"sum16": 2, "crc-32": 4}
_SAMPLE = 16
_ALNUM = frozenset(b"0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz")
_UNKNOWN = re.compile(rb"[^0-9A-Za-z.+-]([0-9A-F]{2}|[0-9A-F]{4}|[0-9A-F]{8})\Z")


def find_checksum(frames: list[bytes]) -> Checksum | None:
    """The first checksum that nearly all frames have right, or None."""
    different = list(dict.fromkeys(frames))
    sample = different[:_SAMPLE]
    return next((spec for spec in _candidates(sample) if _holds(spec, sample, 0.7) and _holds(spec, different, 0.6)),
                None)


def _holds(spec: Checksum, frames: list[bytes], share: float) -> bool:
    """Whether so large a part of the frames has it right, and it is not the same in all of them: that would be text."""
    verified = build_checksum(spec)
    right: set[bytes] = set()
    wrong, most = 0, (1 - share) * len(frames)
    for frame in frames:
        rest = verified(frame)
        if isinstance(rest, bytes):
            right.add(frame[len(rest):])
        else:
            wrong += 1
            if wrong > most:
                return False
    return len(right) >= 3


def unknown_checksum(frames: list[bytes]) -> int:
    """How many places at the frames' end look like a checksum in hex that is none of those tried; 0: none do."""
    found = [match[1] for frame in frames if (match := _UNKNOWN.search(frame))]
    if len(found) < 0.8 * len(frames) or len(found) < 4 or len({len(text) for text in found}) > 1:
        return 0
    letters, digits = (sum(bool(re.search(rule, text)) for text in found) for rule in (rb"[A-F]", rb"[0-9]"))
    return len(found[0]) if letters and digits and len(set(found)) >= 0.6 * len(set(frames)) else 0


def _candidates(sample: list[bytes]) -> Iterator[Checksum]:
    starts = {frame[:1] for frame in sample}
    from_ = [start for start in starts if len(starts) == 1 and start and start[0] not in _ALNUM]
    for kind in KINDS:
        size = _WIDTH.get(kind, 2 if kind.startswith("crc-16") else 1)
        for form in ("hex", "bytes", "bytes-swapped") if size > 1 else ("hex", "bytes"):
            places = 2 * size if form == "hex" else size
            if form == "hex" and sum(bool(re.search(rb"[0-9A-Fa-f]{%d}\Z" % places, frame))
                                     for frame in sample) < 0.7 * len(sample):
                continue
            marks = {frame[-places - 1:-places] for frame in sample}
            after = [mark for mark in marks if len(marks) == 1 and mark and mark[0] not in _ALNUM]
            yield from (Checksum(kind, behind, begin, form) for behind in (*after, b"") for begin in (*from_, b""))
