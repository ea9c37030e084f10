import math
from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.statistics.charts import individuals, subgroups
from collector.statistics.rules import Signal

SIZES = st.decimals(min_value=-100, max_value=100, places=3)


def sizes(*numbers: float | str) -> list[Decimal]:
    return [Decimal(str(number)) for number in numbers]


def test_individuals_have_their_values_and_the_steps_between_them_as_points():
    charts = individuals(sizes(12.004, 12.007, 12.006))
    assert charts.size == 1 and charts.left_over == 0
    assert (charts.location.what, charts.spread.what) == ("individuals", "moving range")
    assert charts.location.points == (12.004, 12.007, 12.006)
    assert charts.spread.points == (0.003, 0.001), "exact decimals: floats would give 0.0030000000000001137"
    assert charts.within == pytest.approx(0.002 * math.sqrt(math.pi) / 2, rel=1e-12)


def test_limits_lie_three_deviations_of_a_point_from_the_centre():
    charts = subgroups(sizes(*range(20), 3, 9), 4)
    for chart in (charts.location, charts.spread):
        assert chart.upper == pytest.approx(chart.centre + 3 * chart.sigma)
    assert charts.location.lower == pytest.approx(charts.location.centre - 3 * charts.location.sigma)
    assert charts.spread.lower == 0.0, "D3 of 4 is 0"
    assert charts.left_over == 2


def test_values_of_an_incomplete_subgroup_change_nothing():
    whole, more = subgroups(sizes(1, 2, 5, 4), 2), subgroups(sizes(1, 2, 5, 4, 99), 2)
    assert whole.location == more.location and whole.spread == more.spread
    assert (whole.left_over, more.left_over) == (0, 1)


def test_subgroups_of_one_are_individuals():
    values = sizes(1, 2, 5, 4)
    assert subgroups(values, 1) == individuals(values)


def test_spread_is_a_range_up_to_ten_and_a_deviation_above_or_where_asked():
    values = sizes(*[number % 7 for number in range(44)])
    assert subgroups(values, 10).spread.what == "range"
    assert subgroups(values, 11).spread.what == "deviation"
    assert subgroups(values, 5, "deviation").spread.what == "deviation"


@pytest.mark.parametrize("values, size", [([], 1), (["1"], 1), (["1", "2", "3"], 2)])
def test_fewer_than_two_points_are_refused_in_words(values, size):
    with pytest.raises(ValueError, match="at least 2 points, here (is|are) [01]"):
        subgroups(sizes(*values), size)


@pytest.mark.parametrize("size, spread", [(0, "range"), (-1, "range"), (2, "sigma")])
def test_a_chart_that_does_not_exist_is_refused(size, spread):
    with pytest.raises(ValueError, match="no chart of subgroups"):
        subgroups(sizes(1, 2, 3, 4), size, spread)


def test_jump_is_a_signal_on_both_charts_and_not_stable():
    values = sizes(*[10, 11] * 10, 30)
    charts = individuals(values)
    assert Signal(20, "Western Electric 1") in charts.location.signals
    assert charts.spread.signals == (Signal(19, "Western Electric 1"),)
    assert not charts.stable


def test_run_on_one_side_is_not_stable_though_all_lie_within_limits():
    values = sizes(*[10, 9, 10, 9, 10, 9, 10, 9, 10, 9, 11, 12, 11, 12, 11, 12, 11, 12])
    charts = individuals(values)
    assert {signal.rule for signal in charts.location.signals} >= {"Western Electric 4"}
    assert all(charts.location.lower < point < charts.location.upper for point in charts.location.points)
    assert not charts.stable


def test_spread_beyond_its_limit_alone_is_not_stable():
    charts = subgroups(sizes(*[1, 2, 3] * 8, -4, 2, 8), 3)
    assert charts.location.signals == () and charts.spread.signals == (Signal(8, "Western Electric 1"),)
    assert not charts.stable


def test_spread_is_read_by_its_limits_only():
    charts = individuals(sizes(*[number / 10 for number in range(20)], 12, 2))
    run_of_short_steps = charts.spread.points[:8]
    assert max(run_of_short_steps) < charts.spread.centre
    assert {signal.rule for signal in charts.spread.signals} == {"Western Electric 1"}


def test_quiet_values_are_stable():
    assert individuals(sizes(10, 11, 9, 10, 11, 9, 10, 9, 11, 10)).stable


def test_values_that_do_not_differ_make_flat_charts_without_signals():
    charts = individuals(sizes(5, 5, 5, 5, 5, 5, 5, 5, 5))
    assert charts.within == 0.0 and charts.stable


@given(st.lists(SIZES, min_size=4, max_size=40), st.integers(-(10**6), 10**6), st.integers(1, 2))
def test_a_shift_changes_no_spread(values, shift, size):
    one, other = subgroups(values, size), subgroups([value + shift for value in values], size)
    assert other.within == one.within and other.spread == one.spread


@pytest.mark.parametrize("make, length", [
    (individuals, 30), (lambda values: subgroups(values, 5), 50),
    (lambda values: subgroups(values, 4, "deviation"), 40)], ids=["moving range", "range", "deviation"])
def test_within_of_drawn_values_is_worth_its_degrees_of_freedom(make, length):
    """within is 1 on average, and its relative variance is that of a deviation with `degrees`: about 1 / (2 nu)."""
    draw = np.random.default_rng(21).standard_normal((1500, length)).round(6)
    made = [make([Decimal(str(number)) for number in row]) for row in draw.tolist()]
    found = np.array([charts.within for charts in made])
    assert found.mean() == pytest.approx(1, abs=0.015)
    assert 1 / (2 * found.var()) + 0.25 == pytest.approx(made[0].degrees, rel=0.12)


@pytest.mark.parametrize("groups, size, degrees", [(10, 5, 36.5), (20, 2, 17.8), (5, 3, 9.3)])
def test_degrees_of_ranges_are_near_those_of_the_table(groups, size, degrees):
    """Degrees of freedom of mean ranges as tables of d2* print them [memory: AIAG MSA, 4th edition, appendix C]."""
    assert subgroups(sizes(*range(size)) * groups, size).degrees == pytest.approx(degrees, rel=0.01)
