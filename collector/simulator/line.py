"""Line templates: the text that a stand-in column sends, with fields to fill in.

Knows: the fields `{channel}`, `{value:+.4f}` and `{count:04d}`; a brace itself is written twice.
Must not know: where values come from, when a line is sent.

A template is text from a file: nothing in it is looked up or run; any other field or format is refused.
"""

import re
from decimal import Decimal

from msgspec import Struct

from collector.settings import text_type, wrong

_PIECE = re.compile(r"\{\{|\}\}|\{([a-z]+)(?::([^{}]*))?\}|[{}]")
_FORMATS = {"channel": re.compile(""), "value": re.compile(r"\+?(?:0?[1-9][0-9]?)?\.([0-9])f"),
            "count": re.compile(r"(?:(?:0?[1-9])?d)?")}
_RIGHT = "fields are {channel}, {value:+.4f} and {count:04d}; write {{ for a brace"


class Template(Struct, frozen=True):
    """A line cut into plain text and fields (name, format).  `decimals`: those of its value, None without one."""

    pieces: tuple[str | tuple[str, str], ...]
    decimals: int | None = None
    end: bytes = b""                     # the control characters that it ends with

    def names(self, field: str) -> bool:
        """Whether the line has this field."""
        return any(piece[0] == field for piece in self.pieces if isinstance(piece, tuple))

    def fill(self, channel: str = "", value: Decimal = Decimal(0), count: int = 0) -> bytes:
        """The line as sent."""
        said = {"channel": channel, "value": value, "count": count}
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
        raise wrong("there is no value to send between parts", "write a fixed text, as in \"OPEN\\r\\n\"")
    return found


ValueLine = text_type(value_line, "text on the wire with the fields {channel}, {value:+.4f}, {count:04d}")
BareLine = text_type(bare_line, "text on the wire with the fields {channel}, {count:04d}")
