"""What a reading is compared with: one dimension of a part, and the masters that its column is checked on.

Knows: everything that is said of a characteristic, in its own unit, exact.
Must not know: how it is written in a configuration, what was measured.
"""

from decimal import Decimal

from msgspec import Struct

from collector.measuring.classes import Classes
from collector.measuring.expression import Expression
from collector.measuring.judge import Judging, Limits, build_judging
from collector.measuring.streams import StreamSpec
from collector.measuring.units import FINEST, Unit


class Master(Struct, frozen=True, kw_only=True):
    """A calibrated part: its size, how far off it may read (both in the characteristic's unit), how long a check of it
    is good (`every_ns`, `parts`), the moment its calibration ends (ns since 1970), its expansion for each kelvin."""

    name: str
    size: Decimal
    within: Decimal
    every_ns: int | None = None
    parts: int | None = None
    due_ns: int | None = None
    expansion: Decimal | None = None


class Characteristic(Struct, frozen=True, kw_only=True):
    """One dimension of a part.  Lengths are in `unit`, exact.

    `channel` as the configuration names it, empty where `expression` says how it is derived; `stream`, with the
    sweep's `report`, where one measurement is made of many readings.
    """

    part: str
    name: str
    unit: Unit
    channel: str = ""
    nominal: Decimal | None = None
    judging: Judging = build_judging(Limits())
    resolution: Decimal | None = None
    feature: str = "other"
    stream: StreamSpec | None = None
    report: str = ""
    keep_readings: bool = False
    expression: Expression | None = None
    within_ns: int | None = None
    masters: tuple[Master, ...] = ()
    classes: Classes | None = None
    expansion: Decimal | None = None

    @property
    def limits(self) -> Limits:
        """The tolerance itself, whatever the rule."""
        return self.judging.limits

    @property
    def step(self) -> Decimal:
        """What an endless quotient is rounded to."""
        return FINEST[self.unit] if self.resolution is None else self.resolution
