"""Limit deviations of the tolerance classes of ISO 286 (H7, g6, JS7), by table.

Knows: standard tolerances IT5 to IT11 up to 500 mm; fundamental deviations of f, g, k, n, p over 3 up to 120 mm; the
rules that make the other letters of these.  A size on the end of a range belongs to that range, not to the next.
Must not know: parts, limits in use, any unit but millimetre and micrometre.

The standard's tables are rounded in steps, so no formula in the size gives them back: a size outside them is refused.
"""

import re
from decimal import Decimal

from collector.measuring.units import EXACT

_IT_UM = {                                             # ISO 286-1 Table 1; up to and including mm: IT5 ... IT11
    3: (4, 6, 10, 14, 25, 40, 60),
    6: (5, 8, 12, 18, 30, 48, 75),
    10: (6, 9, 15, 22, 36, 58, 90),
    18: (8, 11, 18, 27, 43, 70, 110),
    30: (9, 13, 21, 33, 52, 84, 130),
    50: (11, 16, 25, 39, 62, 100, 160),
    80: (13, 19, 30, 46, 74, 120, 190),
    120: (15, 22, 35, 54, 87, 140, 220),
    180: (18, 25, 40, 63, 100, 160, 250),
    250: (20, 29, 46, 72, 115, 185, 290),
    315: (23, 32, 52, 81, 130, 210, 320),
    400: (25, 36, 57, 89, 140, 230, 360),
    500: (27, 40, 63, 97, 155, 250, 400),
}
_FUNDAMENTAL_UM = {                                    # the distance to nominal of the nearer limit of a shaft
    6: {"f": 10, "g": 4, "k": 1, "n": 8, "p": 12},
    10: {"f": 13, "g": 5, "k": 1, "n": 10, "p": 15},
    18: {"f": 16, "g": 6, "k": 1, "n": 12, "p": 18},
    30: {"f": 20, "g": 7, "k": 2, "n": 15, "p": 22},
    50: {"f": 25, "g": 9, "k": 2, "n": 17, "p": 26},
    80: {"f": 30, "g": 10, "k": 2, "n": 20, "p": 32},
    120: {"f": 36, "g": 12, "k": 3, "n": 23, "p": 37},
}
_GRADES = {
    **dict.fromkeys(("F", "G", "H", "JS"), range(5, 12)), "K": range(6, 9), "N": range(6, 9), "P": range(6, 8),
    **dict.fromkeys(("f", "g", "h", "js", "k"), range(5, 12)), "n": range(5, 9), "p": range(5, 9),
}
_BY_IT_ALONE = ("H", "JS", "h", "js")
_CODE = re.compile(r"([A-Za-z]{1,2})(01|0|[1-9][0-9]?)")


class NotCovered(ValueError):
    """No deviations for this code on this nominal.  `what` is wrong; what would be `right`."""

    def __init__(self, what: str, right: str):
        self.what, self.right = what, right
        super().__init__(f"{what}\n{right}")


def deviations_um(nominal_mm: Decimal, code: str) -> tuple[Decimal, Decimal]:
    """(lower, upper) limit deviations in micrometres of a class such as H7, g6, JS7 on this nominal size.

    Exact; JS and js keep half a micrometre.  Raises NotCovered.
    """
    letter, grade = _class_of(code)
    up_to = _range_end(nominal_mm, code, letter)
    lower = _lower_um(letter, grade, up_to)
    return lower, EXACT.add(lower, _it_um(grade, up_to))


def _class_of(code: str) -> tuple[str, int]:
    found = _CODE.fullmatch(code)
    if not found:
        raise NotCovered(f"{code!r} is not a tolerance class",
                         "write one class, its letter before its grade, as in H7, g6 or JS7")
    letter, grade = found[1], int(found[2])
    missing = f"tolerance {code!r} is not in the table"
    if letter not in _GRADES:
        if letter.upper() == "JS":
            raise NotCovered(missing, f"write JS{grade} for a hole, js{grade} for a shaft")
        raise NotCovered(missing, f"covered are {', '.join(_GRADES)}; write any other as limits")
    if grade not in _GRADES[letter]:
        other, feature = code.swapcase(), "hole" if letter.islower() else "shaft"
        hint = f"; for a {feature}, {other} is covered" if grade in _GRADES[letter.swapcase()] else ""
        raise NotCovered(missing, _covered(letter) + hint)
    return letter, grade


def _range_end(nominal_mm: Decimal, code: str, letter: str) -> int:
    if nominal_mm <= 0:
        raise NotCovered(f"tolerance {code!r} needs a nominal above 0 mm, not {nominal_mm:f} mm", _covered(letter))
    over, up_to = _sizes_mm(letter)
    if not over < nominal_mm <= up_to:
        raise NotCovered(f"tolerance {code!r} is not in the table for {nominal_mm:f} mm", _covered(letter))
    return next(end for end in _IT_UM if nominal_mm <= end)


def _covered(letter: str) -> str:
    grades, (over, up_to) = _GRADES[letter], _sizes_mm(letter)
    sizes = f"over {over} up to {up_to} mm" if over else f"up to {up_to} mm"
    return f"{letter} is covered in grades {grades[0]} to {grades[-1]}, {sizes}"


def _sizes_mm(letter: str) -> tuple[int, int]:
    """Over, up to and including."""
    return (0, 500) if letter in _BY_IT_ALONE else (3, 120)


def _it_um(grade: int, up_to: int) -> int:
    return _IT_UM[up_to][grade - 5]


def _lower_um(letter: str, grade: int, up_to: int) -> Decimal:
    """The lower deviation; the upper one is an IT above it.

    Holes K, N, P (ISO 286-1): ES = -ei + IT(n) - IT(n-1), so EI = -ei - IT(n-1), with the ei of k for grades up to 7.
    P6 and P7 are made by this rule alone; K6, K7, K8, N6, N7, N8 were also seen printed.
    """
    it = _it_um(grade, up_to)
    if letter in ("JS", "js"):
        return EXACT.divide(-it, 2)
    if letter in _BY_IT_ALONE:
        return Decimal(0 if letter == "H" else -it)
    fundamental = _FUNDAMENTAL_UM[up_to][letter.lower()]
    if letter in ("K", "N", "P"):
        return Decimal(-fundamental - _it_um(grade - 1, up_to))
    if letter in ("f", "g"):
        return Decimal(-fundamental - it)
    return Decimal(0 if letter == "k" and grade > 7 else fundamental)
