"""Sort sizes into classes, for selective assembly.

Knows: classes are half open, the last one closed: a size on a common end is in the upper class, and only there.
Must not know: limits, verdicts, which part a class is paired with, which unit it is (one for all classes).
"""

from bisect import bisect_right
from decimal import Decimal
from itertools import pairwise

from msgspec import Struct

from collector.errors import CollectorError


class Class(Struct, frozen=True):
    """Sizes from `low` on and below `high`."""

    name: str
    low: Decimal
    high: Decimal

    def __str__(self) -> str:
        return f"{self.name!r} ({self.low:f} to {self.high:f})"


class Classes(Struct, frozen=True):
    """Classes by size, made by `build_classes`.  `gaps`: (high, low) between neighbours that do not touch."""

    ordered: tuple[Class, ...]
    lows: tuple[Decimal, ...]
    gaps: tuple[tuple[Decimal, Decimal], ...]

    def of(self, size: Decimal) -> str:
        """The name of the class that the size is in; "" outside all of them."""
        at = bisect_right(self.lows, size) - 1
        if at < 0:
            return ""
        found = self.ordered[at]
        is_in = size < found.high or (size == found.high and found is self.ordered[-1])
        return found.name if is_in else ""


class ClassesRefused(CollectorError):
    """Classes that can't sort: what is wrong, what would be right."""

    exit_code = 78

    def __init__(self, what: str, right: str):
        self.what, self.right = what, right
        super().__init__(f"{what}; {right}")


def build_classes(intervals: list[tuple[str, Decimal, Decimal]]) -> Classes:
    """Classes of (name, low, high), in any order, all in one unit.

    Raises ClassesRefused where an interval is crossed or empty, or where two overlap.
    """
    ordered = tuple(sorted([Class(*one) for one in intervals], key=lambda one: one.low))
    for one in ordered:
        if one.low > one.high:
            raise ClassesRefused(f"class {one} is crossed", "put the smaller size first")
        if one.low == one.high:
            raise ClassesRefused(f"class {one} is empty", "let it end above where it begins")
    for one, after in pairwise(ordered):
        if one.high > after.low:
            raise ClassesRefused(f"classes {one} and {after} overlap", "let one end where the next begins")
    gaps = tuple((one.high, after.low) for one, after in pairwise(ordered) if one.high < after.low)
    return Classes(ordered, tuple(one.low for one in ordered), gaps)
