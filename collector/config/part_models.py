"""`parts.NUMBER.NAME` as pydantic models: one characteristic of a part, every value checked where it stands.

Knows: the keys of a characteristic, what each may hold, and which go together.
Must not know: other characteristics, ports, how sizes are judged.
"""

import re
from collections.abc import Iterator
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, ValidationError, field_validator, model_validator
from pydantic_core import InitErrorDetails

from collector.config.quantities import Day, Expansion, LengthText, PositiveLength
from collector.measuring.units import WRITTEN, Unit
from collector.settings import Duration, Name, Settings, YesNo, count, wrong

WrittenUnit = Literal["mm", "um", "in", "uin"]
WITHIN_MS = 600_000
"""How long the readings of a part without a serial belong together where nothing is said."""

LONGEST_EVERY_MS = 3653 * 86_400_000
"""The longest time that a check on a master may be good for, 10 years: what it is due at stays a date."""


def _refuse(found: list[tuple[str, str, str]]) -> None:
    """Raise these faults of one mapping at once: (key that it is about, what, right); no key: the whole mapping."""
    if found:
        raise ValidationError.from_exception_data("parts", [
            InitErrorDetails(type=wrong(what, right), loc=(key,) if key else (), input=key)
            for key, what, right in found])


class Limits(Settings):
    """`limits`: deviations (`lower`, `upper`) or sizes (`min`, `max`); one side may be missing."""

    lower: LengthText | None = None
    upper: LengthText | None = None
    min: LengthText | None = None
    max: LengthText | None = None

    @model_validator(mode="after")
    def _one_way(self) -> "Limits":
        if self.as_deviations and (self.min is not None or self.max is not None):
            raise wrong("limits are given both as deviations and as sizes", "keep lower/upper or min/max")
        if not self.as_deviations and self.min is None and self.max is None:
            raise wrong("no limit is given", "give lower and upper (deviations), or min and max (sizes), or one side")
        return self

    @property
    def as_deviations(self) -> bool:
        return self.lower is not None or self.upper is not None


class _Ended(Settings):
    """What tells that a part, or a turn, is over; and whether the readings it was made of are kept as records."""

    until: Literal["over-range", "quiet", "marks"] = "over-range"
    quiet: Duration | None = None
    keep_readings: YesNo = False

    @field_validator("quiet")
    @classmethod
    def _not_silent(cls, value: int | None) -> int | None:
        if value == 0:
            raise wrong("quiet is zero", "write the time without a reading that ends it, as in 2 s")
        return value

    @model_validator(mode="after")
    def _quiet_has_its_time(self) -> "_Ended":
        if (self.until == "quiet") != (self.quiet is not None):
            key = "until" if self.quiet is None else "quiet"
            _refuse([(key, "until: quiet and the time quiet go together", "write until: quiet, quiet: 2 s")])
        return self


class Settled(_Ended):
    """`evaluate.settled`: one measurement for each part put on, once it stays within `band` for `time`."""

    band: PositiveLength
    time: Duration

    @field_validator("time")
    @classmethod
    def _sensible(cls, value: int) -> int:
        if not 0 < value <= 60_000:
            raise wrong("time is not from 1 ms to 1 min", "write how long the reading must be still, as in 300 ms")
        return value


class Sweep(_Ended):
    """`evaluate.sweep`: one record for each turn; `report` is its value."""

    report: Literal["tir", "max", "min", "mean"]


class Evaluate(Settings):
    """`evaluate`: `each`, `{settled: …}` or `{sweep: …}`."""

    settled: Settled | None = None
    sweep: Sweep | None = None

    @model_validator(mode="before")
    @classmethod
    def _a_word(cls, value: Any) -> Any:
        if value == "each":
            return {}
        if isinstance(value, str):
            raise wrong(f"{value!r} is no way to evaluate", "write each, {settled: …} or {sweep: …}")
        return value

    @model_validator(mode="after")
    def _one_way(self) -> "Evaluate":
        if self.settled and self.sweep:
            raise wrong("evaluated in two ways at once (settled and sweep)", "keep one")
        return self

    @classmethod
    def __get_pydantic_json_schema__(cls, core: Any, found: Any) -> dict[str, Any]:
        return {"anyOf": [{"const": "each"}, found(core)]}


class Master(Settings):
    """One of `masters`: a calibrated part of known size, how far off it may read, and how long a check is good."""

    name: Name
    size: PositiveLength
    within: PositiveLength
    every: Duration | None = None
    parts: count(1) | None = None
    due: Day | None = None
    expansion: Expansion | None = None

    @field_validator("every")
    @classmethod
    def _in_its_range(cls, value: int | None) -> int | None:
        if value == 0:
            raise wrong("every is zero", "write how long a check is good, as in 8 h")
        if value is not None and value > LONGEST_EVERY_MS:
            raise wrong("every is longer than 10 years", "leave it out where a check is good until the next one")
        return value


def _two_ends(value: Any) -> Any:
    ends = len(value) if isinstance(value, list) else 1
    if ends != 2:
        raise wrong(f"a class has two ends, not {ends}",
                    "write where it begins and where it ends, as in [12 mm, 12.006 mm]")
    return value


Interval = Annotated[list[LengthText], BeforeValidator(_two_ends),
                     Field(json_schema_extra={"minItems": 2, "maxItems": 2})]


class Characteristic(Settings):
    """`parts.NUMBER.NAME`: one dimension of a part."""

    channel: str | None = None
    from_: str | None = None
    within: Duration | None = None
    nominal: LengthText | None = None
    unit: WrittenUnit | None = None
    resolution: PositiveLength | None = None
    limits: Limits | None = None
    tolerance: str | None = None
    feature: Literal["hole", "shaft", "other"] = "other"
    uncertainty: PositiveLength | None = None
    rule: Literal["simple", "stringent", "proven"] = "simple"
    evaluate: Evaluate = Evaluate()
    masters: list[Master] = []
    classes: dict[str, Interval] = {}
    expansion: Expansion | None = None

    @field_validator("channel")
    @classmethod
    def _shaped(cls, value: str | None) -> str | None:
        if value is not None and not re.fullmatch(r"[A-Za-z0-9_-]{1,64}(/.{1,64})?", value):
            raise wrong(f"{value!r} is no channel", "write PORT or PORT/CHANNEL")
        return value

    @field_validator("within")
    @classmethod
    def _long_enough(cls, value: int | None) -> int | None:
        if value == 0:
            raise wrong("within is zero", "write how long the readings of a part belong together, as in 2 min")
        return value

    @model_validator(mode="after")
    def _hangs_together(self) -> "Characteristic":
        """Every fault between its keys at once, each at the key that it is about."""
        _refuse([*self._unmeasured(), *self._unlimited()])
        return self

    def _unmeasured(self) -> Iterator[tuple[str, str, str]]:
        """What is wrong with where it comes from: (key, what, right); no key: the whole."""
        if self.channel is None and self.from_ is None:
            yield ("", "a characteristic is measured by a channel or comes from others",
                   "give channel: PORT, or from: with an expression")
        if self.channel is not None and self.from_ is not None:
            yield "from", "both channel and from are given", "keep one: channel: PORT, or from: with an expression"
        elif self.from_ is not None:
            for key, given in (("evaluate", self.evaluate.settled or self.evaluate.sweep), ("masters", self.masters),
                               ("expansion", self.expansion)):
                if given:
                    yield key, f"{key} does not go with from", "give it to the characteristics that it comes from"
        elif self.nominal is not None and self.nominal.value <= 0:
            yield "nominal", f"nominal {self.nominal} is not above zero", "write the size, as in 12 mm"
        if self.channel is not None and not (self.unit or self.nominal or self._given() or self._deviates()):
            yield "", "has neither nominal nor unit", "give nominal: 12 mm, or unit: mm"

    def _unlimited(self) -> Iterator[tuple[str, str, str]]:
        """What is wrong with its limits and its rule."""
        if self.tolerance is not None and self.limits is not None:
            yield "tolerance", "limited in two ways at once (tolerance and limits)", "keep one"
        if self.tolerance is not None and self.nominal is None:
            yield "tolerance", "tolerance needs a nominal", "add nominal: 12 mm"
        if self.nominal is None and self._deviates():
            yield "limits", "limits as deviations need a nominal", "add nominal, or write the limits as min and max"
        if self.evaluate.sweep and self.evaluate.sweep.report == "tir":
            right = "write its limit as max, as in limits: {max: 5 um}"
            for key, given in (("limits", self._deviates()), ("tolerance", self.tolerance)):
                if given:
                    yield key, "a tir is no deviation from the nominal", right
        if self.rule != "simple" and self.uncertainty is None:
            yield "rule", f"rule {self.rule} needs an uncertainty", "add uncertainty: 1 um (expanded, k = 2)"
        if self.tolerance is None and self.limits is None:
            if self.uncertainty is not None:
                yield "uncertainty", "uncertainty is given, but no limits", "add limits, or leave it out"
            elif self.rule != "simple":
                yield "rule", f"rule {self.rule} is given, but no limits", "add limits, or leave it out"

    def written_unit(self) -> Unit | None:
        """The unit of value and limits, None where nothing tells it (only with `from`).

        As stated; else the nominal's, else that of a limit; thou become inches, and with a tolerance code, whose
        deviations are whole micrometres, inches become mm.
        """
        if self.unit:
            return Unit(self.unit)
        given = self.nominal or self._given()
        if given is None:
            return None
        if self.tolerance is not None and given.unit not in (Unit.MM, Unit.UM):
            return Unit.MM
        return given.unit if given.unit in WRITTEN else Unit.IN

    def _given(self) -> Any:
        return self.limits and (self.limits.min or self.limits.max)

    def _deviates(self) -> bool:
        return self.limits is not None and self.limits.as_deviations
