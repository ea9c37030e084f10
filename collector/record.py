"""What passes from stage to stage, and the record that leaves the house.

Knows: the shapes of chunk, frame, reading, unread and record; how a record is written as JSON; how bytes from the
wire are written as text.
Must not know: ports, clocks, units, configuration, where records go.
"""

import re
from decimal import Decimal
from typing import Any

import msgspec
from msgspec import Raw, Struct

# --- the reasons a frame is unread: a closed list, part of the contract

NO_MATCH = "no-match"
NUMBER = "number"
UNIT = "unit"
CHANNEL = "channel"
CHECKSUM = "checksum"
ENCODING = "encoding"
LINE_ERROR = "line-error"
TOO_LONG = "too-long"
CUT = "cut"
INTERNAL = "internal"
REASONS = (NO_MATCH, NUMBER, UNIT, CHANNEL, CHECKSUM, ENCODING, LINE_ERROR, TOO_LONG, CUT, INTERNAL)

# --- the stages' data


class Chunk(Struct, frozen=True, gc=False):
    """What one read brought from a port, stamped when it arrived (wall and steady clock, ns)."""

    port: str
    data: bytes
    wall_ns: int
    steady_ns: int


class Frame(Struct, frozen=True, gc=False):
    """The bytes between two frame boundaries, stamped with the chunk that completed them.

    `fault` is a reason from the closed list where the framer already knows that the frame can't be read;
    `discarded` counts bytes of an over-long frame that were not kept.
    """

    data: bytes
    wall_ns: int
    fault: str = ""
    discarded: int = 0


class SentTime(Struct, frozen=True, gc=False):
    """A clock in the frame: local time as sent, its zone, UTC where there is exactly one, else the flag why not."""

    local: str
    zone: str
    utc: str = ""
    flag: str = ""


class Reading(Struct, frozen=True):
    """One value out of a frame, as sent: exact decimal, unit text (`""` where neither frame nor format says).

    `said` holds the other groups of the format that the frame filled: `channel`, `status`, `serial`, `lot`,
    `operator`, `part`, `master`, `kind` (already mapped by the format's `kinds`).
    """

    value: Decimal
    unit: str
    said: dict[str, str]
    sent: SentTime | None = None


class OverRange(Struct, frozen=True):
    """The column says: no part, or out of span.  `text` is what it sent for that."""

    text: str
    said: dict[str, str]
    sent: SentTime | None = None


class Mark(Struct, frozen=True):
    """A frame without a value that says something all the same: a sweep begins or ends, a scanner read a label."""

    said: dict[str, str]
    sent: SentTime | None = None


class Unread(Struct, frozen=True):
    """A frame that no rule can read: a value, not an error.  `why` is for a person."""

    reason: str
    why: str


# --- the record

NONE = Raw(b"")


class Record(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One line of the output contract; field names, order and meanings are fixed.  Absent fields are left out.

    Numbers and `detail` are JSON text already (`number`, `detail`), so that no digit is ever touched again.
    """

    seq: int
    id: str
    time: str
    kind: str
    site: str = ""
    port: str = ""
    channel: str = ""
    part: str = ""
    characteristic: str = ""
    serial: str = ""
    lot: str = ""
    operator: str = ""
    value: Raw = NONE
    unit: str = ""
    deviation: Raw = NONE
    nominal: Raw = NONE
    lower: Raw = NONE
    upper: Raw = NONE
    verdict: str = ""
    side: str = ""
    class_: str = msgspec.field(name="class", default="")
    flags: tuple[str, ...] = ()
    raw: str = ""
    detail: Raw = NONE


KINDS = ("measurement", "sweep", "derived", "part", "master", "suspect", "reading", "unread", "over-range", "event")
"""Every kind of record.  `reading`: one of those that a measurement or a sweep was made of, where they are kept."""

FIELDS: tuple[str, ...] = tuple(field.encode_name for field in msgspec.structs.fields(Record))
"""The record's fields in contract order: the columns of a CSV output."""

encode = msgspec.json.Encoder().encode
"""Record -> its JSON object as UTF-8 bytes, without a line end."""

decode = msgspec.json.Decoder(Record).decode
"""The JSON object of a record -> Record; numbers and `detail` stay as their text."""


def digits(value: Decimal) -> str:
    """The value's plain decimal digits: no exponent, no rounding, no negative zero."""
    text = str(value)
    if "E" in text:
        text = format(value, "f")
    if text[0] == "-" and not value:
        text = text[1:]
    return text


def number(value: Decimal) -> Raw:
    """The value's plain decimal digits as JSON."""
    return Raw(digits(value).encode())


def detail(fields: dict[str, Any]) -> Raw:
    """A `detail` object as JSON text; decimals in it become plain digits.  Empty: no detail."""
    if not fields:
        return NONE
    return Raw(msgspec.json.encode({key: number(v) if type(v) is Decimal else v for key, v in fields.items()}))


# --- bytes from the wire as text

_PLAIN = bytes(set(range(0x20, 0x7F)) - {0x5C})
_ESCAPED = re.compile(r"\\(\\|x[0-9a-fA-F]{2})")


def escape(data: bytes, encoding: str = "ascii") -> str:
    """Bytes as the record's `raw`: printable text as it is, a backslash as `\\\\`, everything else as `\\xNN`."""
    if not data.translate(None, _PLAIN):
        return data.decode("ascii")
    text = data.decode(encoding, "surrogateescape")
    return "".join(_shown(char, encoding) for char in text)


def _shown(char: str, encoding: str) -> str:
    if char == "\\":
        return "\\\\"
    if char.isprintable():
        return char
    return "".join(f"\\x{byte:02x}" for byte in char.encode(encoding, "surrogateescape"))


def unescape(text: str, encoding: str = "ascii") -> bytes:
    """The bytes that `escape` wrote as this text.  Raises ValueError for a backslash that starts no escape."""
    out, at = [], 0
    for found in _ESCAPED.finditer(text):
        out.append(_unescaped_run(text[at:found.start()], encoding))
        out.append(b"\\" if found[1] == "\\" else bytes([int(found[1][1:], 16)]))
        at = found.end()
    out.append(_unescaped_run(text[at:], encoding))
    return b"".join(out)


def _unescaped_run(text: str, encoding: str) -> bytes:
    if "\\" in text:
        raise ValueError(f"a backslash that starts no escape in {text!r}; write \\\\ for a backslash, \\xNN for a byte")
    return text.encode(encoding, "surrogateescape")
