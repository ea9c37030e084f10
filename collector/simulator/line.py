"""Line templates: the text that a stand-in sends, with fields to fill in.

Knows: the fields `{channel}`, `{value:+.4f}`, `{count:04d}` and the texts below; a brace itself is written twice.
Must not know: where values come from, when a line is sent.

A template is text from a file: nothing in it is looked up or run; any other field or format is refused.
"""

import re
from decimal import Decimal

from msgspec import Struct

from collector.settings import text_type, wrong

LABELS = ("serial", "lot", "part", "operator", "master", "kind")
"""What is said of a part or a master; the texts that do not apply are empty."""

_TEXTS = ("channel", *LABELS, "part_temperature", "master_temperature")
_PIECE = re.compile(r"\{\{|\}\}|\{([a-z_]+)(?::([^{}]*))?\}|[{}]")
_FORMATS = {name: re.compile("") for name in _TEXTS} | {
    "value": re.compile(r"\+?(?:0?[1-9][0-9]?)?\.([0-9])f"), "count": re.compile(r"(?:(?:0?[1-9])?d)?")}
_FIELDS = ", ".join(("{value:+.4f}", "{count:04d}", *(f"{{{name}}}" for name in _TEXTS)))
_RIGHT = f"fields are {_FIELDS}; write {{{{ for a brace"
_MOST_TEXT = 64


class Template(Struct, frozen=True):
    """A line cut into plain text and fields (name, format).  `decimals`: those of its value, None without one."""

    pieces: tuple[str | tuple[str, str], ...]
    decimals: int | None = None
    end: bytes = b""                     # the control characters that it ends with

    @property
    def fields(self) -> set[str]:
        """The names of its fields."""
        return {piece[0] for piece in self.pieces if isinstance(piece, tuple)}

    def fill(self, channel: str = "", value: Decimal = Decimal(0), count: int = 0, **texts: str) -> bytes:
        """The line as sent.  `texts`: one for each other field that it has."""
        said = {"channel": channel, "value": value, "count": count, **texts}
        return "".join(piece if isinstance(piece, str) else format(said[piece[0]], piece[1])
                       for piece in self.pieces).encode("ascii")


def template(text: str) -> Template:
    """Text -> Template.  Raises a fault of the settings for an unknown field, a stray brace, text beyond ASCII."""
    if not text or not text.isascii():
        raise wrong(f"{text!r} can't be sent", "write ASCII text, control characters in double quotes as in \"\\r\\n\"")
    pieces: list[str | tuple[str, str]] = []
    decimals, at = set(), 0
    for found in _PIECE.finditer(text):
        pieces.append(text[at:found.start()])
        at = found.end()
        if found[0] in ("{{", "}}"):
            pieces.append(found[0][0])
            continue
        name, form = found[1], found[2] or ""
        shape = _FORMATS[name].fullmatch(form) if name in _FORMATS else None
        if not shape:
            raise wrong(f"{found[0]!r} can't be filled in", _RIGHT)
        if name == "value":
            decimals.add(int(shape[1]))
        pieces.append((name, form))
    if len(decimals) > 1:
        raise wrong("the value has two different numbers of decimals", "a column has one resolution")
    end = re.search(r"[\x00-\x1f\x7f]*\Z", text)[0].encode("ascii")
    return Template(tuple(piece for piece in (*pieces, text[at:]) if piece), *decimals or (None,), end)


def value_line(text: str) -> Template:
    """A template that must have a value."""
    found = template(text)
    if found.decimals is None:
        raise wrong("the line has no value", "add {value:+.4f}")
    return found


def bare_line(text: str) -> Template:
    """A template that must not have a value."""
    found = template(text)
    if found.decimals is not None:
        raise wrong("there is no value to send here", "write a fixed text, as in \"OPEN\\r\\n\"")
    return found


def counted_text(text: str) -> Template:
    """A short text that may hold a number that counts up."""
    found = template(plain_text(text))
    if found.fields - {"count"}:
        raise wrong(f"{text!r} has a field other than the count", "write a text with {count:05d}, or without a field")
    return found


def plain_text(text: str) -> str:
    """A short text that can stand in a line."""
    if not text or not text.isascii() or not text.isprintable() or len(text) > _MOST_TEXT:
        raise wrong(f"{text!r} is not 1 to {_MOST_TEXT} printable ASCII characters", "use letters and digits, as in A1")
    return text


ValueLine = text_type(value_line, "text on the wire with the fields {channel}, {value:+.4f}, {count:04d}, {serial}, …")
BareLine = text_type(bare_line, "text on the wire with the fields {channel}, {count:04d}, {serial}, …")
Counted = text_type(counted_text, "a short text that may have the field {count:05d}")
Plain = text_type(plain_text, "a short text")
