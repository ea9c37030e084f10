"""Verify the checksum at a frame's end and cut it off.

Knows: xor, sums, and the CRCs of the public catalogue by name; how a sum is written.
Must not know: what the bytes say.

The sum is taken over what stands before `after`, itself left out, and begins right behind the first `from_`: so
`from: "$"` and `after: "*"` cover exactly what lies between the two.
"""

from collections.abc import Callable
from functools import reduce
from operator import xor

from crccheck.crc import ALLCRCCLASSES
from msgspec import Struct

from collector.frames.refused import FormatRefused, one_of
from collector.record import CHECKSUM, Unread, escape

_SUMS: dict[str, tuple[int, Callable[[bytes], int]]] = {       # kind -> bits, the sum over the bytes
    "xor": (8, lambda data: reduce(xor, data, 0)),
    "sum8": (8, lambda data: sum(data) % 256),
    "sum8-complement": (8, lambda data: -sum(data) % 256),     # two's complement: with it the sum comes to 0, mod 256
    "sum16": (16, lambda data: sum(data) % 65536),
}
_CRCS = {name.lower(): one for one in ALLCRCCLASSES for name in one._names}


class Checksum(Struct, frozen=True):
    """Which sum, behind which text it stands, from behind which text it is taken, how it is written.

    `form`: `hex` (two digits a byte, either case), `bytes` (most significant first), `bytes-swapped` (least first).
    """

    kind: str
    after: bytes = b""
    from_: bytes = b""
    form: str = "hex"


def build_checksum(spec: Checksum) -> Callable[[bytes], bytes | Unread]:
    """A frame -> the frame without its checksum and `after`; or Unread, reason `checksum`.  Raises FormatRefused."""
    bits, total = _sum(spec.kind)
    size = (bits + 7) // 8
    write = _writer(spec.form, size)
    places = 2 * size if spec.form == "hex" else size

    def verified(data: bytes) -> bytes | Unread:
        end = len(data) - places - len(spec.after)
        if end < 0 or not data.startswith(spec.after, end):
            return Unread(CHECKSUM, f"no {spec.kind} of {places} places{_behind(spec.after)} at the frame's end")
        start = data.find(spec.from_, 0, end)
        if start < 0:
            return Unread(CHECKSUM, f"no {escape(spec.from_)!r} before the {spec.kind}: nothing says where it begins")
        sent = data[len(data) - places:]
        wanted = write(total(data[start + len(spec.from_):end]))
        if (sent.upper() if spec.form == "hex" else sent) != wanted:
            return Unread(CHECKSUM, f"{spec.kind} is {_told(sent, spec.form)} in the frame, {_told(wanted, spec.form)} "
                                    "over its bytes")
        return data[:end]

    return verified


def _sum(kind: str) -> tuple[int, Callable[[bytes], int]]:
    if kind in _SUMS:
        return _SUMS[kind]
    crc = _CRCS.get(kind.lower())
    if crc is None:
        raise FormatRefused(f"checksum {kind!r} is not known",
                            f"write {', '.join(_SUMS)} or a CRC by its catalogue name, as in crc-16/modbus",
                            "checksum.kind")
    return crc.width(), crc.calc


def _writer(form: str, size: int) -> Callable[[int], bytes]:
    writers: dict[str, Callable[[int], bytes]] = {
        "hex": lambda value: b"%0*X" % (2 * size, value),
        "bytes": lambda value: value.to_bytes(size, "big"),
        "bytes-swapped": lambda value: value.to_bytes(size, "little"),
    }
    if form not in writers:
        raise FormatRefused(f"there is no checksum form {form!r}", one_of(form, writers), "checksum.form")
    return writers[form]


def _behind(after: bytes) -> str:
    return f" behind {escape(after)!r}" if after else ""


def _told(places: bytes, form: str) -> str:
    return escape(places) if form == "hex" else places.hex(" ")
