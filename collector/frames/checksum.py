"""Checksums at the end of a frame.

Knows: XOR, sums, and CRCs by their catalogue names; how a checksum is written (hex digits or bytes) and what it covers.
Must not know: what the rest of the frame says.
"""

import re
from collections.abc import Callable
from functools import reduce
from operator import xor

from crccheck.crc import ALLCRCCLASSES
from msgspec import Struct

from collector.frames.refused import FormatRefused
from collector.record import CHECKSUM, Unread

FORMS = ("hex", "bytes", "bytes-swapped")

_SUMS: dict[str, tuple[Callable[[bytes], int], int]] = {
    "xor": (lambda data: reduce(xor, data, 0), 1),
    "sum8": (lambda data: sum(data) & 0xFF, 1),
    "sum8-complement": (lambda data: -sum(data) & 0xFF, 1),
    "sum16": (lambda data: sum(data) & 0xFFFF, 2),
}


class Checksum(Struct, frozen=True):
    """`kind`: xor, sum8, sum8-complement (two's complement of the sum), sum16, or a CRC's catalogue name.

    It stands behind the text `after`, or in the last places that its form needs.  It covers what lies before `after`
    (or before it), from right behind the first text `from_` where one is given: with `from: "$"` the dollar is not
    covered.  Forms: `hex` digits; `bytes`, most significant first; `bytes-swapped`.
    """

    kind: str
    after: bytes = b""
    from_: bytes = b""
    form: str = "hex"


def build_checksum(spec: Checksum) -> Callable[[bytes], bytes | Unread]:
    """A function: frame -> the frame without its checksum, or Unread.  Raises FormatRefused for an unknown kind."""
    compute, width = _computation(spec.kind)
    places = width * 2 if spec.form == "hex" else width

    def checked(data: bytes) -> bytes | Unread:
        at = data.rfind(spec.after, 0, len(data) - places + len(spec.after)) if spec.after else len(data) - places
        end = at + len(spec.after)
        if at < 0 or len(data) - end != places:
            return Unread(CHECKSUM, "no checksum at the end of the frame")
        found = _value(data[end:], spec.form)
        start = data.find(spec.from_) + len(spec.from_) if spec.from_ else 0
        if found is None or (spec.from_ and spec.from_ not in data[:at]):
            return Unread(CHECKSUM, "the checksum is not written as the format says")
        expected = compute(data[start:at])
        if found != expected:
            return Unread(CHECKSUM, f"the checksum is {found:0{width * 2}X}, the bytes before it give {expected:0{width * 2}X}")
        return data[:at]

    return checked


def _computation(kind: str) -> tuple[Callable[[bytes], int], int]:
    if kind in _SUMS:
        return _SUMS[kind]
    wanted = kind.upper()
    for one in ALLCRCCLASSES:
        if wanted in one._names:
            return one.calc, one().bytewidth()
    raise FormatRefused("checksum.kind", f"checksum {kind!r} is not known",
                        f"write {', '.join(_SUMS)} or a CRC by its catalogue name, as in crc-16/modbus")


def _value(text: bytes, form: str) -> int | None:
    if form == "hex":
        return int(text, 16) if re.fullmatch(rb"[0-9A-Fa-f]+", text) else None
    return int.from_bytes(text, "big" if form == "bytes" else "little")
