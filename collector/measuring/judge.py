"""Say where a size lies between its limits, by a decision rule.

Knows: the three rules; a size on a limit, or on a limit drawn in, is inside; comparison is exact decimal; how likely a
size conforms, given its uncertainty; on which side of the tolerance a part can still be worked on.
Must not know: parts, which unit it is (one for all of a judging), where the limits came from.
"""

import math
from decimal import Decimal

from msgspec import Struct

from collector.measuring.units import EXACT

PASS, FAIL, UNDECIDED = "pass", "fail", "undecided"
BELOW, ABOVE = "below", "above"
SIMPLE, STRINGENT, PROVEN = "simple", "stringent", "proven"

_DISPOSITIONS = {
    ("hole", BELOW): "rework", ("hole", ABOVE): "scrap",
    ("shaft", BELOW): "scrap", ("shaft", ABOVE): "rework",
}
_ROOT_2 = math.sqrt(2)


class Limits(Struct, frozen=True):
    """Size limits in one unit; None: no limit on that side."""

    lower: Decimal | None = None
    upper: Decimal | None = None


class Judging(Struct, frozen=True):
    """Limits made ready for a rule, all in one unit.

    `uncertainty`: expanded, k = 2.  `passes`: the acceptance zone, both ends in.  `fails`: a size strictly outside it
    fails; one between the two zones is undecided.
    """

    limits: Limits
    rule: str
    uncertainty: Decimal | None
    passes: Limits
    fails: Limits


class EmptyZone(ValueError):
    """Limits drawn in by the uncertainty leave no size that passes.  The text is the arithmetic, in digits."""


def build_judging(limits: Limits, rule: str = SIMPLE, uncertainty: Decimal | None = None) -> Judging:
    """Limits, rule and uncertainty (expanded, k = 2, in the limits' unit) made ready for `judge`.

    `simple`: the limits as they are.  `stringent`: drawn in by the uncertainty; outside them fails.  `proven`: passes
    inside limits drawn in, fails outside limits widened, else undecided (after ISO 14253-1).
    Raises EmptyZone; ValueError where the rule is none of the three, or lacks the uncertainty that it needs, or that
    is not above 0.
    """
    if rule not in (SIMPLE, STRINGENT, PROVEN):
        raise ValueError(f"rule {rule!r} is not known; known are {SIMPLE}, {STRINGENT}, {PROVEN}")
    if uncertainty is not None and uncertainty <= 0:
        raise ValueError(f"uncertainty {uncertainty:f} is not above 0")
    if rule == SIMPLE:
        return Judging(limits, rule, uncertainty, limits, limits)
    if uncertainty is None:
        raise ValueError(f"rule {rule} needs an uncertainty")
    passes = _moved_in(limits, uncertainty)
    if passes.lower is not None and passes.upper is not None and passes.lower > passes.upper:
        raise EmptyZone(f"no size passes: {limits.lower:f} + {uncertainty:f} = {passes.lower:f} is above "
                        f"{limits.upper:f} - {uncertainty:f} = {passes.upper:f}")
    fails = passes if rule == STRINGENT else _moved_in(limits, uncertainty.copy_negate())
    return Judging(limits, rule, uncertainty, passes, fails)


def judge(size: Decimal, judging: Judging) -> tuple[str, str]:
    """(verdict, side) of a size; both empty where there are no limits, side empty on a pass."""
    passes = judging.passes
    lower, upper = passes.lower, passes.upper
    if lower is not None and size < lower:
        return FAIL if size < judging.fails.lower else UNDECIDED, BELOW
    if upper is not None and size > upper:
        return FAIL if size > judging.fails.upper else UNDECIDED, ABOVE
    if lower is None and upper is None:
        return "", ""
    return PASS, ""


def conformance_probability(size: Decimal, limits: Limits, uncertainty: Decimal) -> float:
    """How likely the true size lies within the limits, 0 to 1; `uncertainty` is expanded (k = 2), above 0, same unit.

    Phi((upper - size) / u) - Phi((lower - size) / u) with u = uncertainty / 2: JCGM 106:2012, 7.4, for a normal
    distribution.  A limit that is missing takes nothing away.
    """
    low = -math.inf if limits.lower is None else _in_roots(limits.lower, size, uncertainty)
    high = math.inf if limits.upper is None else _in_roots(limits.upper, size, uncertainty)
    if low > 0:                                        # below the limits: small numbers, never 1 minus nearly 1
        return (math.erfc(low) - math.erfc(high)) / 2
    if high < 0:
        return (math.erfc(-high) - math.erfc(-low)) / 2
    return (math.erf(high) - math.erf(low)) / 2


def disposition(feature: str, side: str) -> str:
    """`rework` where material is left, `scrap` where it is gone; "" for a feature other than hole or shaft, or no side.

    Common practice, no source.
    """
    return _DISPOSITIONS.get((feature, side), "")


def _moved_in(limits: Limits, by: Decimal) -> Limits:
    return Limits(None if limits.lower is None else EXACT.add(limits.lower, by),
                  None if limits.upper is None else EXACT.subtract(limits.upper, by))


def _in_roots(limit: Decimal, size: Decimal, uncertainty: Decimal) -> float:
    """(limit - size) / u / sqrt 2, what erf and erfc take."""
    return float(EXACT.divide(EXACT.subtract(limit, size), uncertainty)) * _ROOT_2
