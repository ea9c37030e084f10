"""A column on its master: repeatability and bias from many readings of one master, and its drift over months.

Knows: which records are checks on a master, what is worked out of them, when a trend may be drawn on.
Must not know: files, pages, how the statistics are made.
"""

import json
from collections.abc import Iterable, Sequence
from decimal import Decimal

from msgspec import Struct

from collector.clock import Stamps
from collector.journal import Row
from collector.measuring.characteristic import Characteristic
from collector.measuring.units import EXACT, Unit, convert
from collector.record import Record, decode
from collector.statistics.drift import Trend, trend
from collector.statistics.one_master import MasterStudy, one_master
from collector.statistics.summary import summarise
from collector.study.verdict import Verdict, of_one_master

READINGS = ("measurement", "sweep")
_DAY_US = 86_400_000_000
_HANGS_TOGETHER = 0.3
CONFIDENCE = 0.95


class Check(Struct, frozen=True):
    """One reading of a master, in the characteristic's unit; `size`: the master's at that time (None: not known)."""

    seq: int
    at_us: int
    time: str
    value: Decimal
    size: Decimal | None
    verdict: str
    flags: tuple[str, ...]

    @property
    def deviation(self) -> Decimal:
        return EXACT.subtract(self.value, self.size)


class OneMaster(Struct, frozen=True):
    """A one-master study.  `spread_index` = 0.2 T / 6 s, `place_index` = (0.1 T - |bias|) / 3 s [common practice]."""

    checks: tuple[Check, ...]
    size: Decimal
    tolerance: Decimal | None
    study: MasterStudy
    spread_index: float | None
    place_index: float | None
    verdict: Verdict
    notes: tuple[str, ...]


class Crossing(Struct, frozen=True):
    """Where the line meets a bound, if it goes on: the day (UTC date), the earliest and latest by the slope's interval
    (`latest` empty: perhaps never), by which bound."""

    day: str
    earliest: str
    latest: str
    bound: Decimal


class Drift(Struct, frozen=True):
    """The deviations of a master over time and their trend; `within`: how far it may read off."""

    checks: tuple[Check, ...]
    within: Decimal | None
    trend: Trend | None
    days: tuple[float, ...]
    crossing: Crossing | None
    words: tuple[str, ...]


def checks_of(rows: Iterable[Row], one: Characteristic, master: str, serial: str = "") -> list[Check]:
    """The checks on this master on the characteristic's channel; with `serial` the readings of a part of that name.

    Over all parts that are measured there: it is the column that drifts.  The check of a gain is none of one master.
    """
    found = []
    for row in rows:
        record = decode(row.body)
        if not bytes(record.value) or not _is_on(record, one):
            continue
        if serial and (record.kind not in READINGS or record.serial != serial):
            continue
        if not serial and not _is_check(record, master):
            continue
        unit = Unit(record.unit)
        size = _number(record.nominal) if not serial else None
        found.append(Check(record.seq, row.at_us, record.time, convert(_number(record.value), unit, one.unit),
                           None if size is None else convert(size, unit, one.unit), record.verdict, record.flags))
    return found


def _is_on(record: Record, one: Characteristic) -> bool:
    if one.expression is not None:
        return (record.part, record.characteristic) == (one.part, one.name)
    return (f"{record.port}/{record.channel}" if record.channel else record.port) == one.channel


def _is_check(record: Record, master: str) -> bool:
    if record.kind != "master" or not bytes(record.detail):
        return False
    told = json.loads(bytes(record.detail))
    return told.get("master") == master and told.get("check") != "gain" and bool(bytes(record.nominal))


def _number(raw: bytes) -> Decimal | None:
    return Decimal(bytes(raw).decode()) if bytes(raw) else None


def study_master(checks: Sequence[Check], size: Decimal, tolerance: Decimal | None) -> OneMaster:
    """Repeatability and bias.  Raises ValueError below two readings."""
    notes = []
    sizes = {check.size for check in checks} - {None}
    if len(sizes) > 1:
        notes.append(f"The master's size was changed in between ({', '.join(f'{one:f}' for one in sorted(sizes))}); "
                     "each reading is taken by its deviation from the size of its time.")
    values = [check.value if check.size is None else EXACT.add(size, check.deviation) for check in checks]
    if len(values) < 25:
        notes.append(f"{len(values)} readings; 25 or more are common practice.")
    days = (checks[-1].at_us - checks[0].at_us) / _DAY_US if checks else 0
    if days > 1:
        notes.append(f"They lie over {days:.0f} days, so that a drift counts as spread; --since and --until take one "
                     "session.")
    study = one_master(values, size, tolerance, CONFIDENCE)
    spread = place = None
    if tolerance is not None and study.repeatability > 0:
        spread = float(tolerance) * 0.2 / (6 * study.repeatability)
        place = (float(tolerance) * 0.1 - abs(float(study.bias))) / (3 * study.repeatability)
    return OneMaster(tuple(checks), size, tolerance, study, spread, place,
                     of_one_master(spread, place, study.significant, CONFIDENCE), (*notes, *study.notes))


def study_drift(checks: Sequence[Check], within: Decimal | None, unit: Unit) -> Drift:
    """The trend of the deviations, and where it would meet a bound."""
    checks = tuple(check for check in checks if check.size is not None)
    days = tuple((check.at_us - checks[0].at_us) / _DAY_US for check in checks)
    if len(checks) < 3 or days[-1] == 0:
        return Drift(checks, within, None, days, None,
                     (f"{len(checks)} checks: a trend needs three at different times.",))
    deviations = [check.deviation for check in checks]
    line = trend(days, deviations, CONFIDENCE)
    if not line.significant:
        return Drift(checks, within, line, days, None,
                     ("No trend can be told from chance in these checks: nothing is drawn on beyond them.",
                      *_caution(days, deviations, line)))
    month = line.slope * 30
    said = [f"The column drifts by {month:+.3g} {unit.value} in 30 days (between {line.slope_low * 30:+.3g} and "
            f"{line.slope_high * 30:+.3g}, {100 * CONFIDENCE:.0f} %)."]
    crossing = None
    if within is not None:
        crossing, words = _crossing(checks, days, deviations, line, within)
        said.append(words)
    return Drift(checks, within, line, days, crossing, (*said, *_caution(days, deviations, line)))


def _crossing(checks: Sequence[Check], days: Sequence[float], deviations: Sequence[Decimal], line: Trend,
              within: Decimal) -> tuple[Crossing | None, str]:
    """Where the line meets the bound that it runs to; never further ahead than the checks reach back."""
    bound = within if line.slope > 0 else -within
    middle = sum(days) / len(days)
    height = float(sum(deviations)) / len(days)

    def meets(slope: float) -> float | None:
        return middle + (float(bound) - height) / slope if slope * line.slope > 0 else None

    at = meets(line.slope)
    if at <= days[-1]:
        return None, f"The line has reached {bound:+f}, the most that the master may read off, already: set the column."
    if at - days[-1] > days[-1]:
        return None, (f"It meets {bound:+f}, the most that the master may read off, in more than {days[-1]:.0f} days, "
                      "which is longer than these checks reach back: no day is said.")
    ends = sorted((meets(line.slope_low) or float("inf"), meets(line.slope_high) or float("inf")))
    dates = [_date(checks[0].at_us, max(end, days[-1])) if end < 36_500 else "" for end in (at, *ends)]
    found = Crossing(dates[0], dates[1], dates[2], bound)
    return found, (f"If it went on as it has, the line would meet {bound:+f}, the most that the master may read off, "
                   f"about {found.day} (between {found.earliest} and {found.latest or 'never'}). That is drawn on "
                   "beyond the checks, and no more than a reason to look earlier.")


def _date(first_us: int, days: float) -> str:
    return Stamps().text((first_us + int(days * _DAY_US)) * 1000)[:10]


def _caution(days: Sequence[float], deviations: Sequence[Decimal], line: Trend) -> list[str]:
    """Whether the residuals hang together, so that the intervals are too narrow, or swing: then they are too wide."""
    rest = [one - Decimal(line.intercept + line.slope * day) for day, one in zip(days, deviations)]
    lag = summarise(rest).autocorrelation
    if lag is None or abs(lag) <= _HANGS_TOGETHER:
        return []
    if lag < 0:
        return [f"What is left beside the line swings from check to check ({lag:+.2f}), as where the column is set "
                "after a check: the interval is too wide."]
    return [f"What is left beside the line hangs together from check to check ({lag:+.2f}): the column moves in other "
            "ways too (temperature, settings), and the interval is too narrow."]
