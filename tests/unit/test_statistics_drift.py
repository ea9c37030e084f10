from decimal import Decimal

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy import stats

from collector.statistics.drift import trend

POINTS = st.lists(st.tuples(st.integers(0, 400), st.decimals(min_value=11, max_value=13, places=4)),
                  min_size=3, max_size=40)


def sizes(*texts: str) -> list[Decimal]:
    return [Decimal(text) for text in texts]


def test_values_on_a_line_give_the_line_without_residual():
    found = trend([0, 1, 2, 3], sizes("12.000", "12.001", "12.002", "12.003"))
    assert found.slope == pytest.approx(0.001, rel=1e-12)
    assert found.intercept == pytest.approx(12)
    assert found.residual < 1e-15 and found.significant and found.count == 4


def test_values_that_do_not_differ_have_no_drift():
    found = trend([0, 1, 2], sizes("12", "12", "12"))
    assert (found.slope, found.p, found.significant) == (0.0, 1.0, False)


@given(POINTS)
def test_line_agrees_with_an_independent_referee(points):
    """scipy.stats.linregress on values moved close to 0, where floats are good."""
    days, values = [day / 4 for day, _ in points], [value for _, value in points]
    assume(len(set(days)) > 2 and len(set(values)) > 2)
    found, referee = trend(days, values, 0.9), stats.linregress(days, [float(value - 12) for value in values])
    assume(referee.stderr > 1e-9)
    reach = stats.t.ppf(0.95, len(points) - 2) * referee.stderr
    assert found.slope == pytest.approx(referee.slope, rel=1e-6, abs=1e-12)
    assert found.intercept == pytest.approx(referee.intercept + 12, rel=1e-9)
    assert found.p == pytest.approx(referee.pvalue, rel=1e-4, abs=1e-9)
    assert found.slope_low == pytest.approx(referee.slope - reach, rel=1e-5, abs=1e-9)
    assert found.slope_high == pytest.approx(referee.slope + reach, rel=1e-5, abs=1e-9)
    assert found.significant == (found.p < 0.1)


@given(POINTS, st.integers(-(10**9), 10**9))
def test_a_shift_of_the_values_changes_no_slope(points, shift):
    days, values = [day / 4 for day, _ in points], [value for _, value in points]
    assume(len(set(days)) > 1)
    one, other = trend(days, values), trend(days, [value + shift for value in values])
    assert other.slope == pytest.approx(one.slope, rel=1e-9, abs=1e-15)
    assert other.residual == pytest.approx(one.residual, rel=1e-9, abs=1e-15)


@pytest.mark.parametrize("days, values, words", [
    ([0, 1], ["1", "2"], "at least 3 values"), ([0, 1, 2, 3], ["1", "2", "3"], "not 3 with 4 days"),
    ([5, 5, 5], ["1", "2", "3"], "more than one time")])
def test_no_line_through_that(days, values, words):
    with pytest.raises(ValueError, match=words):
        trend(days, sizes(*values))
