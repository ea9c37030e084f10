"""Capability and performance: how the spread of a process fits its limits, with confidence intervals.

Knows: Pp and Ppk use the overall deviation, Cp and Cpk the deviation within, and only of a stable process; what a
one-sided limit leaves out; that an index without its interval says little.
Must not know: where limits and readings came from, what is good enough.

Sources: e-Handbook 6.1.6, for the indices [verified: page pmc16.htm] and the interval of Cp by chi-square [verified: a
public page of formulas]; A. F. Bissell, How reliable is your capability index?, Applied Statistics 39, 1990, for the
interval of Cpk [memory]; the same interval as in R. N. Rodriguez, Journal of Quality Technology 24, 1992 [verified:
formula as reproduced].  That P uses the overall deviation and C the one within: ISO 22514, AIAG SPC [memory].
"""

import math
from decimal import Decimal

from msgspec import Struct
from scipy.special import chdtri, ndtri

from collector.statistics.exact import difference
from collector.statistics.summary import Summary

ENOUGH = 30
"""Readings below which an index is called meaningless, though its interval is given [common practice]."""


class Index(Struct, frozen=True):
    """An index and its two-sided confidence interval."""

    value: float
    low: float
    high: float


class Capability(Struct, frozen=True):
    """The indices, None where one has no meaning; `why` says in words why one is missing or means little."""

    pp: Index | None
    ppk: Index | None
    cp: Index | None
    cpk: Index | None
    why: tuple[str, ...]
    confidence: float


def capability(summary: Summary, within: float | None, degrees: float, lower: Decimal | None, upper: Decimal | None,
               stable: bool, confidence: float = 0.95) -> Capability:
    """Pp = (upper - lower) / 6 s and Ppk = the smaller of (upper - mean) / 3 s and (mean - lower) / 3 s.

    Cp and Cpk with `within`, which has `degrees` of freedom (Charts.within, Charts.degrees), in place of s; None of a
    process that is not stable.

    With one limit there is no Pp and no Cp, and Ppk and Cpk are those of that side.
    """
    spread = float(summary.deviation) if summary.deviation else 0.0
    room = _room(summary, lower, upper) if spread else None
    tolerance = None if lower is None or upper is None else float(difference(upper, lower))
    use_within = bool(within) and stable
    return Capability(
        pp=_two_sided(tolerance, spread, summary.count - 1, confidence) if room is not None else None,
        ppk=_nearer(room, spread, summary.count, summary.count - 1, confidence) if room is not None else None,
        cp=_two_sided(tolerance, within, degrees, confidence) if room is not None and use_within else None,
        cpk=(_nearer(room, within, summary.count, degrees, confidence)
             if room is not None and use_within else None),
        why=tuple(_why(summary, within, lower, upper, stable)), confidence=confidence)


def _room(summary: Summary, lower: Decimal | None, upper: Decimal | None) -> float | None:
    """From the mean to the nearer limit; negative where the mean lies beyond it; None without limits."""
    rooms = [difference(upper, summary.mean)] if upper is not None else []
    rooms += [difference(summary.mean, lower)] if lower is not None else []
    return float(min(rooms)) if rooms else None


def _two_sided(tolerance: float | None, spread: float, degrees: float, confidence: float) -> Index | None:
    """Index and its exact interval of a normal process: value * sqrt(chi-square quantile / degrees)."""
    if tolerance is None:
        return None
    value, tail = tolerance / (6 * spread), (1 - confidence) / 2
    return Index(value=value, low=value * math.sqrt(float(chdtri(degrees, 1 - tail)) / degrees),
                 high=value * math.sqrt(float(chdtri(degrees, tail)) / degrees))


def _nearer(room: float, spread: float, count: int, degrees: float, confidence: float) -> Index:
    """Index and its approximate interval, value +- z * sqrt(1 / (9 n) + value**2 / (2 degrees)) (Bissell)."""
    value = room / (3 * spread)
    reach = float(ndtri((1 + confidence) / 2)) * math.sqrt(1 / (9 * count) + value * value / (2 * degrees))
    return Index(value=value, low=value - reach, high=value + reach)


def _why(summary: Summary, within: float | None, lower: Decimal | None, upper: Decimal | None,
         stable: bool) -> list[str]:
    why = []
    if summary.count < ENOUGH:
        why.append(f"fewer than {ENOUGH} readings")
    if lower is None and upper is None:
        why.append("no limits")
    if lower is None and upper is not None:
        why.append("only an upper limit")
    if lower is not None and upper is None:
        why.append("only a lower limit")
    if summary.count > 1 and not summary.deviation:
        why.append("no spread")
    if summary.count > 1 and summary.deviation and within is not None and not within:
        why.append("no spread within")
    if within is None:
        why.append("no deviation within is known")
    if not stable:
        why.append("the process is not stable")
    return why
