"""Limit deviations of ISO 286 against figures from outside the project.

Sources, by file.
tests/data/iso286-it.csv: ISO 286-1 Table 1.  IT6 to IT11 verified against the table in a public CAD program's source;
IT5 verified against a row in a public code file.
tests/data/iso286-limits.csv: f7, g6, k6, n6, F8, G7, K7, N7 verified against the same source; K7, N7, JS6, JS7 verified
against the printed hole table of a tooling catalogue; fundamental deviations of k, n, p verified in a textbook on
machine drawing; H, h are the IT table; F7, G6, p6, js6, P7 computed from these verified parts, not seen printed.
tests/data/iso286-worked.csv: computed from the two.
K6, K8, N6, N8: PRINTED below, verified: the same printed hole table of the tooling catalogue; and computed by the rule
ES = -ei + IT(n) - IT(n-1) from verified parts.  P6: so computed only, not seen printed.
"""

import csv
from decimal import Decimal
from pathlib import Path

import pytest

from collector.measuring.iso286 import deviations_um

DATA = Path(__file__).parent.parent / "data"
JUST_PAST = Decimal("0.0001")


def rows(name: str) -> list[dict[str, str]]:
    with open(DATA / name, encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


IT, LIMITS, WORKED = rows("iso286-it.csv"), rows("iso286-limits.csv"), rows("iso286-worked.csv")
IT_UM = {(row["over_mm"], row["grade"]): Decimal(row["table_um"]) for row in IT}
LOWER_UM = {(row["over_mm"], row["class"]): Decimal(row["lower_dev_um"]) for row in LIMITS}
RANGES = sorted({(int(row["over_mm"]), int(row["up_to_incl_mm"])) for row in LIMITS})


def sizes(over: object, up_to: object) -> list[Decimal]:
    """The first, one within, and the last size of a range."""
    over, up_to = Decimal(over), Decimal(up_to)
    return [over + JUST_PAST, (over + up_to) / 2, up_to]


@pytest.mark.parametrize("row", IT, ids=lambda row: f"{row['over_mm']}-{row['up_to_incl_mm']}-{row['grade']}")
def test_standard_tolerance(row):
    for nominal in sizes(row["over_mm"], row["up_to_incl_mm"]):
        assert deviations_um(nominal, row["grade"].replace("IT", "H")) == (0, Decimal(row["table_um"]))


@pytest.mark.parametrize("row", LIMITS, ids=lambda row: f"{row['over_mm']}-{row['up_to_incl_mm']}-{row['class']}")
def test_limit_deviations(row):
    for nominal in sizes(row["over_mm"], row["up_to_incl_mm"]):
        assert deviations_um(nominal, row["class"]) == (Decimal(row["lower_dev_um"]), Decimal(row["upper_dev_um"]))


@pytest.mark.parametrize("row", WORKED, ids=lambda row: f"{row['nominal_mm']}{row['class']}")
def test_worked_limits(row):
    nominal = Decimal(row["nominal_mm"])
    lower, upper = deviations_um(nominal, row["class"])
    assert (lower, upper) == (Decimal(row["lower_dev_um"]), Decimal(row["upper_dev_um"]))
    assert (nominal + lower / 1000, nominal + upper / 1000) == (Decimal(row["min_mm"]), Decimal(row["max_mm"]))


PRINTED = {  # upper, lower in the seven ranges over 3 up to 120 mm
    "K6": [(2, -6), (2, -7), (2, -9), (2, -11), (3, -13), (4, -15), (4, -18)],
    "K8": [(5, -13), (6, -16), (8, -19), (10, -23), (12, -27), (14, -32), (16, -38)],
    "N6": [(-5, -13), (-7, -16), (-9, -20), (-11, -24), (-12, -28), (-14, -33), (-16, -38)],
    "N8": [(-2, -20), (-3, -25), (-3, -30), (-3, -36), (-3, -42), (-4, -50), (-4, -58)],
}


@pytest.mark.parametrize("code", PRINTED)
def test_printed_hole_table(code):
    for (over, up_to), (upper, lower) in zip(RANGES, PRINTED[code], strict=True):
        for nominal in sizes(over, up_to):
            assert deviations_um(nominal, code) == (lower, upper)


@pytest.mark.parametrize("code", ["K6", "K7", "K8", "N6", "N7", "N8", "P6", "P7"])
def test_transition_and_interference_holes_by_the_rule(code):
    letter, grade = code[0].lower(), int(code[1])
    for over, up_to in RANGES:
        it, it_below = IT_UM[str(over), f"IT{grade}"], IT_UM[str(over), f"IT{grade - 1}"]
        upper = -LOWER_UM[str(over), f"{letter}6"] + it - it_below
        for nominal in sizes(over, up_to):
            assert deviations_um(nominal, code) == (upper - it, upper)


@pytest.mark.parametrize("letter", "FGfgknp")
def test_other_grades_start_from_the_same_fundamental_deviation(letter):
    """Computed from verified parts: the nearer limit of the class in the file, and an IT of each grade."""
    seen = {"F": "F7", "G": "G6", "f": "f7", "g": "g6", "k": "k6", "n": "n6", "p": "p6"}[letter]
    for over, up_to in RANGES:
        for grade in range(5, 9 if letter in "np" else 12):
            it, lower = IT_UM[str(over), f"IT{grade}"], LOWER_UM[str(over), seen]
            if letter in "fg":
                lower += IT_UM[str(over), f"IT{seen[1]}"] - it
            elif letter == "k" and grade > 7:
                lower = Decimal(0)
            assert deviations_um(Decimal(up_to), f"{letter}{grade}") == (lower, lower + it)


def test_every_row_was_looked_at():
    assert (len(IT), len(LIMITS), len(WORKED), len(RANGES)) == (13 * 7, 7 * 24, 38, 7)
