"""The keys of a scenario below a column: what each may hold.

Knows: channels, streams, masters, labels, changeovers, temperatures, lines, scanners, order folders.
Must not know: how they go together (scenario), how readings are drawn, terminals and sockets, time.

Numbers of a channel are plain exact decimals in whatever the column's line says: sizes or deviations, mm or in.
"""

from collections.abc import Callable
from decimal import Decimal
from typing import Any, Literal

from pydantic import field_validator, model_validator

from collector.config.models import Character, CharacterText
from collector.settings import Duration, Settings, count, split_quantity, text_type, wrong
from collector.simulator.line import BareLine, Counted, Plain


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


Exact = text_type(exact(), "an exact number")
PerHour = text_type(exact("per h"), "a rate: 0.0001 per h")
PerPart = text_type(exact("per part"), "a rate: 0.00002 per part")


class Bad(Settings):
    """Every so many parts one is off by `offset`."""

    every: count(1)
    offset: Exact


class Channel(Settings):
    """What one measuring circuit finds, and its own error.

    The parts lie around `mean`, Gaussian with standard deviation `spread`; `drift` and `wear` move them for good.
    The column shows them off by its zero error, which grows by `zero-drift` and `zero-wear` until the column is set
    again, and by `gain-error` times their distance from `mean`.
    """

    mean: Exact
    spread: Exact = Decimal(0)
    drift: PerHour = Decimal(0)
    wear: PerPart = Decimal(0)
    bad: Bad | None = None
    zero_drift: PerHour = Decimal(0)
    zero_wear: PerPart = Decimal(0)
    gain_error: Exact = Decimal(0)

    def error(self, size: Decimal, zero: Decimal) -> Decimal:
        """How far off this size is shown, with this zero error."""
        return zero + self.gain_error * (size - self.mean)


class OverRange(Settings):
    """What is sent while no part is on: `between` times between two parts; in a stream, all the while."""

    line: BareLine
    between: count(1, 1000) | None = None


class Marks(Settings):
    """Lines before and after one turn of the part, which begins `after` it was put on."""

    start: BareLine
    end: BareLine
    after: Duration = 0


class Early(Settings):
    """Every so many parts one is taken away `after` this time already."""

    every: count(1)
    after: Duration


class Stream(Settings):
    """Values one after another, every `each`, while a part is on (for `on`): they start `starts` away from the size
    and settle towards it with time constant `settle`, with Gaussian `noise`; the part turns once in `turn` and is
    out of round by `ovality` (largest less smallest), each part another with `ovality-spread`; a master is round."""

    each: Duration
    on: Duration
    starts: Exact = Decimal(0)
    settle: Duration = 300
    noise: Exact = Decimal(0)
    ovality: Exact = Decimal(0)
    ovality_spread: Exact = Decimal(0)
    turn: Duration = 2000
    marks: Marks | None = None
    early: Early | None = None

    @model_validator(mode="after")
    def _times(self) -> "Stream":
        for value in (self.each, self.on, self.settle, self.turn):
            above_zero(value)
        if self.marks and self.marks.after + self.turn > self.on:
            raise wrong("the part is taken away before the turn is over", "make on longer than after and turn")
        return self


class Garbage(Settings):
    """Every so many parts (masters counted) a few random bytes, ended as a line is, so that they are a frame (or some)
    of their own."""

    every: count(1)


class Pause(Settings):
    """Every so many parts (masters counted), nothing for a while."""

    every: count(1)
    for_: Duration


class Masters(Settings):
    """A check before the first part and after every so many: each master is put on in turn, as a part is.

    `sizes`: what each master has on each channel.  With `rezero-beyond`, a check that shows a master further off than
    that makes the operator set the column: its zero errors are 0 again, and the check is done once more.
    """

    every: count(1)
    sizes: dict[Plain, dict[str, Exact]]
    rezero_beyond: Exact | None = None

    @field_validator("sizes")
    @classmethod
    def _some(cls, value: dict) -> dict:
        if not value or not all(value.values()):
            raise wrong("a master without a size", "write sizes: {RING-1: {A1: 12.000}}")
        return value


class Kinds(Settings):
    """The texts of `{kind}`."""

    part: Plain = "PART"
    master: Plain = "MASTER"


class Labels(Settings):
    """The texts that go with a part.  `{count}` counts parts in `serial`, changeovers in `lot`."""

    serial: Counted | None = None
    lot: Counted | None = None
    part: Plain | None = None
    operator: Plain | None = None


class Changeover(Settings):
    """The part number changes every so many parts, through `parts` and from the start again: part number -> means of
    its channels, where they differ from the channel's own."""

    every: count(1)
    parts: dict[Plain, dict[str, Exact]]

    @field_validator("parts")
    @classmethod
    def _some(cls, value: dict) -> dict:
        if not value:
            raise wrong("there are no parts", "write parts: {PH-200: {}, PH-210: {A1: 12.027}}")
        return value


class Temperature(Settings):
    """Degrees C, Gaussian, said with one decimal; `expansion` of the material for each degree."""

    mean: Exact
    spread: Exact = Decimal(0)
    expansion: Exact = Decimal(0)


class Temperatures(Settings):
    """A part that is warmer than 20 degrees is shown larger, one compared with a warm master smaller; sizes only."""

    part: Temperature | None = None
    master: Temperature | None = None


class Line(Settings):
    """A serial line and where it ends: a link to a pseudo-terminal, or a TCP port of this machine."""

    link: str | None = None
    tcp: count(1, 65535) | None = None
    baud: count(50, 4_000_000) = 9600
    character: CharacterText = Character(8, "N", "1")

    @model_validator(mode="after")
    def _one_place(self) -> "Line":
        if (self.link is None) == (self.tcp is None):
            raise wrong("a line needs one place to send to", "give either link or tcp, not both")
        return self


class Scanner(Line):
    """A line of its own that says the label of what is put on next, `ahead` of it; of masters with `master-line`."""

    line: BareLine
    master_line: BareLine | None = None
    ahead: Duration = 500


class Orders(Settings):
    """A folder into which an order file is dropped at the start and at each changeover, `ahead` of the first part."""

    folder: str
    sets: list[Literal["part", "lot", "operator"]] = ["part", "lot"]
    ahead: Duration = 1500
