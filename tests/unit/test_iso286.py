"""Tolerance classes: what is covered, how ranges end, and what is said about everything else."""

from decimal import Decimal, localcontext

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.measuring.iso286 import NotCovered, deviations_um

D = Decimal
ENDS = [3, 6, 10, 18, 30, 50, 80, 120, 180, 250, 315, 400, 500]
WIDE = [f"{letter}{grade}" for letter in ("H", "h", "JS", "js") for grade in range(5, 12)]
MIDDLE = [f"{letter}{grade}" for letter, grades in
          {"F": range(5, 12), "G": range(5, 12), "f": range(5, 12), "g": range(5, 12), "k": range(5, 12),
           "n": range(5, 9), "p": range(5, 9), "K": range(6, 9), "N": range(6, 9), "P": range(6, 8)}.items()
          for grade in grades]
LETTERS = ["A", "B", "C", "CD", "D", "E", "EF", "F", "FG", "G", "H", "J", "JS", "K", "M", "N", "P", "R", "S", "T", "U",
           "V", "X", "Y", "Z", "ZA", "ZB", "ZC"]


def sizes_mm(over: int, up_to: int):
    return st.integers(over * 10**4 + 1, up_to * 10**4).map(lambda digits: D(digits).scaleb(-4))


def refusal(nominal: str, code: str) -> tuple[str, str]:
    with pytest.raises(NotCovered) as caught:
        deviations_um(D(nominal), code)
    return caught.value.what, caught.value.right


wide = st.tuples(sizes_mm(0, 500), st.sampled_from(WIDE))
middle = st.tuples(sizes_mm(3, 120), st.sampled_from(MIDDLE))


@given(wide | middle)
def test_limits_of_every_covered_class_are_one_standard_tolerance_apart(case):
    nominal, code = case
    grade = code.lstrip("FGHJKNPSfghjknps")
    lower, upper = deviations_um(nominal, code)
    assert type(lower) is type(upper) is Decimal
    assert 0 < upper - lower == deviations_um(nominal, f"H{grade}")[1]


@given(sizes_mm(0, 500), st.integers(5, 11))
def test_h_is_the_mirror_of_capital_h_and_js_is_symmetrical(nominal, grade):
    lower, upper = deviations_um(nominal, f"H{grade}")
    assert lower == 0
    assert deviations_um(nominal, f"h{grade}") == (-upper, 0)
    assert deviations_um(nominal, f"JS{grade}") == deviations_um(nominal, f"js{grade}") == (-upper / 2, upper / 2)


@given(sizes_mm(3, 120), st.sampled_from("FG"), st.integers(5, 11))
def test_f_and_g_are_mirrors_of_their_capitals(nominal, letter, grade):
    lower, upper = deviations_um(nominal, f"{letter}{grade}")
    assert deviations_um(nominal, f"{letter.lower()}{grade}") == (-upper, -lower)


@given(sizes_mm(3, 120), st.sampled_from("FGfgkn"), st.integers(5, 11), st.integers(5, 11))
def test_the_limit_nearer_to_nominal_does_not_depend_on_the_grade(nominal, letter, one, other):
    if letter == "n":
        one, other = min(one, 8), min(other, 8)
    elif letter == "k":
        one, other = min(one, 7), min(other, 7)
    nearer = 1 if letter in "fg" else 0
    assert deviations_um(nominal, f"{letter}{one}")[nearer] == deviations_um(nominal, f"{letter}{other}")[nearer]


@pytest.mark.parametrize("code, letters_end", [("H7", 500), ("js6", 500), ("g6", 120), ("K7", 120), ("p6", 120)])
def test_range_end_belongs_to_the_lower_range(code, letters_end):
    for over, end in zip(ENDS, ENDS[1:]):
        if end > letters_end:
            break
        assert deviations_um(D(end), code) == deviations_um(D(over) + D("0.0000001"), code), f"over {over} up to {end}"
        if end < letters_end:
            assert deviations_um(D(end), code) != deviations_um(D(end) + D("0.0000001"), code), f"just past {end}"


def test_ten_is_in_the_range_up_to_ten():
    assert deviations_um(D("10"), "H7") == deviations_um(D("10.000"), "H7") == (0, 15)
    assert deviations_um(D("10.001"), "H7") == (0, 18)


def test_half_micrometres_are_kept():
    assert [str(deviation) for deviation in deviations_um(D(25), "JS7")] == ["-10.5", "10.5"]
    assert [str(deviation) for deviation in deviations_um(D(40), "js6")] == ["-8", "8"]


def test_k_is_on_nominal_above_grade_seven():
    assert [deviations_um(D(25), f"k{grade}") for grade in (5, 7, 8, 11)] == [(2, 11), (2, 23), (0, 33), (0, 130)]


def test_nothing_depends_on_the_precision_of_the_caller():
    with localcontext(prec=1):
        deviations = deviations_um(D("499.9999"), "JS9"), deviations_um(D("119.9999"), "f7")
    assert deviations == ((D("-77.5"), D("77.5")), (-71, -36))


@pytest.mark.parametrize("letter", [*LETTERS, *(letter.lower() for letter in LETTERS)])
def test_every_other_class_of_the_standard_is_refused_with_words(letter):
    covered = 0
    for grade in ["01", *range(19)]:
        for nominal, classes in [("2", WIDE), ("25", WIDE + MIDDLE), ("200", WIDE)]:
            if f"{letter}{grade}" in classes:
                covered += 1
                deviations_um(D(nominal), f"{letter}{grade}")
                continue
            what, right = refusal(nominal, f"{letter}{grade}")
            assert f"{letter}{grade}" in what and "cover" in right
    assert covered == sum(code.rstrip("0123456789") == letter for code in 2 * WIDE + WIDE + MIDDLE)


@pytest.mark.parametrize("nominal, code, what, right", [
    ("25", "H4", "tolerance 'H4' is not in the table", "H is covered in grades 5 to 11, up to 500 mm"),
    ("25", "H01", "tolerance 'H01' is not in the table", "H is covered in grades 5 to 11, up to 500 mm"),
    ("25", "f12", "tolerance 'f12' is not in the table", "f is covered in grades 5 to 11, over 3 up to 120 mm"),
    ("25", "P8", "tolerance 'P8' is not in the table",
     "P is covered in grades 6 to 7, over 3 up to 120 mm; for a shaft, p8 is covered"),
    ("25", "n9", "tolerance 'n9' is not in the table", "n is covered in grades 5 to 8, over 3 up to 120 mm"),
    ("25", "Js7", "tolerance 'Js7' is not in the table", "write JS7 for a hole, js7 for a shaft"),
    ("25", "jS7", "tolerance 'jS7' is not in the table", "write JS7 for a hole, js7 for a shaft"),
    ("25", "E8", "tolerance 'E8' is not in the table",
     "covered are F, G, H, JS, K, N, P, f, g, h, js, k, n, p; write any other as limits"),
    ("3", "g6", "tolerance 'g6' is not in the table for 3 mm", "g is covered in grades 5 to 11, over 3 up to 120 mm"),
    ("120.001", "K7", "tolerance 'K7' is not in the table for 120.001 mm",
     "K is covered in grades 6 to 8, over 3 up to 120 mm"),
    ("500.001", "H7", "tolerance 'H7' is not in the table for 500.001 mm",
     "H is covered in grades 5 to 11, up to 500 mm"),
    ("1E+3", "JS7", "tolerance 'JS7' is not in the table for 1000 mm",
     "JS is covered in grades 5 to 11, up to 500 mm"),
    ("0", "H7", "tolerance 'H7' needs a nominal above 0 mm, not 0 mm", "H is covered in grades 5 to 11, up to 500 mm"),
    ("-25", "g6", "tolerance 'g6' needs a nominal above 0 mm, not -25 mm",
     "g is covered in grades 5 to 11, over 3 up to 120 mm"),
])
def test_refusal_says_what_is_wrong_and_what_would_be_right(nominal, code, what, right):
    assert refusal(nominal, code) == (what, right)


@pytest.mark.parametrize("code", ["", "H", "7", "7H", "H7/g6", "H07", "H 7", " H7", "H7\n", "H-7", "H7.0", "H777",
                                  "HHH7", "\u041d7", "H\u0667"])
def test_what_is_no_class_is_said_to_be_none(code):
    assert refusal("25", code) == (f"{code!r} is not a tolerance class",
                                   "write one class, its letter before its grade, as in H7, g6 or JS7")


def test_a_refusal_is_a_value_error_with_both_texts():
    with pytest.raises(ValueError, match="is not in the table\nH is covered"):
        deviations_um(D(25), "H4")
