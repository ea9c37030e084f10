"""Published rules by which points of a control chart tell that something has changed.

Knows: the four rules of Western Electric and the eight of Nelson, in words and as they fire.  A signal stands at the
point that completes its pattern, and at each further one that completes it again.  On a line is not beyond it; a point
on the centre line is on neither side.
Must not know: what the points are, how the chart was made.

Sources: Western Electric Company, Statistical Quality Control Handbook, 1956; L. S. Nelson, The Shewhart Control
Chart - Tests for Special Causes, Journal of Quality Technology 16, October 1984 [verified: encyclopedia pages on both
sets of rules that name these].
"""

import math
from collections.abc import Callable, Sequence

import numpy as np
from msgspec import Struct
from scipy.special import ndtr


class Signal(Struct, frozen=True, gc=False):
    """A rule that fired: `at` is the index of the point that completes it, `rule` a name in RULES."""

    at: int
    rule: str


RULES = {
    "Western Electric 1": "one point beyond 3 deviations from the centre line",
    "Western Electric 2": "two of three points in a row beyond 2 deviations, on the same side",
    "Western Electric 3": "four of five points in a row beyond 1 deviation, on the same side",
    "Western Electric 4": "eight points in a row on the same side of the centre line",
    "Nelson 1": "one point beyond 3 deviations from the centre line",
    "Nelson 2": "nine points in a row on the same side of the centre line",
    "Nelson 3": "six points in a row, each higher than the one before, or each lower",
    "Nelson 4": "fourteen points in a row, up and down by turns",
    "Nelson 5": "two of three points in a row beyond 2 deviations, on the same side",
    "Nelson 6": "four of five points in a row beyond 1 deviation, on the same side",
    "Nelson 7": "fifteen points in a row within 1 deviation of the centre line",
    "Nelson 8": "eight points in a row beyond 1 deviation from the centre line, and on both sides of it",
}
WESTERN_ELECTRIC = tuple(name for name in RULES if name.startswith("Western"))
NELSON = tuple(name for name in RULES if name.startswith("Nelson"))
BEYOND_LIMITS = WESTERN_ELECTRIC[:1]


def signals(points: Sequence[float], centre: float, sigma: float,
            rules: Sequence[str] = WESTERN_ELECTRIC) -> tuple[Signal, ...]:
    """Where each rule fires, by point, then in the order of `rules`.  `sigma` is the deviation of a point of the chart.

    Raises KeyError for a rule that is not in RULES.
    """
    x = np.asarray(points, dtype=float)
    found = [np.flatnonzero(_FIRES[rule](x, centre, sigma)) for rule in rules]
    if not found:
        return ()
    at = np.concatenate(found)
    name = np.repeat(np.arange(len(rules)), [len(places) for places in found])
    order = np.argsort(at, kind="stable")
    return tuple(Signal(place, rules[which])
                 for place, which in zip(at[order].tolist(), name[order].tolist(), strict=True))


def _recent(flags: np.ndarray, window: int) -> np.ndarray:
    """How many of the `window` places that end at each place are set; the first places have fewer to look at."""
    so_far = np.cumsum(flags)
    counts = so_far.copy()
    counts[window:] -= so_far[:-window]
    return counts


def _on_one_side(zone: float, many: int, of: int) -> Callable[[np.ndarray, float, float], np.ndarray]:
    def fires(x: np.ndarray, centre: float, sigma: float) -> np.ndarray:
        above, below = x > centre + zone * sigma, x < centre - zone * sigma
        return (above & (_recent(above, of) >= many)) | (below & (_recent(below, of) >= many))
    return fires


def _six_in_one_direction(x: np.ndarray, _centre: float, _sigma: float) -> np.ndarray:
    step = np.diff(x, prepend=x[:1])                      # the first point has no step
    return (_recent(step > 0, 5) == 5) | (_recent(step < 0, 5) == 5)


def _fourteen_by_turns(x: np.ndarray, _centre: float, _sigma: float) -> np.ndarray:
    way = np.sign(np.diff(x, prepend=x[:1]))
    turned = way * np.concatenate([way[:1], way[:-1]]) < 0
    return _recent(turned, 12) == 12                      # fourteen points have thirteen steps and twelve turns


def _fifteen_within(x: np.ndarray, centre: float, sigma: float) -> np.ndarray:
    return _recent((x >= centre - sigma) & (x <= centre + sigma), 15) == 15


def _eight_on_both_sides(x: np.ndarray, centre: float, sigma: float) -> np.ndarray:
    above, below = x > centre + sigma, x < centre - sigma
    return (_recent(above | below, 8) == 8) & (_recent(above, 8) > 0) & (_recent(below, 8) > 0)


_FIRES = {
    "Western Electric 1": _on_one_side(3, 1, 1),
    "Western Electric 2": _on_one_side(2, 2, 3),
    "Western Electric 3": _on_one_side(1, 4, 5),
    "Western Electric 4": _on_one_side(0, 8, 8),
    "Nelson 1": _on_one_side(3, 1, 1),
    "Nelson 2": _on_one_side(0, 9, 9),
    "Nelson 3": _six_in_one_direction,
    "Nelson 4": _fourteen_by_turns,
    "Nelson 5": _on_one_side(2, 2, 3),
    "Nelson 6": _on_one_side(1, 4, 5),
    "Nelson 7": _fifteen_within,
    "Nelson 8": _eight_on_both_sides,
}


def _chance_on_one_side(zone: float, many: int, of: int) -> float:
    beyond = float(ndtr(-zone))
    before = sum(math.comb(of - 1, k) * beyond**k * (1 - beyond) ** (of - 1 - k) for k in range(many - 1, of))
    return 2 * beyond * before


_OUTSIDE = float(2 * ndtr(-1.0))
_BY_TURNS_OF_14 = 199_360_981                             # the zigzag number of 14: orders that go down first
CHANCE = {
    "Western Electric 1": _chance_on_one_side(3, 1, 1),
    "Western Electric 2": _chance_on_one_side(2, 2, 3),
    "Western Electric 3": _chance_on_one_side(1, 4, 5),
    "Western Electric 4": _chance_on_one_side(0, 8, 8),
    "Nelson 1": _chance_on_one_side(3, 1, 1),
    "Nelson 2": _chance_on_one_side(0, 9, 9),
    "Nelson 3": 2 / math.factorial(6),
    "Nelson 4": 2 * _BY_TURNS_OF_14 / math.factorial(14),
    "Nelson 5": _chance_on_one_side(2, 2, 3),
    "Nelson 6": _chance_on_one_side(1, 4, 5),
    "Nelson 7": (1 - _OUTSIDE) ** 15,
    "Nelson 8": _OUTSIDE**8 - 2 * (_OUTSIDE / 2) ** 8,
}
"""How often each rule fires at a point of a process that has not changed (normal, independent, its centre and deviation
known; past the first points): so many signals a point come by chance.  Counted from the words; compared by drawing."""
