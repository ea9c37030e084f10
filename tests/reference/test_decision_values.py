"""Decision rules, conformance probability, correction to 20 degrees C and classes against figures from outside.

Sources, with their marks.  tests/data/decision-rules.csv: 15 readings of 25 H7 with U = 0.003 mm, computed with
scipy.stats.norm and in decimals [verified: computed]; its column of a relaxed rule is not ours.  JCGM 106:2012, 7.3 and
7.4: inputs of 7.4 [verified], those of 7.3 [memory], results [verified: computed].  Figures called scipy's were printed
by scipy.stats.norm or scipy.integrate; scipy is not needed here, where it is found a grid is compared too.  Guard bands
of 0.83, 1, 1.5 and 3 U: [verified].  Thermal cases: linear expansion [verified: computed].  Classes and the side on
which a part can be reworked: [common practice].
"""

import csv
import math
from decimal import Decimal
from pathlib import Path

import pytest
from scipy.stats import norm

from collector.measuring.classes import build_classes
from collector.measuring.judge import (PROVEN, SIMPLE, STRINGENT, EmptyZone, Limits, build_judging,
                                       conformance_probability, disposition, judge)
from collector.measuring.thermal import correction

DATA = Path(__file__).parent.parent / "data"
SAID = {"accept": "pass", "reject": "fail", "conforming": "pass", "nonconforming": "fail", "not proven": "undecided"}
H7, U = Limits(Decimal("25.000"), Decimal("25.021")), Decimal("0.003")


def rows(name: str) -> list[dict[str, str]]:
    with open(DATA / name, encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("row", rows("decision-rules.csv"), ids=lambda row: row["y_mm"])
def test_a_row_of_the_decision_rules(row):
    size, uncertainty = Decimal(row["y_mm"]), Decimal(row["U_k2_mm"])
    limits = Limits(Decimal(row["T_lower_mm"]), Decimal(row["T_upper_mm"]))
    assert f"{conformance_probability(size, limits, uncertainty):.6f}" == row["conformance_probability"]
    for column, rule, drawn_in in (("simple", SIMPLE, uncertainty), ("guarded_g_eq_U", STRINGENT, uncertainty),
                                   ("guarded_g_eq_1.65u", STRINGENT, uncertainty * Decimal("0.825")),
                                   ("proof_of_conformity_3way", PROVEN, uncertainty)):
        assert judge(size, build_judging(limits, rule, drawn_in))[0] == SAID[row[column]], column


def test_the_acceptance_intervals_of_the_decision_rules():
    assert build_judging(H7, STRINGENT, U).passes == Limits(Decimal("25.003"), Decimal("25.018"))
    less = U * Decimal("0.825")
    assert build_judging(H7, STRINGENT, less).passes == Limits(Decimal("25.002475"), Decimal("25.018525"))


# y, u, lower, upper -> pc: JCGM 106:2012 7.4 and 7.3 (results computed); rows of the decision rules in full digits
@pytest.mark.parametrize("y, u, lower, upper, pc, within", [
    ("13.6", "1.8", "12.5", "16.3", 0.66263, 5e-6),
    ("-5.47", "0.05", None, "-5.40", 0.91924, 5e-6),
    ("5.47", "0.05", "5.40", None, 0.91924, 5e-6),
    ("25.0105", "0.0015", "25.000", "25.021", 0.9999999999974, 5e-14),
    ("0.005", "0.003", "0", "0.010", 0.904419, 5e-7),
])
def test_a_published_conformance_probability(y, u, lower, upper, pc, within):
    limits = Limits(*(None if one is None else Decimal(one) for one in (lower, upper)))
    assert conformance_probability(Decimal(y), limits, 2 * Decimal(u)) == pytest.approx(pc, abs=within)


# JCGM 106:2012 Table 1 (quantiles scipy's; that they are that table: from memory); Phi(1.65) scipy's
@pytest.mark.parametrize("z, pc, within", [("0.8416", 0.80, 2e-5), ("1.2816", 0.90, 1e-5), ("1.6449", 0.95, 1e-5),
                                           ("2.3263", 0.99, 2e-6), ("3.0902", 0.999, 2e-7), ("1.65", 0.950529, 5e-7)])
def test_one_sided_conformance_probability_by_quantile(z, pc, within):
    assert conformance_probability(-Decimal(z), Limits(upper=Decimal(0)), Decimal(2)) == pytest.approx(pc, abs=within)
    assert conformance_probability(Decimal(z), Limits(lower=Decimal(0)), Decimal(2)) == pytest.approx(pc, abs=within)


# one-sided probability of false acceptance with the reading on the acceptance limit, guard r U: scipy's norm.sf(2 r)
@pytest.mark.parametrize("r, pfa", [("0", "0.50000"), ("0.5", "0.15866"), ("0.82", "0.05050"), ("0.83", "0.04846"),
                                    ("1", "0.02275"), ("1.5", "0.0013499"), ("2", "3.167e-05"), ("3", "9.87e-10")])
def test_false_acceptance_on_the_acceptance_limit(r, pfa):
    guard = Decimal(r) * U
    on_the_limit, mirrored = H7.upper - guard, H7.upper + guard
    upper, lower = Limits(upper=H7.upper), Limits(lower=H7.upper)
    half_a_digit = float(Decimal((0, (5,), Decimal(pfa).as_tuple().exponent - 1)))
    for small in (conformance_probability(on_the_limit, lower, U), conformance_probability(mirrored, upper, U)):
        assert small == pytest.approx(float(pfa), abs=half_a_digit)
    assert 1 - conformance_probability(on_the_limit, upper, U) == pytest.approx(float(pfa), abs=half_a_digit)


def test_a_guard_too_large_for_the_tolerance_is_an_empty_zone():
    with pytest.raises(EmptyZone, match="0 [+] 6 = 6 is above 10 - 6 = 4"):
        build_judging(Limits(Decimal(0), Decimal(10)), STRINGENT, Decimal(6))


def tail(z: Decimal) -> Decimal:
    """1 - Phi(z) for z >= 1 by the continued fraction of Mills' ratio, in decimals: nothing of erfc in it."""
    fraction = z
    for step in range(500, 0, -1):
        fraction = z + step / fraction
    pi = Decimal("3.141592653589793238462643383")
    return (-z * z / 2).exp() / ((2 * pi).sqrt() * fraction)


@pytest.mark.parametrize("z", ["1", "1.5", "2", "3", "5", "6", "8", "10", "20", "30", "37"])
def test_small_probabilities_keep_their_digits(z):
    wanted = pytest.approx(float(tail(Decimal(z))), rel=2e-13, abs=0)
    assert conformance_probability(Decimal(z), Limits(upper=Decimal(0)), Decimal(2)) == wanted
    assert conformance_probability(-Decimal(z), Limits(lower=Decimal(0)), Decimal(2)) == wanted
    assert conformance_probability(-Decimal(z), Limits(Decimal(0), Decimal(100)), Decimal(2)) == wanted
    assert conformance_probability(Decimal(z), Limits(Decimal(-100), Decimal(0)), Decimal(2)) == wanted


def test_a_zone_far_narrower_than_the_uncertainty_keeps_its_digits():
    narrow = conformance_probability(Decimal(0), Limits(Decimal("-1e-9"), Decimal("1e-9")), Decimal(2))
    assert narrow == pytest.approx(2e-9 / math.sqrt(2 * math.pi), rel=1e-13, abs=0)      # density at 0 times width


def test_a_grid_agrees_with_scipy():
    for y in range(-80, 81):
        for lower, upper in ((-10, 10), (0, 3), (-30, -25), (5, 6)):
            ours = conformance_probability(Decimal(y) / 2, Limits(Decimal(lower), Decimal(upper)), Decimal("2.5"))
            low, high = (lower - y / 2) / 1.25, (upper - y / 2) / 1.25
            theirs = norm.sf(low) - norm.sf(high) if low > 0 else norm.cdf(high) - norm.cdf(low)
            assert ours == pytest.approx(theirs, rel=1e-11, abs=1e-300)


# global risks: a normal production of mean 10.5 and standard deviation 4, limits 0 to 21, u = 1.5: scipy.integrate's
@pytest.mark.parametrize("rule, times, false_accept, false_reject", [
    (SIMPLE, "1", 0.0022398, 0.0075515), (STRINGENT, "1", 0.00005987, 0.0705488),
    (STRINGENT, "0.825", 0.00014153, 0.0517880),
])
def test_global_risks_of_a_rule(rule, times, false_accept, false_reject):
    limits, uncertainty, steps = Limits(Decimal(0), Decimal(21)), Decimal(3), 60
    passes = build_judging(limits, rule, uncertainty * Decimal(times)).passes
    accepted = {True: 0.0, False: 0.0}
    conform = 0.0
    for at in range(-21 * steps, 42 * steps):                # midpoints: no step lies across a limit
        true = Decimal(2 * at + 1) / (2 * steps)
        share = math.exp(-(((float(true) - 10.5) / 4) ** 2) / 2) / (4 * math.sqrt(2 * math.pi) * steps)
        is_conforming = 0 <= at < 21 * steps
        chance = conformance_probability(true, passes, uncertainty)     # of a reading, given the true size
        accepted[is_conforming] += share * chance
        conform += share * is_conforming
    assert conform == pytest.approx(0.991335, abs=1e-6)
    assert accepted[False] == pytest.approx(false_accept, rel=1e-4)
    assert conform - accepted[True] == pytest.approx(false_reject, abs=1e-6)


@pytest.mark.parametrize("length, part, part_c, master, master_c, um", [
    (25, "11.5e-6", 25, "11.5e-6", 20, "1.4375"),
    (25, "23e-6", 25, "11.5e-6", 20, "2.875"),
    (100, "11.5e-6", 21, "11.5e-6", 20, "1.15"),
    (50, "12e-6", 30, "12e-6", 20, "6.0"),
    (60, "23e-6", 26, "11.5e-6", 20, "8.28"),
    (60, "23e-6", 26, "11.5e-6", 26, "4.14"),
    (60, "11.5e-6", 26, "11.5e-6", 26, "0"),
])
def test_a_thermal_case(length, part, part_c, master, master_c, um):
    found = correction(Decimal(length), Decimal(part), Decimal(part_c), Decimal(master), Decimal(master_c))
    assert found * 1000 == Decimal(um)


@pytest.mark.parametrize("size, name", [("24.999", ""), ("25.000", "1"), ("25.0069", "1"), ("25.007", "2"),
                                        ("25.014", "3"), ("25.021", "3"), ("25.0211", "")])
def test_h7_in_three_classes(size, name):
    thirds = [Decimal(one) for one in ("25.000", "25.007", "25.014", "25.021")]
    assert build_classes(list(zip("123", thirds, thirds[1:]))).of(Decimal(size)) == name


@pytest.mark.parametrize("feature, size, said", [("hole", "24.999", "rework"), ("hole", "25.022", "scrap"),
                                                 ("shaft", "24.999", "scrap"), ("shaft", "25.022", "rework")])
def test_which_side_can_be_reworked(feature, size, said):
    assert disposition(feature, judge(Decimal(size), build_judging(H7))[1]) == said


def test_what_is_not_proven_on_the_rework_side_can_be_reworked():
    assert disposition("hole", judge(Decimal("25.001"), build_judging(H7, PROVEN, U))[1]) == "rework"
