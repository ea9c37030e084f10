"""Form and clearance through expressions, against figures worked outside of this program.

The marks say how far a figure can be trusted: [verified: computed] was worked out apart from this code (a check on the
arithmetic, not a published figure); [common practice] is a formula of the trade with no citable source.
"""

from decimal import Decimal
from fractions import Fraction

import pytest

from collector.measuring.expression import build_expression, finite

# A bore of 25 mm measured at three levels, at 0 and 90 degrees [verified: computed]
LEVELS = {"top-0": "25.012", "top-90": "25.006", "middle-0": "25.010", "middle-90": "25.006",
          "bottom-0": "25.018", "bottom-90": "25.010"}
TOP, MIDDLE, BOTTOM = (f"({level}-0 + {level}-90) / 2" for level in ("top", "middle", "bottom"))
ALL = ", ".join(LEVELS)

# Limit sizes of holes and shafts of 25 mm, least and most [verified: computed from the tables of ISO 286-2]
HOLES = {"H7": ("25.0000", "25.0210"), "K7": ("24.9850", "25.0060"), "G7": ("25.0070", "25.0280")}
SHAFTS = {"g6": ("24.9800", "24.9930"), "h6": ("24.9870", "25.0000"), "p6": ("25.0220", "25.0350")}


def worked(text: str, sizes: dict[str, str], step: str = "0.000001") -> Decimal:
    built = build_expression(text, sizes)
    return finite(built.evaluate({name: Fraction(sizes[name]) for name in built.names}), Decimal(step))


@pytest.mark.parametrize("text, figure", [
    (TOP, "25.009"), (MIDDLE, "25.008"), (BOTTOM, "25.014"),                       # level means
    ("mean(top-0, top-90)", "25.009"), ("mean(bottom-0, bottom-90)", "25.014"),
    ("abs(top-0 - top-90)", "0.006"), ("abs(middle-90 - middle-0)", "0.004"),      # ovality at a level
    ("abs(bottom-0 - bottom-90)", "0.008"),
    ("max(abs(top-0 - top-90), abs(middle-0 - middle-90), abs(bottom-0 - bottom-90))", "0.008"),     # the worst level
    (f"{TOP} - {BOTTOM}", "-0.005"),                                               # taper, sign kept
    (f"{MIDDLE} - ({TOP} + {BOTTOM}) / 2", "-0.0035"),                             # barrel: below zero is a waist
    (f"{BOTTOM} - {MIDDLE}", "0.006"),                                             # bell-mouth at the bottom end
    (f"max({TOP}, {BOTTOM}) - {MIDDLE}", "0.006"),
    (f"max({ALL})", "25.018"), (f"min({ALL})", "25.006"),                          # extremes
])
def test_form_of_a_bore_from_three_levels_is_as_worked(text, figure):
    """[formulas: common practice; figures: verified, computed]"""
    assert worked(text, LEVELS) == Decimal(figure)


def test_overall_mean_of_six_diameters_has_no_end_and_is_rounded_once():
    """25.010333... [verified: computed]"""
    assert str(worked(f"mean({ALL})", LEVELS)) == "25.010333"
    assert str(worked(f"mean({ALL})", LEVELS, "0.0005")) == "25.0105"


def test_roundness_of_a_two_lobe_part_is_half_its_ovality():
    """[formula: common practice; figure: half of 0.008]"""
    assert worked("abs(bottom-0 - bottom-90) / 2", LEVELS) == Decimal("0.004")


@pytest.mark.parametrize("hole, shaft, least, most", [
    ("H7", "g6", "0.007", "0.041"),
    ("H7", "h6", "0.000", "0.034"),
    ("H7", "p6", "-0.035", "-0.001"),           # below zero: an interference
    ("K7", "h6", "-0.015", "0.019"),
    ("G7", "h6", "0.007", "0.041"),
])
def test_clearance_of_a_bore_and_its_shaft_spans_from_least_bore_to_least_shaft(hole, shaft, least, most):
    """[limit sizes: verified, computed; clearance: bore minus shaft, worked by hand here]"""
    (bore_min, bore_max), (shaft_min, shaft_max) = HOLES[hole], SHAFTS[shaft]
    assert worked("bore - shaft", {"bore": bore_min, "shaft": shaft_max}) == Decimal(least)
    assert worked("bore - shaft", {"bore": bore_max, "shaft": shaft_min}) == Decimal(most)
