"""Tell when a match takes a part of a number for the whole.

Knows: what beside a value would belong to it (digits, a sign, an exponent), and where a pattern may swallow that.
Must not know: RE2, formats, what the number is a size of.

`12.018` out of `12.0185`, or `2.018` out of `-12.018`, is a wrong size that looks right.
"""

import re
from collections.abc import Callable

from collector.record import NUMBER, Unread, escape

_VALUE = "(?P<value>"
PARTS = re.compile(r"\\.|\[\^?\]?(?:\\.|\[:\w+:\]|[^\]\\])*\]", re.DOTALL)
"""What of a pattern is no structure: an escaped character, a class."""
_ANYTHING = r"(?:(?<!\\)\.|\\[SwDW]|\[\^\]?(?:\\.|[^\]\\])*\])(?:[*+]|\{\d*,\d*\})"
_SWALLOWS_BEFORE = re.compile(_ANYTHING + r"[()?:]*\Z")                     # a lazy one too: it may eat a sign
_SWALLOWS_AFTER = re.compile(r"\)[?]?(?:\((?:\?:|\?P<\w+>)?)*" + _ANYTHING)


def build_torn(pattern: str, decimal: str) -> Callable[["re.Match", bytes, bytes], Unread | None]:
    """A match, the bytes before and behind it -> Unread, reason `number`, where its value may be a part of another.

    Digits that the pattern spells out beside the value (`\\d`, `[0-9]`) are meant; what `.*` or `\\w+` ate is not.
    """
    swallows_before, swallows_after = room(pattern)
    swallows = swallows_before or swallows_after
    mark = re.escape(decimal.encode())
    digit_before, sign_before, part_before = (re.compile(rule).search for rule in (
        rb"[0-9]\Z", rb"[+-][ \t]*\Z", rb"[0-9]" + mark + rb"\Z"))
    digit_after, part_after = (re.compile(rule).match for rule in (rb"[0-9]|[eE][+-]?[0-9]", mark + rb"[0-9]"))

    def torn(found: "re.Match", before: bytes, after: bytes) -> Unread | None:
        if not before and not after and not swallows:
            return None
        value = found.group("value")
        if not value or value[-1] not in b"0123456789.,":
            return None
        text, first = found.group(), found.start()
        start, end = found.start("value") - first, found.end("value") - first
        whole, left, right = decimal.encode() not in value, False, False
        if value[0] not in b"+-" and (swallows_before or not text[:start].strip(b" \t")):
            before += text[:start]
            left = digit_before(before) or sign_before(before) or whole and part_before(before)
        if swallows_after or end == len(text):
            after = text[end:] + after
            right = digit_after(after) or whole and part_after(after)
        if not left and not right:
            return None
        context = before[-12:] + value + after[:12]
        return Unread(NUMBER,
                      f"the pattern takes {escape(value)!r} out of {escape(context)!r}, which may be another number; "
                      "write .*? before the value, [+-]? as its first part, and [0-9] where digits beside it are meant")

    return torn


def room(pattern: str) -> tuple[bool, bool]:
    """Whether what the pattern has right before the value, and right behind it, may swallow any character."""
    at = pattern.find(_VALUE)
    if at < 0:
        return False, False
    bare = PARTS.sub(lambda found: "_" * len(found[0]), pattern)           # parentheses that are text are no groups
    depth, end = 0, at
    for end in range(at, len(bare)):
        depth += (bare[end] == "(") - (bare[end] == ")")
        if not depth:
            break
    return bool(_SWALLOWS_BEFORE.search(pattern[:at])), bool(_SWALLOWS_AFTER.match(pattern[end:]))
