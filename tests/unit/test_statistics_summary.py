from decimal import Decimal, Inexact, InvalidOperation

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.statistics.exact import ROUNDED
from collector.statistics.summary import Summary, summarise

SIZES = st.decimals(min_value=-1000, max_value=1000, places=4)


def sizes(*texts: str) -> list[Decimal]:
    return [Decimal(text) for text in texts]


def test_nothing_has_no_figures():
    assert summarise([]) == Summary(count=0)


def test_one_value_has_no_deviation_and_no_neighbours():
    assert summarise(sizes("12.0093")) == Summary(
        count=1, mean=Decimal("12.0093"), smallest=Decimal("12.0093"), largest=Decimal("12.0093"),
        median=Decimal("12.0093"))


def test_values_that_do_not_differ_have_deviation_0_and_no_autocorrelation():
    summary = summarise(sizes("0.1", "0.1", "0.1"))
    assert summary.deviation == 0
    assert summary.autocorrelation is None


def test_median_lies_half_way_between_the_two_in_the_middle():
    assert summarise(sizes("4", "1", "3", "2.5")).median == Decimal("2.75")
    assert summarise(sizes("4", "1", "3")).median == 3


def test_values_that_go_up_and_down_by_turns_are_correlated_negatively():
    """n values +1, -1 by turns: r = -(n - 1) / n."""
    assert summarise(sizes("1", "-1", "1", "-1")).autocorrelation == -0.75


def test_endless_mean_is_rounded_once_to_28_digits():
    assert summarise(sizes("1", "0", "0")).mean == Decimal("0." + "3" * 28)


@given(st.lists(SIZES, min_size=2, max_size=30), st.randoms(use_true_random=False))
def test_order_changes_nothing_but_the_autocorrelation(values, random):
    shuffled = random.sample(values, len(values))
    one, other = summarise(values), summarise(shuffled)
    for name in ("count", "mean", "deviation", "smallest", "largest", "median"):
        assert getattr(one, name) == getattr(other, name), name


@given(st.lists(SIZES, min_size=2, max_size=30), st.decimals(min_value=-(10**9), max_value=10**9, places=6))
def test_shift_moves_the_place_and_leaves_the_spread_exactly(values, shift):
    one, other = summarise(values), summarise([value + shift for value in values])
    assert other.deviation == one.deviation
    assert other.autocorrelation == one.autocorrelation
    assert other.median == one.median + shift
    if len(values) in (2, 4, 5, 8, 10):                  # else the mean may have no end
        assert other.mean == one.mean + shift


@given(st.lists(SIZES, min_size=2, max_size=30), st.sampled_from(["-1", "0.001", "25.4"]))
def test_scale_multiplies_the_deviation(values, factor):
    scaled = summarise([value * Decimal(factor) for value in values]).deviation
    assert abs(scaled - abs(Decimal(factor)) * summarise(values).deviation) <= scaled * Decimal("1e-26")


def test_mean_of_digits_as_sent_meets_the_limit_that_floats_miss():
    """12.005, 12.008, 12.011: binary floating point gives 12.008000000000001 [verified: computed in binary64]."""
    assert summarise(sizes("12.005", "12.008", "12.011")).mean == Decimal("12.008")


def test_sums_that_do_not_fit_are_refused_not_rounded():
    with pytest.raises(Inexact):
        summarise(sizes("1E+300", "1E-300"))


def test_what_is_no_number_is_refused():
    with pytest.raises(InvalidOperation):
        summarise(sizes("1", "NaN"))


def test_figures_have_28_digits():
    assert ROUNDED.prec == 28
    assert len(summarise(sizes("1", "2", "4")).deviation.as_tuple().digits) == 28
