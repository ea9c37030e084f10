"""Read a frame by its format: readings as sent, or why there are none.

Knows: the order of the checks (checksum, encoding, over-range, match, number), the groups and what a format must have.
Must not know: ports, clocks, what a unit means, what a reading is compared with.

No bytes make `parse` raise: a frame that can't be read is a value, `Unread`.
"""

from collections import Counter
from decimal import Decimal
from functools import lru_cache

from msgspec import Struct

from collector.frames.checksum import Checksum, build_checksum
from collector.frames.fields import SKIPPED, build_fields, build_positions
from collector.frames.number import MOST_DIGITS, build_number
from collector.frames.pattern import Cut, Texts, build_pattern
from collector.frames.refused import FormatRefused, one_of
from collector.frames.sent_time import SentTimeSpec, build_sent_time
from collector.record import ENCODING, NO_MATCH, Mark, OverRange, Reading, Unread, escape

GROUPS = ("value", "unit", "channel", "status", "time", "serial", "lot", "operator", "part", "master", "kind",
          "part_temperature", "master_temperature")
KINDS = ("measurement", "master", "sweep-start", "sweep-end")
_MARKS = ("sweep-start", "sweep-end")
BLANKS = " \t\r\n\v\f"
_ASCII = bytes(range(1, 128)) + b"\x1b$B00\x1b(B\\u0041"         # with what shifts to other letters, in some


class FormatSpec(Struct, frozen=True, kw_only=True):
    """One format, read in one of three ways: `pattern`; `delimiter` with `fields`; `positions` (from 1, both ends in).

    `unit` is what the frame does not say.  `context_only`: it serves a context port and needs no `value`.
    """

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
    """Reads the frames of one format.  Holds nothing of a frame once it is read.

    `serial_at`: which of a reading's texts is the serial; None: the format has none.
    """

    def __init__(self, spec: FormatSpec, names: tuple[str, ...], cut: Cut):
        at = {name: index for index, name in enumerate(names)}
        self.spec, self._cut = spec, cut
        self._verified = build_checksum(spec.checksum) if spec.checksum else None
        self._number = build_number(spec.decimal, spec.implied_decimals, spec.scale)
        self._sent_time = build_sent_time(spec.time) if spec.time else None
        self._over_range = {text.strip(BLANKS): text for text in spec.over_range}
        self._over_range_frames = {text.encode(spec.encoding): text for text in self._over_range}
        self._value, self._unit, self._time, self._kind = (at.get(name) for name in ("value", "unit", "time", "kind"))
        self.serial_at = at.get("serial")
        self._said = [(index, name.replace("_", "-")) for name, index in at.items()
                      if name not in ("value", "unit", "time", "kind")]

    def parse(self, data: bytes) -> list[Reading | OverRange | Mark] | Unread:
        """What the frame says, in the order it says it; or why nothing in it can be believed."""
        texts = self.texts(data)
        return self.read(texts) if type(texts) is list else texts if isinstance(texts, Unread) else [texts]

    def texts(self, data: bytes) -> list[Texts] | OverRange | Unread:
        """The first half of `parse`: the texts of each reading, or what the frame says as a whole."""
        if self._verified:
            data = self._verified(data)
            if isinstance(data, Unread):
                return data
        if not data.isascii() or b"\0" in data:
            fault = _undecodable(data, self.spec.encoding)
            if fault:
                return fault
        if self._over_range_frames:
            text = self._over_range_frames.get(data.strip())
            if text is not None:
                return OverRange(text, {})
        return self._cut(data)

    def all_texts(self, frames: list[bytes]) -> list[list[Texts] | OverRange | Unread]:
        """The `texts` of each."""
        data = b"".join(frames)
        if self._verified or self._over_range_frames or not data.isascii() or b"\0" in data:
            return [self.texts(frame) for frame in frames]
        return [self._cut(frame) for frame in frames]

    def read(self, texts: list[Texts]) -> list[Reading | OverRange | Mark] | Unread:
        """The second half: what these texts say.  The same texts say the same."""
        found = []
        for each in texts:
            one = self._one(each)
            if isinstance(one, Unread):
                return one
            found.append(one)
        return found

    def text(self, text: bytes | str | None) -> str | None:
        """One of the texts, decoded."""
        return text.decode(self.spec.encoding, "surrogateescape") if type(text) is bytes else text

    def _one(self, cut: Texts) -> Reading | OverRange | Mark | Unread:
        texts, said = [self.text(one) for one in cut], {}
        for at, name in self._said:
            text = texts[at]
            if text and (text.isalnum() or (text := self._shown(text))):
                said[name] = text
        if self._kind is not None and (kind := (texts[self._kind] or "").strip(BLANKS)):
            if kind not in self.spec.kinds:
                return Unread(NO_MATCH,
                              f"kind {self._shown(kind)!r} is not known; known are {', '.join(self.spec.kinds)}")
            said["kind"] = self.spec.kinds[kind]
        sent = None
        if self._time is not None and (time := (texts[self._time] or "").strip(BLANKS)):
            sent = self._sent_time(time)
            if isinstance(sent, Unread):
                return sent
        value = texts[self._value] if self._value is not None else None
        value = value.strip(BLANKS) if value is not None else None
        if value in self._over_range:
            return OverRange(value, said, sent)
        if not value and (self.spec.context_only or said.get("kind") in _MARKS):
            return Mark(said, sent)
        if value is None:
            return Unread(NO_MATCH, "the frame says no value")
        number = self._number(value)
        if isinstance(number, Unread):
            return number
        unit = (texts[self._unit] or "") if self._unit is not None else ""
        if not unit.isalpha():                         # as mm and in are: nothing to strip or to escape
            unit = self._shown(unit)
        return Reading(number, unit or self.spec.unit, said, sent)

    def _shown(self, text: str) -> str:
        text = text.strip(BLANKS)
        if text.isprintable() and "\\" not in text:
            return text
        return escape(text.encode(self.spec.encoding, "surrogateescape"), self.spec.encoding)


def build_parser(spec: FormatSpec) -> Parser:
    """The parser of a format.  Raises FormatRefused: what is wrong, what would be right, and the key it is about."""
    _check_texts(spec)
    _check_numbers(spec)
    names, cut, key = _cutter(spec)
    _check_names(spec, names, key)
    return Parser(spec, names, cut)


def _cutter(spec: FormatSpec) -> tuple[tuple[str, ...], Cut, str]:
    ways = [key for key in ("pattern", "delimiter", "positions") if getattr(spec, key)]
    if len(ways) != 1:
        raise FormatRefused(f"a frame is read in {len(ways)} ways ({', '.join(ways) or 'none given'})",
                            "give one of pattern, delimiter with fields, positions", ways[-1] if ways else "pattern")
    if spec.pattern:
        return *build_pattern(spec.pattern, spec.encoding, spec.repeat, spec.decimal), "pattern"
    if spec.delimiter:
        return *build_fields(spec.delimiter, spec.fields, spec.encoding, spec.repeat), "fields"
    if spec.repeat:
        raise FormatRefused("positions can't repeat", "leave repeat out, or use pattern or delimiter", "repeat")
    return *build_positions(spec.positions, spec.encoding), "positions"


def _check_texts(spec: FormatSpec) -> None:
    _check_encoding(spec.encoding)
    if spec.decimal not in (".", ","):
        raise FormatRefused(f"{spec.decimal!r} is no decimal mark", "write . or ,", "decimal")
    if spec.delimiter == spec.decimal:
        raise FormatRefused(f"the delimiter is the decimal mark, {spec.decimal!r}", "they must differ", "delimiter")
    for key, texts in (("over-range", spec.over_range), ("delimiter", (spec.delimiter,))):
        for text in texts:
            try:
                text.encode(spec.encoding)
            except UnicodeError:
                raise FormatRefused(f"{text!r} is not in the port's encoding, {spec.encoding}",
                                    "set the port's encoding", key) from None


def _check_numbers(spec: FormatSpec) -> None:
    if not 0 <= spec.implied_decimals <= MOST_DIGITS:
        raise FormatRefused(f"{spec.implied_decimals} decimals can't be implied", f"write 0 to {MOST_DIGITS}",
                            "implied-decimals")
    factor = spec.scale
    if factor is None:
        return
    if not factor.is_finite() or not factor:
        raise FormatRefused(f"scale {factor} would leave nothing of a value", "write a factor, as in 0.001", "scale")
    if len(factor.as_tuple().digits) > MOST_DIGITS or abs(factor.adjusted()) > MOST_DIGITS:
        raise FormatRefused(f"scale {factor:.3e} is no factor between sizes",
                            f"write one of up to {MOST_DIGITS} digits, as in 0.001", "scale")


def _check_encoding(encoding: str) -> None:
    if not _keeps_ascii_apart(encoding):
        raise FormatRefused(f"encoding {encoding!r} is not one that a column can send",
                            "write ascii, latin-1, cp1252 or utf-8", "encoding")


@lru_cache
def _keeps_ascii_apart(encoding: str) -> bool:
    """Marks and digits are looked for as bytes: an ASCII byte must be that character,
    never half of another or a shift."""
    try:
        if _ASCII.decode(encoding) != _ASCII.decode() or _ASCII.decode().encode(encoding) != _ASCII:
            return False
        return all(bytes((high, low)).decode(encoding, "ignore").endswith(chr(low))
                   for high in range(128, 256) for low in range(32, 127))
    except (LookupError, ValueError, TypeError):
        return False


def _check_names(spec: FormatSpec, names: tuple[str, ...], key: str) -> None:
    for name in names:
        if name not in GROUPS:
            raise FormatRefused(f"{name!r} is nothing a reading says", one_of(name, GROUPS), key)
    name, times = Counter(names).most_common(1)[0] if names else ("", 0)
    if times > 1:
        raise FormatRefused(f"{name!r} stands twice", f"name each once; {SKIPPED} skips a field", key)
    if not names or "value" not in names and not spec.context_only:
        shown = "(?P<value>…)" if key == "pattern" else "value"
        what = "says nowhere which text is the value" if not spec.context_only else "names no text"
        raise FormatRefused(what, f"name it {shown}", key)
    for group, given, wanted in (("time", spec.time, "time"), ("kind", spec.kinds, "kinds")):
        if group in names and not given:
            raise FormatRefused(f"the group {group!r} needs {wanted}", _WANTED[wanted], key)
        if given and group not in names:
            raise FormatRefused(f"{wanted} is given, but no group {group!r}", f"name the group, or leave {wanted} out",
                                wanted)
    for text, kind in spec.kinds.items():
        if kind not in KINDS:
            raise FormatRefused(f"there is no kind {kind!r}", one_of(kind, KINDS), f"kinds.{text}")


_WANTED = {"time": 'add time: {format: "%Y-%m-%d %H:%M:%S", zone: Europe/Berlin}',
           "kinds": "add kinds: {RING: master, PART: measurement}, with the texts that the column sends"}


def _undecodable(data: bytes, encoding: str) -> Unread | None:
    """Why the bytes are no text; a NUL never is (a broken line reads as one)."""
    at = data.find(b"\0")
    if at < 0:
        try:
            data.decode(encoding)
            return None
        except UnicodeError as error:
            at = getattr(error, "start", 0)
    return Unread(ENCODING, f"byte {data[at]:#04x} at place {at + 1} is no {encoding} text")
