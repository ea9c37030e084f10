"""Judging: the three rules on every bound, with one limit or none, and what stays true for any size."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.measuring.judge import (ABOVE, BELOW, FAIL, PASS, PROVEN, SIMPLE, STRINGENT, UNDECIDED, EmptyZone,
                                       Limits, build_judging, conformance_probability, disposition, judge)
from collector.measuring.units import Unit, convert_exactly

BORE = Limits(Decimal("12.000"), Decimal("12.018"))
U = Decimal("0.002")
INSIDE, NOTHING = (PASS, ""), ("", "")
RANKS = {(FAIL, BELOW): 0, (UNDECIDED, BELOW): 1, INSIDE: 2, NOTHING: 2, (UNDECIDED, ABOVE): 3, (FAIL, ABOVE): 4}


def say(size: str, rule: str, limits: Limits = BORE, uncertainty: Decimal | None = U) -> tuple[str, str]:
    return judge(Decimal(size), build_judging(limits, rule, uncertainty))


@pytest.mark.parametrize("size, simple, stringent, proven", [
    ("11.9979999", (FAIL, BELOW), (FAIL, BELOW), (FAIL, BELOW)),
    ("11.998", (FAIL, BELOW), (FAIL, BELOW), (UNDECIDED, BELOW)),
    ("11.9999999", (FAIL, BELOW), (FAIL, BELOW), (UNDECIDED, BELOW)),
    ("12.000", INSIDE, (FAIL, BELOW), (UNDECIDED, BELOW)),
    ("12.0019999", INSIDE, (FAIL, BELOW), (UNDECIDED, BELOW)),
    ("12.002", INSIDE, INSIDE, INSIDE),
    ("12.016", INSIDE, INSIDE, INSIDE),
    ("12.0160001", INSIDE, (FAIL, ABOVE), (UNDECIDED, ABOVE)),
    ("12.018", INSIDE, (FAIL, ABOVE), (UNDECIDED, ABOVE)),
    ("12.0180001", (FAIL, ABOVE), (FAIL, ABOVE), (UNDECIDED, ABOVE)),
    ("12.020", (FAIL, ABOVE), (FAIL, ABOVE), (UNDECIDED, ABOVE)),
    ("12.0200001", (FAIL, ABOVE), (FAIL, ABOVE), (FAIL, ABOVE)),
])
def test_each_rule_on_each_bound_and_just_beside_it(size, simple, stringent, proven):
    assert (say(size, SIMPLE), say(size, STRINGENT), say(size, PROVEN)) == (simple, stringent, proven)


@pytest.mark.parametrize("size, stringent, proven", [
    ("0.002", INSIDE, INSIDE), ("0.001", (FAIL, BELOW), (UNDECIDED, BELOW)), ("-0.003", (FAIL, BELOW), (FAIL, BELOW)),
    ("1000000", INSIDE, INSIDE),
])
def test_a_lower_limit_alone_has_no_upper_end(size, stringent, proven):
    lower = Limits(lower=Decimal(0))
    assert (say(size, STRINGENT, lower), say(size, PROVEN, lower)) == (stringent, proven)


@pytest.mark.parametrize("size, stringent, proven", [
    ("-0.002", INSIDE, INSIDE), ("-0.001", (FAIL, ABOVE), (UNDECIDED, ABOVE)), ("0.003", (FAIL, ABOVE), (FAIL, ABOVE)),
    ("-1000000", INSIDE, INSIDE),
])
def test_an_upper_limit_alone_has_no_lower_end(size, stringent, proven):
    upper = Limits(upper=Decimal(0))
    assert (say(size, STRINGENT, upper), say(size, PROVEN, upper)) == (stringent, proven)


@pytest.mark.parametrize("rule", [SIMPLE, STRINGENT, PROVEN])
def test_without_limits_nothing_is_said(rule):
    assert say("12.009", rule, Limits()) == NOTHING


def test_a_judging_keeps_the_tolerance_beside_its_zones():
    judging = build_judging(BORE, PROVEN, U)
    assert (judging.limits, judging.rule, judging.uncertainty) == (BORE, PROVEN, U)
    assert judging.passes == Limits(Decimal("12.002"), Decimal("12.016"))
    assert judging.fails == Limits(Decimal("11.998"), Decimal("12.020"))


def test_zones_that_meet_leave_one_size_that_passes():
    uncertainty = Decimal("0.009")
    for rule, beside in ((STRINGENT, FAIL), (PROVEN, UNDECIDED)):
        said = [say(size, rule, BORE, uncertainty) for size in ("12.0089999", "12.009", "12.0090001")]
        assert said == [(beside, BELOW), INSIDE, (beside, ABOVE)]


@pytest.mark.parametrize("rule", [STRINGENT, PROVEN])
def test_an_empty_zone_is_refused_with_its_arithmetic(rule):
    with pytest.raises(EmptyZone) as refused:
        build_judging(BORE, rule, Decimal("0.010"))
    assert str(refused.value) == "no size passes: 12.000 + 0.010 = 12.010 is above 12.018 - 0.010 = 12.008"


def test_the_simple_rule_may_know_an_uncertainty_of_any_size():
    assert say("12.018", SIMPLE, BORE, Decimal("0.5")) == INSIDE


@pytest.mark.parametrize("rule, uncertainty, said", [
    (STRINGENT, None, "needs an uncertainty"), (PROVEN, None, "needs an uncertainty"),
    ("strict", U, "known are simple, stringent, proven"),
    (SIMPLE, Decimal(0), "not above 0"),
    (STRINGENT, Decimal("-0.002"), "uncertainty -0.002 is not above 0"),
])
def test_a_rule_that_can_not_be_followed_is_refused(rule, uncertainty, said):
    with pytest.raises(ValueError, match=said) as refused:
        build_judging(BORE, rule, uncertainty)
    assert not isinstance(refused.value, EmptyZone)


def test_eighteen_digits_are_not_rounded_when_limits_are_moved():
    limits, uncertainty = Limits(Decimal("99999999999999999"), None), Decimal("0.00000000000000001")
    judging = build_judging(limits, PROVEN, uncertainty)
    assert judging.passes.lower == Decimal("99999999999999999.00000000000000001")
    assert judging.fails.lower == Decimal("99999999999999998.99999999999999999")


@pytest.mark.parametrize("feature, below, above", [
    ("hole", "rework", "scrap"), ("shaft", "scrap", "rework"), ("other", "", ""),
])
def test_a_part_can_be_reworked_where_material_is_left(feature, below, above):
    assert (disposition(feature, BELOW), disposition(feature, ABOVE), disposition(feature, "")) == (below, above, "")


# --- for any size, limits and uncertainty

whole = st.integers(-10**8, 10**8)
widths = st.integers(1, 10**5)
Case = tuple[int, int | None, int | None, int]


@st.composite
def cases(draw) -> Case:
    """(size, lower, upper, uncertainty) in whole steps: the size near a bound as often as not, never an empty zone."""
    uncertainty, lower = draw(widths), draw(whole)
    upper = lower + 2 * uncertainty + draw(st.integers(0, 10**5))
    bound = draw(st.sampled_from([lower, upper])) + draw(st.integers(-1, 1)) * uncertainty
    size = draw(st.one_of(st.integers(bound - 2, bound + 2), st.integers(lower - 10**5, upper + 10**5)))
    side = draw(st.sampled_from(["both", "lower", "upper"]))
    return size, None if side == "upper" else lower, None if side == "lower" else upper, uncertainty


def judged(case: Case, rule: str, exponent: int = -6, shift: int = 0) -> tuple[str, str]:
    size, lower, upper = (None if one is None else Decimal(one + shift).scaleb(exponent) for one in case[:3])
    return judge(size, build_judging(Limits(lower, upper), rule, Decimal(case[3]).scaleb(exponent)))


rules = st.sampled_from([SIMPLE, STRINGENT, PROVEN])


@given(case=cases(), rule=rules)
def test_the_verdict_is_that_of_whole_numbers(case, rule):
    size, lower, upper, uncertainty = case
    far = 10**12
    lower, upper = -far if lower is None else lower, far if upper is None else upper
    inner, outer = {SIMPLE: (0, 0), STRINGENT: (uncertainty, -uncertainty), PROVEN: (uncertainty, uncertainty)}[rule]
    side = BELOW if size < lower + inner else ABOVE if size > upper - inner else ""
    fails = not lower - outer <= size <= upper + outer
    assert judged(case, rule) == ((FAIL if fails else UNDECIDED) if side else PASS, side)


@given(case=cases(), step=st.integers(0, 10**5), rule=rules)
def test_a_larger_size_never_goes_back_towards_below(case, step, rule):
    assert RANKS[judged(case, rule)] <= RANKS[judged((case[0] + step, *case[1:]), rule)]


@given(case=cases())
def test_rules_are_never_at_odds(case):
    simple, stringent, proven = judged(case, SIMPLE), judged(case, STRINGENT), judged(case, PROVEN)
    assert stringent != INSIDE or simple == INSIDE
    assert (proven == INSIDE) == (stringent == INSIDE)
    assert proven[0] != FAIL or proven == simple == stringent
    assert simple == INSIDE or proven[1] == simple[1]


@given(case=cases(), rule=rules, exponent=st.integers(-12, 3), shift=whole)
def test_the_verdict_stays_when_everything_is_scaled_or_shifted(case, rule, exponent, shift):
    assert judged(case, rule, exponent, shift) == judged(case, rule)


@given(case=cases(), rule=rules)
def test_inches_and_millimetres_are_judged_alike(case, rule):
    inches = [None if one is None else Decimal(one).scaleb(-7) for one in case]
    mm = [None if one is None else convert_exactly(one, Unit.IN, Unit.MM) for one in inches]
    said = [judge(size, build_judging(Limits(lower, upper), rule, by)) for size, lower, upper, by in (inches, mm)]
    assert said[0] == said[1]


@given(case=cases())
def test_a_probability_and_those_beside_the_limits_make_one(case):
    size, lower, upper, uncertainty = (None if one is None else Decimal(one) for one in case)
    beside = [Limits(upper=lower)] if lower is not None else []
    beside += [Limits(lower=upper)] if upper is not None else []
    chances = [conformance_probability(size, limits, uncertainty) for limits in (Limits(lower, upper), *beside)]
    assert all(0 <= one <= 1 for one in chances)
    assert sum(chances) == pytest.approx(1, abs=1e-15)


@given(case=cases())
def test_what_passes_when_drawn_in_conforms_with_95_percent(case):
    size, lower, upper, uncertainty = (None if one is None else Decimal(one) for one in case)
    chance = conformance_probability(size, Limits(lower, upper), uncertainty)
    verdict, _ = judged(case, PROVEN)
    assert verdict != PASS or chance > 0.9544                # both limits exactly U away: Phi(2) - Phi(-2)
    assert verdict != FAIL or chance < 0.02276               # beyond U from one limit: 1 - Phi(2)


def test_a_probability_without_limits_is_one():
    assert conformance_probability(Decimal("12.009"), Limits(), U) == 1.0
