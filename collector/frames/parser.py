"""Read a frame by a format of the configuration: its readings as sent.

Knows: patterns, delimited fields, fixed positions; over-range texts; what the groups are called.  The envelope
(checksum, encoding) is checked before the letter is read.
Must not know: units' meaning, ports, clocks, limits.
"""

import difflib
from collections.abc import Callable
from decimal import Decimal

from msgspec import Struct

from collector.frames.checksum import Checksum, build_checksum
from collector.frames.number import build_number
from collector.frames.pattern import build_pattern
from collector.frames.refused import FormatRefused
from collector.frames.sent_time import SentTimeSpec, build_sent_time
from collector.record import ENCODING, NO_MATCH, Mark, OverRange, Reading, SentTime, Unread, escape

GROUPS = ("value", "unit", "channel", "status", "time", "serial", "lot", "operator", "part", "master", "kind")
MARKS = ("sweep-start", "sweep-end")

Found = Reading | OverRange | Mark
Groups = dict[str, bytes]
Split = Callable[[bytes], "list[Groups] | Unread"]


class FormatSpec(Struct, frozen=True, kw_only=True):
    """A format as configured: one of `pattern`, `delimiter` with `fields`, `positions` (from 1, both ends included)."""

    name: str
    pattern: str = ""
    delimiter: str = ""
    fields: tuple[str, ...] = ()
    positions: dict[str, tuple[int, int]] = {}
    repeat: bool = False
    unit: str = ""
    decimal: str = "."
    implied_decimals: int = 0
    scale: Decimal | None = None
    over_range: tuple[str, ...] = ()
    checksum: Checksum | None = None
    kinds: dict[str, str] = {}
    time: SentTimeSpec | None = None
    encoding: str = "ascii"
    context_only: bool = False


class Parser:
    """Reads frames by one format; the same frame always gives the same."""

    def __init__(self, spec: FormatSpec):
        self.spec = spec
        self._split = _split_by(spec)
        self._checked = build_checksum(spec.checksum) if spec.checksum else None
        self._number = build_number(spec.decimal, spec.implied_decimals, spec.scale)
        self._time = build_sent_time(spec.time) if spec.time else None
        self._over_range = frozenset(text.strip().encode(spec.encoding) for text in spec.over_range)
        self._is_ascii = spec.encoding == "ascii"

    def parse(self, data: bytes) -> list[Found] | Unread:
        """What the frame says: at least one reading, over-range or mark; or Unread with its reason.  Never raises."""
        if self._checked:
            inner = self._checked(data)
            if isinstance(inner, Unread):
                return inner
            data = inner
        if b"\0" in data or not (data.isascii() or self._decodes(data)):
            return Unread(ENCODING, f"holds bytes that are no {self.spec.encoding} text; are speed and parity right?")
        if self._over_range and data.strip() in self._over_range:
            return [OverRange(self._text(data), {})]
        groups = self._split(data)
        if isinstance(groups, Unread):
            return groups
        found = []
        for one in groups:
            read = self._read(one)
            if isinstance(read, Unread):
                return read
            found.append(read)
        return found

    def _read(self, groups: Groups) -> Found | Unread:
        said = self._said(groups)
        if isinstance(said, Unread):
            return said
        sent = self._sent(groups.get("time", b""))
        if isinstance(sent, Unread):
            return sent
        text = groups.get("value", b"").strip()
        if not text and (said.get("kind") in MARKS or self.spec.context_only):
            return Mark(said, sent)
        if text in self._over_range:
            return OverRange(self._text(text), said, sent)
        value = self._number(text)
        if isinstance(value, Unread):
            return value
        unit = groups.get("unit", b"").strip()
        return Reading(value, self._text(unit) if unit else self.spec.unit, said, sent)

    def _said(self, groups: Groups) -> dict[str, str] | Unread:
        said = {}
        for name, text in groups.items():
            if name in ("value", "unit", "time"):
                continue
            text = text.strip()
            if text:
                said[name] = self._text(text)
        if "kind" in said:
            kind = self.spec.kinds.get(said["kind"])
            if kind is None:
                return Unread(NO_MATCH, f"kind {said['kind']!r} is not known; kinds are {', '.join(self.spec.kinds)}")
            said["kind"] = kind
        return said

    def _sent(self, text: bytes) -> SentTime | Unread | None:
        if self._time is None or not text.strip():
            return None
        shown = self._text(text.strip())
        return self._time(shown) or Unread(NO_MATCH, f"time {shown!r} is not as {self.spec.time.format!r} says")

    def _decodes(self, data: bytes) -> bool:
        if self._is_ascii:
            return False
        try:
            data.decode(self.spec.encoding)
        except UnicodeDecodeError:
            return False
        return True

    def _text(self, data: bytes) -> str:
        return escape(data, self.spec.encoding)


def build_parser(spec: FormatSpec) -> Parser:
    """The parser of a format.  Raises FormatRefused, naming the key, for one that can't be used."""
    return Parser(spec)


def _split_by(spec: FormatSpec) -> Split:
    if spec.pattern:
        return _by_pattern(spec)
    if spec.delimiter:
        return _by_fields(spec)
    return _by_positions(spec)


def _by_pattern(spec: FormatSpec) -> Split:
    pattern = build_pattern(spec.pattern, spec.encoding)
    names = list(pattern.groupindex)
    _check_names(spec, "pattern", names)
    alone = spec.pattern.endswith("$") and not spec.pattern.endswith(r"\$")

    def groups(match: object) -> Groups:
        return {name: text for name, text in match.groupdict().items() if text is not None}

    def every(data: bytes) -> list[Groups] | Unread:
        found = [groups(match) for match in pattern.finditer(data)]
        return found or Unread(NO_MATCH, "the pattern is nowhere in the frame")

    def one(data: bytes) -> list[Groups] | Unread:
        match = pattern.search(data)
        if match is None:
            return Unread(NO_MATCH, "the pattern is nowhere in the frame")
        if not alone and pattern.search(data, max(match.end(), match.start() + 1)):
            return Unread(NO_MATCH, "two readings in a frame where one is expected; set repeat, or anchor the pattern")
        return [groups(match)]

    return every if spec.repeat else one


def _by_fields(spec: FormatSpec) -> Split:
    named = [name for name in spec.fields if name != "-"]
    _check_names(spec, "fields", named)
    delimiter, width = spec.delimiter.encode(spec.encoding), len(spec.fields)

    def split(data: bytes) -> list[Groups] | Unread:
        texts = data.split(delimiter)
        count = len(texts)
        if count != width and not (spec.repeat and count % width == 0):
            return Unread(NO_MATCH, f"{count} fields where {width} are expected")
        return [{name: text for name, text in zip(spec.fields, texts[at:at + width]) if name != "-"}
                for at in range(0, count, width)]

    return split


def _by_positions(spec: FormatSpec) -> Split:
    _check_names(spec, "positions", list(spec.positions))
    if spec.repeat:
        raise FormatRefused("repeat", "positions stand for one reading a frame", "leave repeat out, or use a pattern")
    spans = {name: slice(first - 1, last) for name, (first, last) in spec.positions.items()}
    least = spans["value"].start + 1 if "value" in spans else 1

    def split(data: bytes) -> list[Groups] | Unread:
        text = data.decode(spec.encoding)              # positions are characters; it was seen to decode
        if len(text) < least:
            return Unread(NO_MATCH, f"{len(text)} characters; the value begins at {least}")
        return [{name: text[span].encode(spec.encoding) for name, span in spans.items()}]

    return split


def _check_names(spec: FormatSpec, key: str, names: list[str]) -> None:
    for name in names:
        if name not in GROUPS:
            close = difflib.get_close_matches(name, GROUPS, n=1)
            right = f"did you mean {close[0]!r}?" if close else f"known are {', '.join(GROUPS)}"
            raise FormatRefused(key, f"{name!r} is nothing a reading says", right)
        if names.count(name) > 1:
            raise FormatRefused(key, f"{name!r} stands twice", "name each once")
    if "value" not in names and not spec.context_only:
        written = "(?P<value>…)" if key == "pattern" else "value"
        raise FormatRefused(key, "says nowhere which text is the value", f"name it {written}")
    if "kind" in names and not spec.kinds:
        raise FormatRefused(key, "takes a kind from the frame, but kinds does not say what it means", "add kinds: {TEXT: master}")
    if "time" in names and spec.time is None:
        raise FormatRefused(key, "takes a time from the frame, but time does not say how it is written",
                            "add time: {format: '%Y-%m-%d %H:%M:%S', zone: Europe/Berlin}")
