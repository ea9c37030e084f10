"""The scenario: which stand-in columns there are and what they send.

Knows: the keys of a scenario file and what each may hold.
Must not know: how readings are drawn (part_stream), terminals and sockets, time.

Numbers of a channel are plain exact decimals in whatever the column's line says: sizes or deviations, mm or in.
"""

from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import Any

from pydantic import model_validator

from collector.config.loader import load, validate
from collector.config.models import Character, CharacterText
from collector.settings import Duration, Name, Settings, count, split_quantity, text_type, wrong
from collector.simulator.line import BareLine, ValueLine


def exact(per: str = "") -> Callable[[str], Decimal]:
    """A reader of plain decimals, `0.003`; with `per`, of rates: `0.0001 per h`."""
    right = f"write digits and {per}, as in 0.0001 {per}" if per else "write plain digits, as in 0.003"

    def read(text: str) -> Decimal:
        number = text.strip()
        if per and not number.endswith(f" {per}"):
            raise wrong(f"{text!r} does not say {per}", right)
        try:
            value, unit = split_quantity(number.removesuffix(per))
        except ValueError:
            unit, value = "?", Decimal(0)
        if unit:
            raise wrong(f"{text!r} is not a number", right)
        return value

    return read


def above_zero(value: Any) -> None:
    """Refuse a time of zero."""
    if value == 0:
        raise wrong("is zero", "write a time above zero")


def request(text: str) -> str:
    """What the reader sends to ask."""
    if not text or not text.isascii():
        raise wrong(f"{text!r} is no request", 'write ASCII text, control characters in double quotes as in "?\\r"')
    return text


Asked = text_type(request, "text on the wire that asks for the next lines")
Exact = text_type(exact(), "an exact number")
PerHour = text_type(exact("per h"), "a rate: 0.0001 per h")
PerPart = text_type(exact("per part"), "a rate: 0.00002 per part")


class Bad(Settings):
    """Every so many parts one is off by `offset`."""

    every: count(1)
    offset: Exact


class Channel(Settings):
    """What one measuring circuit finds: parts around `mean`, Gaussian with standard deviation `spread`."""

    mean: Exact
    spread: Exact = Decimal(0)
    drift: PerHour = Decimal(0)
    wear: PerPart = Decimal(0)
    bad: Bad | None = None


class OverRange(Settings):
    """What is sent while no part is on: `between` times between two parts; in a stream, all the while."""

    line: BareLine
    between: count(1, 1000) | None = None


class Stream(Settings):
    """Values one after another, every `each`, while a part is on (for `on`): they start `starts` away from the size
    and settle towards it with time constant `settle`, with Gaussian `noise`; the part turns once in `turn` and is
    out of round by `ovality` (largest less smallest)."""

    each: Duration
    on: Duration
    starts: Exact = Decimal(0)
    settle: Duration = 300
    noise: Exact = Decimal(0)
    ovality: Exact = Decimal(0)
    turn: Duration = 2000

    @model_validator(mode="after")
    def _times(self) -> "Stream":
        for value in (self.each, self.on, self.settle, self.turn):
            above_zero(value)
        return self


class Garbage(Settings):
    """Every so many parts a few random bytes, ended as a line is, so that they are a frame (or some) of their own."""

    every: count(1)


class Pause(Settings):
    """Every so many parts, nothing for a while."""

    every: count(1)
    for_: Duration


class Column(Settings):
    """One stand-in column on one line: readings of an invented process, or a capture played once.

    With `asked`, each such request brings the lines of the next moment (a part's, or an over-range), and time nothing.
    """

    link: str | None = None
    tcp: count(1, 65535) | None = None
    baud: count(50, 4_000_000) = 9600
    character: CharacterText = Character(8, "N", "1")
    every: Duration = 2000
    line: ValueLine | None = None
    channels: dict[str, Channel] = {}
    over_range: OverRange | None = None
    stream: Stream | None = None
    garbage: Garbage | None = None
    pause: Pause | None = None
    replay: str | None = None
    asked: Asked | None = None

    @model_validator(mode="after")
    def _sound(self) -> "Column":
        if (self.link is None) == (self.tcp is None):
            raise wrong("a column needs one place to send to", "give either link or tcp, not both")
        above_zero(self.every)
        if self.replay is not None:
            self._only_a_replay()
        elif self.line is None or not self.channels:
            raise wrong("a column needs something to send", "give line and channels, or replay")
        elif len(self.channels) > 1 and not self.line.names("channel"):
            raise wrong("there are several channels, but the line does not say which", "add {channel} to it")
        elif not all(name.isascii() and name.isprintable() for name in self.channels):
            raise wrong("a channel's name is not printable ASCII", "use letters and digits, as in A1")
        if self.stream is not None and self.stream.on > self.every:
            raise wrong("a part is on for longer than until the next one", "make every longer than the stream's on")
        if self.asked and self.pause:
            raise wrong("pause does not go with asked", "leave it out: the column waits to be asked")
        if self.stream is not None and self.over_range is not None and self.over_range.between is not None:
            raise wrong("between does not go with a stream", "leave it out: a stream sends it all the while")
        return self

    def _only_a_replay(self) -> None:
        process = ("line", "channels", "over_range", "stream", "garbage", "pause")
        others = [key for key in process if getattr(self, key)]
        if others:
            raise wrong(f"replay does not go with {others[0].replace('_', '-')}", "a capture is played as it is")


class Scenario(Settings):
    """A scenario file: the same seed gives the same bytes."""

    seed: count() = 1
    columns: dict[Name, Column]

    @model_validator(mode="after")
    def _own_places(self) -> "Scenario":
        places = [str(column.link or column.tcp) for column in self.columns.values()]
        if not places:
            raise wrong("there are no columns")
        if len(set(places)) < len(places):
            raise wrong("two columns send to the same place", "give each its own link or tcp port")
        return self


def read_scenario(path: Path) -> Scenario:
    """The scenario of a file, links and captures placed from its folder on.  Raises ConfigError with every fault."""
    scenario = validate(load(path), Scenario)
    beside = path.absolute() if path.is_dir() else path.absolute().parent
    columns = {}
    for name, column in scenario.columns.items():
        placed = {key: str(beside / getattr(column, key)) for key in ("link", "replay") if getattr(column, key)}
        columns[name] = column.model_copy(update=placed)
    return scenario.model_copy(update={"columns": columns})
