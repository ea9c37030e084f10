"""The configuration as pydantic models: one class a section, every value checked where it stands.

Knows: the keys of the contract and what each may hold.
Must not know: what lies in other sections (plan), how anything is run.
"""

import re
from typing import Annotated, Any, Literal

from msgspec import Struct
from pydantic import BeforeValidator, Field, ValidationInfo, field_validator, model_validator

from collector.config.part_models import Characteristic
from collector.config.quantities import Number
from collector.journal import RESERVE_BYTES
from collector.measuring.context import FIELDS
from collector.settings import Duration, Name, Settings, Size, YesNo, count, text_type, wrong

Unit_ = Literal["mm", "um", "in", "uin", "thou"]

class Character(Struct, frozen=True):
    """Bits, parity and stop bits of a character on the line."""

    bits: int
    parity: str
    stop: str

    def __str__(self) -> str:
        return f"{self.bits}{self.parity}{self.stop}"


def character(text: str) -> Character:
    """`8N1`, `7E1`, `8O2`, `5N1.5` -> Character."""
    found = re.fullmatch(r"([5-8])([NEOMSneoms])(1|1\.5|2)", text)
    if not found:
        raise wrong(f"{text!r} is no character format", "write data bits, parity and stop bits, as in 8N1 or 7E1")
    return Character(int(found[1]), found[2].upper(), found[3])


def byte_count(text: str) -> int:
    """`1024`, `1024 bytes`."""
    found = re.fullmatch(r"([0-9]{1,7})(?: bytes?)?", text)
    if not found or not 1 <= int(found[1]) <= 1_000_000:
        raise wrong(f"{text!r} is not a number of bytes from 1 to 1000000")
    return int(found[1])


def device(text: str) -> str:
    """A local path (`./` and `../` from the configuration's folder), `COM4`, `socket://…`, `rfc2217://host:port`."""
    right = "write a path such as /dev/serial/by-id/…, COM4, socket://host:port or rfc2217://host:port"
    scheme, mark, rest = text.partition("://")
    if mark:
        found = re.fullmatch(r"(?:\[[0-9a-fA-F:.]+\]|[A-Za-z0-9._-]+):([0-9]{1,5})(?:[/?].*)?", rest)
        if scheme not in ("socket", "rfc2217") or not found or not 0 < int(found[1]) < 65536:
            raise wrong(f"{text!r} is no serial line over TCP", right)
    elif not re.fullmatch(r"\.{0,2}/.+|COM[0-9]{1,3}", text) or "\0" in text:
        raise wrong(f"{text!r} is no serial device", right)
    return text


def wire_text(text: str) -> str:
    """Text that stands on the wire; not empty."""
    if not text:
        raise wrong("is empty", 'write control characters in double quotes, as in "\\r\\n"')
    return text


CharacterText = text_type(character, "bits, parity, stop bits: 8N1, 7E1", r"^[5-8][NEOMS](1|1\.5|2)$")
Bytes = text_type(byte_count, "a number of bytes: 1024", also="integer")
Device = text_type(device, "path, COM4, socket://host:port, rfc2217://host:port")
Wire = text_type(wire_text, "text on the wire")
Said = text_type(str, "text as the frame says it", also="number")


class Request(Settings):
    """For a column that answers only when asked."""

    send: Wire
    every: Duration
    timeout: Duration | None = None

    @property
    def timeout_ms(self) -> int:
        """How long an answer may take: until the next request where nothing is said, a second at most."""
        return self.timeout or min(self.every, 1000)

    @model_validator(mode="after")
    def _answer_before_the_next(self) -> "Request":
        if self.timeout is not None and not 0 < self.timeout <= self.every:
            raise wrong("timeout is zero, or longer than every",
                        "an answer is waited for until the next request at most")
        return self

    @field_validator("every")
    @classmethod
    def _not_zero(cls, value: int) -> int:
        if value < 10:
            raise wrong("a column can't be asked more often than every 10 ms")
        return value


class Port(Settings):
    """`ports.NAME`: one serial connection, how its bytes become frames, and the format that reads them."""

    device: Device
    format: str
    baud: count(50, 4_000_000) = 9600
    character: CharacterText = Field(default_factory=lambda: Character(8, "N", "1"),
                                     json_schema_extra={"default": "8N1"})
    flow: Literal["none", "rts-cts", "xon-xoff", "dsr-dtr"] = "none"
    parity_check: Literal["adapter", "collector"] = "adapter"
    dtr: YesNo | None = None
    rts: YesNo | None = None
    end: Wire | None = None
    start: Wire | None = None
    length: Bytes | None = None
    gap: Duration | None = None
    longest: Bytes = 1024
    encoding: str = "ascii"
    request: Request | None = None
    silent: Duration | None = None

    @field_validator("encoding")
    @classmethod
    def _known_encoding(cls, value: str) -> str:
        try:
            if "0".encode(value) == b"0":
                return value
        except (LookupError, UnicodeError):
            pass
        raise wrong(f"encoding {value!r} is not one that a column can send", "write ascii, latin-1, cp1252 or utf-8")

    @model_validator(mode="after")
    def _on_the_wire(self) -> "Port":
        marks = {"end": self.end, "start": self.start, "request.send": self.request.send if self.request else None}
        for key, text in marks.items():
            try:
                (text or "").encode(self.encoding)
            except UnicodeError:
                raise wrong(f"{key} {text!r} is no text in {self.encoding}",
                            "give the port an encoding that has it, as latin-1") from None
        return self

    @model_validator(mode="after")
    def _one_framing(self) -> "Port":
        ways = [key for key in ("end", "length", "gap") if getattr(self, key) is not None]
        if len(ways) > 1:
            raise wrong(f"frames are bounded in two ways at once ({' and '.join(ways)})",
                        "keep one of end, length, gap")
        if self.start is not None and self.end is None:
            raise wrong("start needs end", "add the mark that ends a frame, as in end: \"\\x03\"")
        if self.length is not None and self.length > self.longest:
            raise wrong(f"length {self.length} is above longest ({self.longest})", "raise longest")
        if self.parity_check == "collector" and (self.character.bits != 7 or self.character.parity == "N"):
            raise wrong(f"parity-check: collector is for seven bits with parity, not for {self.character}",
                        "write character: 7E1, or leave it out")
        if self.gap == 0:
            raise wrong("gap is zero", "write the quiet time between two frames, as in 20 ms")
        return self


class Checksum(Settings):
    """`formats.NAME.checksum`."""

    kind: str
    after: Wire | None = None
    from_: Wire | None = None
    form: Literal["hex", "bytes", "bytes-swapped"] = "hex"

    @field_validator("after", "from_")
    @classmethod
    def _is_bytes(cls, value: str) -> str:
        if any(ord(char) > 0xFF for char in value):
            raise wrong(f"{value!r} can't be bytes on the wire", "write characters up to \"\\xff\"")
        return value


class FrameTime(Settings):
    """`formats.NAME.time`: a clock in the frame."""

    format: str
    zone: str


class Example(Settings):
    """A captured frame, and the readings or the reason expected of it."""

    frame: str
    readings: list[dict[str, Said]] | None = None
    unread: str | None = None
    over_range: YesNo | None = None

    @model_validator(mode="after")
    def _one_outcome(self) -> "Example":
        if (self.readings is not None) + (self.unread is not None) + bool(self.over_range) != 1:
            raise wrong("an example needs one outcome", "give readings, or unread with its reason, or over-range: true")
        return self


def _span(text: str) -> tuple[int, int]:
    found = re.fullmatch(r"([0-9]{1,4})(?:-([0-9]{1,4}))?", text)
    first, last = (int(found[1]), int(found[2] or found[1])) if found else (0, 0)
    if not 1 <= first <= last:
        raise wrong(f"{text!r} is no span of characters", "count from 1, both ends included, as in 4-11")
    return first, last


Span = text_type(_span, "character positions from 1, both ends included: 4-11", also="integer")


class Format(Settings):
    """`formats.NAME`: how a frame becomes readings."""

    pattern: Wire | None = None
    delimiter: Wire | None = None
    fields: list[str] | None = None
    positions: dict[str, Span] | None = None
    repeat: YesNo = False
    unit: Unit_ | None = None
    reads: Literal["size", "deviation"] = "size"
    decimal: Literal[".", ","] = "."
    implied_decimals: count(0, 9) = 0
    scale: Number | None = None
    over_range: list[Wire] = []
    checksum: Checksum | None = None
    kinds: dict[str, Literal["measurement", "master", "sweep-start", "sweep-end"]] = {}
    time: FrameTime | None = None
    examples: list[Example] = []

    @model_validator(mode="after")
    def _one_way(self) -> "Format":
        ways = [key for key in ("pattern", "delimiter", "positions") if getattr(self, key) is not None]
        if not ways:
            raise wrong("says no way to read a frame", "give pattern, or delimiter and fields, or positions")
        if len(ways) > 1 or (self.fields is not None and self.delimiter is None):
            named = [*ways, "fields"] if self.fields is not None and self.delimiter is None else ways
            raise wrong(f"a frame is read in two ways at once ({' and '.join(named)})",
                        "keep one of pattern, delimiter with fields, positions")
        if self.delimiter is not None and not self.fields:
            raise wrong("delimiter needs fields",
                        "name each field in order, - for one to skip, as in fields: [channel, value]")
        return self


def context_field(text: Any) -> Any:
    """One of the fields that a context may set."""
    if isinstance(text, str) and text not in FIELDS:
        raise wrong(f"{text!r} is nothing that a context sets", f"write some of {', '.join(FIELDS)}")
    return text


class Context(Settings):
    """`context.NAME`: where part, lot, serial, operator and master come from when the frame does not say."""

    port: str | None = None
    folder: str | None = None
    sets: list[Annotated[Literal[FIELDS], BeforeValidator(context_field)]] | None = None
    applies_to: list[str] | None = None
    until: Literal["replaced", "used"] = "replaced"

    @model_validator(mode="after")
    def _one_source(self) -> "Context":
        if (self.port is None) == (self.folder is None):
            raise wrong("context comes from nowhere" if self.port is None
                        else "context comes from a port and a folder at once",
                        "give port: a scanner's, or folder: where orders are dropped")
        return self

    @field_validator("sets", "applies_to")
    @classmethod
    def _not_empty(cls, value: list | None, info: ValidationInfo) -> list | None:
        if value is not None and not value:
            raise wrong(f"{info.field_name.replace('_', '-')} is empty", "name at least one, or leave it out for all")
        return value


_LONGEST_GATHER_MS = 100                               # 4096 bytes of a line are 355 ms at 115,200 baud


class JournalSettings(Settings):
    """`journal`: how long delivered records are kept, the size that raises the alarm, room held for a full disk, how
    long busy lines are gathered for one sync."""

    keep: Duration = 90 * 86_400_000
    most: Size = 10 * 10**9
    reserve: Size = RESERVE_BYTES
    gather: Duration = 30

    @field_validator("gather")
    @classmethod
    def _within_the_kernel(cls, value: int) -> int:
        if value > _LONGEST_GATHER_MS:
            raise wrong(f"{value} ms is too long to gather: a line may bring more than the kernel holds for it",
                        f"write 0 ms to {_LONGEST_GATHER_MS} ms")
        return value


class Metrics(Settings):
    """`metrics`: where the plant's monitoring picks up text files; a local folder."""

    folder: str


class Root(Settings):
    """The whole configuration.  `outputs` entries are validated by the output's own settings (plan)."""

    site: Name
    ports: dict[str, Port]
    formats: dict[str, Format]
    outputs: dict[str, Any]
    parts: dict[str, dict[str, Characteristic]] = {}
    context: dict[str, Context] = {}
    state: str | None = None
    journal: JournalSettings = JournalSettings()
    metrics: Metrics | None = None

    @field_validator("ports", "outputs", "formats", "context")
    @classmethod
    def _named(cls, value: dict, info: ValidationInfo) -> dict:
        for name in value:
            if not re.fullmatch(r"[A-Za-z0-9_-]{1,64}", name):
                raise wrong(f"{name!r} can't be a name in {info.field_name}",
                            "use letters, digits, - and _, at most 64")
        if not value and info.field_name != "context":
            raise wrong(f"{info.field_name} holds nothing", "name at least one")
        return value
