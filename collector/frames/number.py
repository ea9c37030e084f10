"""Numbers as columns send them, digit for digit.

Knows: sign, blanks behind it, decimal point or comma, implied decimals, scale.  ASCII digits only; no exponent, no
underscore, no infinity.
Must not know: units.
"""

import re
from collections.abc import Callable
from decimal import Context, Decimal

from collector.record import NUMBER, Unread, escape

MOST_DIGITS = 18
_EXACT = Context(prec=60)


def build_number(decimal: str, implied_decimals: int, scale: Decimal | None) -> Callable[[bytes], Decimal | Unread]:
    """A function: the text of a value -> its exact number, or Unread."""
    mark = re.escape(decimal.encode())
    body = rb"[0-9]+" if implied_decimals else rb"[0-9]+(?:" + mark + rb"[0-9]*)?|" + mark + rb"[0-9]+"
    shape = re.compile(rb"([+-]?) *(" + body + rb")")
    comma = decimal == ","

    def read(text: bytes) -> Decimal | Unread:
        found = shape.fullmatch(text)
        if not found or len(found[2]) > MOST_DIGITS + 1:
            return Unread(NUMBER, _why(text, decimal, implied_decimals))
        digits = found[2].replace(b",", b".") if comma else found[2]
        value = Decimal((found[1] + digits).decode("ascii"))
        if implied_decimals:
            value = value.scaleb(-implied_decimals, _EXACT)
        return value if scale is None else _EXACT.multiply(value, scale)

    return read


def _why(text: bytes, decimal: str, implied_decimals: int) -> str:
    if not text.strip():
        return "there is no value"
    shown = escape(text[:40])
    if implied_decimals:
        return f"{shown!r} is not whole digits with {implied_decimals} implied decimals"
    return f"{shown!r} is not a plain number with {decimal!r} and at most {MOST_DIGITS} digits"
