"""Read a value's text as an exact decimal, strictly.

Knows: ASCII digits, one sign, one decimal mark, decimals that the column leaves out, a factor.
Must not know: frames, units, what the number is a size of.

Nothing is guessed: no exponent, no grouping, no other script's digits, no not-a-number.  Digits stay as sent.
"""

import re
from collections.abc import Callable
from decimal import Context, Decimal, Inexact, InvalidOperation

from collector.record import NUMBER, Unread, escape

MOST_DIGITS = 18
_EXACT = Context(prec=200, traps=[Inexact])
_MARKED = {mark: re.compile(rf"([+-]?)[ \t]*([0-9]*)(?:{re.escape(mark)}([0-9]*))?", re.ASCII) for mark in ".,"}
_WHOLE = re.compile(r"([+-]?)[ \t]*([0-9]+)", re.ASCII)


def build_number(decimal: str = ".", implied_decimals: int = 0,
                 scale: Decimal | None = None) -> Callable[[str], Decimal | Unread]:
    """A reader of value texts (blanks around them stripped) -> the exact decimal, or Unread with reason `number`."""

    def as_written(text: str) -> Decimal | Unread:
        if is_plain and len(text) <= MOST_DIGITS and not text.strip("+-.0123456789"):
            try:
                return Decimal(text)                   # of such characters it takes what the rule takes
            except InvalidOperation:
                return _unread(text, decimal)
        found = match(text)
        if not found:
            return _unread(text, decimal)
        sign, whole, part = found.groups("")
        if not 0 < len(whole) + len(part) <= MOST_DIGITS:
            return _unread(text, decimal)
        return Decimal(f"{sign}{whole}.{part}")

    def with_implied(text: str) -> Decimal | Unread:
        found = whole_match(text)
        if not found or len(found[2]) > MOST_DIGITS:
            return _unread(text, "")
        return Decimal(f"{found[1]}{found[2]}E-{implied_decimals}")

    def scaled(text: str) -> Decimal | Unread:
        value = read(text)
        return value if isinstance(value, Unread) else _EXACT.multiply(value, scale)

    is_plain = decimal == "."
    match, whole_match = _MARKED[decimal].fullmatch, _WHOLE.fullmatch
    read = with_implied if implied_decimals else as_written
    return read if scale is None else scaled


def _unread(text: str, mark: str) -> Unread:
    shown = escape(text[:40].encode("utf-8", "surrogateescape"), "utf-8")
    if len(re.findall("[0-9]", text)) > MOST_DIGITS:
        return Unread(NUMBER, f"{shown!r} has more than {MOST_DIGITS} digits")
    rule = f"a sign, digits and at most one {mark!r}" if mark else "a sign and digits without a decimal mark"
    return Unread(NUMBER, f"{shown!r} is not a number of {rule}")
