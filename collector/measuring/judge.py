"""Say where a size lies between its limits.

Knows: a size on its limit is inside; comparison is exact decimal.
Must not know: units, parts, where the limits came from.
"""

from decimal import Decimal

from msgspec import Struct

PASS, FAIL = "pass", "fail"
BELOW, ABOVE = "below", "above"


class Limits(Struct, frozen=True):
    """Size limits in one unit; None: no limit on that side."""

    lower: Decimal | None = None
    upper: Decimal | None = None


def judge(size: Decimal, limits: Limits) -> tuple[str, str]:
    """(verdict, side) of a size; both empty where there are no limits, side empty on a pass."""
    lower, upper = limits.lower, limits.upper
    if lower is not None and size < lower:
        return FAIL, BELOW
    if upper is not None and size > upper:
        return FAIL, ABOVE
    if lower is None and upper is None:
        return "", ""
    return PASS, ""
