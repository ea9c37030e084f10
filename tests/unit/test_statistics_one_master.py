import math
from decimal import Decimal

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy import stats

from collector.statistics.one_master import one_master

SIZES = st.lists(st.decimals(min_value=11, max_value=13, places=4), min_size=2, max_size=40)


def sizes(*texts: str) -> list[Decimal]:
    return [Decimal(text) for text in texts]


def test_bias_is_the_mean_above_the_master():
    study = one_master(sizes("12.002", "12.003", "12.004"), Decimal("12.0000"), Decimal("0.018"))
    assert study.bias == Decimal("0.003")
    assert study.repeatability == 0.001
    assert study.of_tolerance == pytest.approx(100 / 3)
    assert study.t == pytest.approx(3 * math.sqrt(3))
    assert study.significant and study.p < 0.05 and study.bias_low > 0


def test_interval_holds_0_exactly_where_the_bias_is_not_significant():
    study = one_master(sizes("12.001", "11.998", "12.002"), Decimal("12.0000"))
    assert study.bias_low < 0 < study.bias_high and not study.significant
    assert study.of_tolerance is None


@given(SIZES, st.sampled_from([0.9, 0.95, 0.99]))
def test_t_p_and_interval_agree_with_an_independent_referee(values, confidence):
    """scipy.stats.ttest_1samp on the deviations from the master."""
    assume(len(set(values)) > 1)
    size = Decimal(12)
    study = one_master(values, size, confidence=confidence)
    referee = stats.ttest_1samp([float(value - size) for value in values], 0)
    low, high = referee.confidence_interval(confidence)
    assert study.t == pytest.approx(referee.statistic, rel=1e-9, abs=1e-9)
    assert study.p == pytest.approx(referee.pvalue, rel=1e-7, abs=1e-12)
    assert study.bias_low == pytest.approx(low, rel=1e-9, abs=1e-12)
    assert study.bias_high == pytest.approx(high, rel=1e-9, abs=1e-12)
    assert study.significant == (referee.pvalue < 1 - confidence)


@pytest.mark.parametrize("size, t, significant", [
    ("12.0000", 0.0, False), ("11.9990", math.inf, True), ("12.0010", -math.inf, True)])
def test_readings_that_do_not_differ_say_so(size, t, significant):
    study = one_master(sizes("12", "12", "12"), Decimal(size))
    assert (study.t, study.significant) == (t, significant)
    assert study.p == (0.0 if significant else 1.0)
    assert study.notes == ("the readings do not differ: the gauge is too coarse to show its scatter",)


def test_one_reading_is_no_study():
    with pytest.raises(ValueError, match="at least 2 readings"):
        one_master(sizes("12"), Decimal(12))
