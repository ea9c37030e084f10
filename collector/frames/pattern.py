"""Cut a frame into texts by the user's pattern.

Knows: RE2 (linear time whatever the pattern and the bytes), and what it refuses.
Must not know: what the texts mean, except that the one named `value` must be no part of a longer number.

Runs on bytes, so that `\\d` means 0 to 9 only; without look-around and back-references, which RE2 does not have.
"""

import re
from collections.abc import Callable

import re2

from collector.frames.refused import FormatRefused
from collector.frames.torn import PARTS, build_torn, room
from collector.record import NO_MATCH, Unread, escape

re2.set_fallback_notification(re2.FALLBACK_EXCEPTION)    # never the standard engine, which one bad frame can freeze

Texts = tuple[bytes | str | None, ...]
"""What a frame says, in the order of the format's names; None: the frame left it out.  A pattern gives the bytes of the
wire: most were sent before, and need not be decoded again."""

Cut = Callable[[bytes], list[Texts] | Unread]
Torn = Callable[["re2.Match", bytes, bytes], Unread | None]

_NONE = Unread(NO_MATCH, "the pattern is nowhere in the frame")
_RIGHT = (
    (re.compile(r"\(\?<?[=!]"),
     "look-around is not taken (it can make matching endless): match what stands there instead"),
    (re.compile(r"\(\?P=|\\[1-9]"),
     "back-references are not taken (they can make matching endless): write the text again"),
    (re.compile(r"\(\?<[^=!]"), "groups are written (?P<value>...)"),
    (re.compile(r"\(\?>|[*+?}]\+"), "atomic and possessive parts are not taken: leave the ?> or the second + out"),
    (re.compile(r"\{[0-9,]*[0-9]{4,}"), "a repetition goes up to 1000: write + or *; a frame has an end anyway"),
)


def build_pattern(text: str, encoding: str, repeat: bool, decimal: str) -> tuple[tuple[str, ...], Cut]:
    """The pattern's group names in order, and the cutter.  Raises FormatRefused, key `pattern`."""
    try:
        pattern = re2.compile(_on_bytes(text, encoding))
    except (re2.error, re2.RegexError) as error:
        raise _refused(text, error) from error
    numbers = pattern.groupindex
    names = tuple(sorted(numbers, key=numbers.get))
    written = re.findall(r"\(\?P<(\w+)>", re.sub(r"\\.", "", text))
    if len(written) > len(names):
        twice = next((name for name in written if written.count(name) > 1), written[0])
        raise FormatRefused(f"{twice!r} stands twice", "name each once", "pattern")
    torn = build_torn(text, decimal) if "value" in numbers else lambda *_: None
    return names, _searched(pattern, [numbers[name] for name in names], repeat, torn, any(room(text)))


def _searched(pattern: "re2.Pattern", numbers: list[int], repeat: bool, torn: Torn, swallows: bool) -> Cut:
    search = pattern.search
    named_only = len(numbers) == pattern.groups

    def texts(found: "re2.Match") -> Texts:
        return found.groups() if named_only else tuple([found.group(number) for number in numbers])

    def one(data: bytes) -> list[Texts] | Unread:
        found = search(data)
        if found is None:
            return _NONE
        start, end = found.span()
        if not start and end == len(data) and not swallows:      # nothing beside it that could belong to it
            return [texts(found)]
        if end < len(data):
            other = search(data, end)
            if other is not None:
                return Unread(NO_MATCH, f"two readings where one was expected: {_shown(found)} and {_shown(other)}; "
                                        "anchor the pattern, or say repeat: true")
        return torn(found, data[:start], data[end:]) or [texts(found)]

    def every(data: bytes) -> list[Texts] | Unread:
        matches = list(pattern.finditer(data))
        if not matches:
            return _NONE
        edges = [0, *[edge for found in matches for edge in found.span()], len(data)]
        for at, found in enumerate(matches):
            fault = torn(found, data[edges[2 * at]:edges[2 * at + 1]], data[edges[2 * at + 2]:edges[2 * at + 3]])
            if fault:
                return fault
        return [texts(found) for found in matches]

    return every if repeat else one


def _shown(found: "re2.Match") -> str:
    return repr(escape(found.group()[:40]))


def _on_bytes(text: str, encoding: str) -> bytes:
    """The pattern in the bytes of the wire; a character of several bytes becomes a group,
    so that `µ?` means µ or none."""
    if text.isascii():
        return text.encode()
    classes = [found.span() for found in PARTS.finditer(text) if found[0][0] == "["]
    return b"".join(_bytes_of(char, encoding, any(start < at < end for start, end in classes))
                    for at, char in enumerate(text))


def _bytes_of(char: str, encoding: str, in_class: bool) -> bytes:
    try:
        code = char.encode(encoding)
    except UnicodeError:
        raise FormatRefused(f"{char!r} is not in the port's encoding, {encoding}", "set the port's encoding",
                            "pattern") from None
    if len(code) == 1:
        return code
    if in_class:
        raise FormatRefused(f"{char!r} is several bytes in {encoding}, so it can't stand in [...]",
                            f"write (?:{char}|...) instead of [{char}...]", "pattern")
    return b"(?:" + re.escape(code) + b")"


def _refused(text: str, error: Exception) -> FormatRefused:
    right = next((right for rule, right in _RIGHT if rule.search(text)),
                 "see RE2's syntax; check brackets and backslashes")
    return FormatRefused(f"can't be used: {error}", right, "pattern")
