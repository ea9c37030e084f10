import math
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from collector.statistics.capability import capability
from collector.statistics.summary import Summary, summarise


LOWER, UPPER = Decimal("12.000"), Decimal("12.018")


def summary(count: int = 100, mean: str = "12.010", deviation: str | None = "0.002") -> Summary:
    return Summary(count=count, mean=Decimal(mean), deviation=deviation and Decimal(deviation))


def test_both_limits_give_all_four():
    found = capability(summary(), 0.0015, 80.0, LOWER, UPPER, stable=True)
    assert found.pp.value == pytest.approx(0.018 / 0.012)
    assert found.ppk.value == pytest.approx(0.008 / 0.006), "the upper limit is nearer"
    assert found.cp.value == pytest.approx(0.018 / 0.009)
    assert found.cpk.value == pytest.approx(0.008 / 0.0045)
    assert found.why == () and found.confidence == 0.95


@pytest.mark.parametrize("lower, upper, expected, why", [
    (None, UPPER, 0.008 / 0.006, "only an upper limit"), (LOWER, None, 0.010 / 0.006, "only a lower limit")])
def test_one_limit_gives_no_pp_and_the_index_of_its_side(lower, upper, expected, why):
    found = capability(summary(), 0.002, 80.0, lower, upper, stable=True)
    assert found.pp is None and found.cp is None
    assert found.ppk.value == found.cpk.value == pytest.approx(expected)
    assert found.why == (why,)


def test_process_that_is_not_stable_has_no_cp_but_its_pp():
    found = capability(summary(), 0.0015, 80.0, LOWER, UPPER, stable=False)
    assert found.cp is None and found.cpk is None
    assert found.pp is not None and found.ppk is not None
    assert found.why == ("the process is not stable",)


def test_few_readings_are_said_beside_the_wide_interval():
    found = capability(summary(count=29), 0.002, 20.0, LOWER, UPPER, stable=True)
    assert found.why == ("fewer than 30 readings",)
    assert found.ppk.high - found.ppk.low > 0.5
    assert capability(summary(count=30), 0.002, 20.0, LOWER, UPPER, stable=True).why == ()


@pytest.mark.parametrize("given_summary, within, why", [
    (summary(deviation="0"), 0.0, ("no spread",)),
    (summary(deviation="0.002"), 0.0, ("no spread within",)),
    (summary(deviation="0.002"), None, ("no deviation within is known",)),
    (summarise([Decimal("12.01")]), None, ("fewer than 30 readings", "no deviation within is known")),
    (summarise([]), None, ("fewer than 30 readings", "no deviation within is known"))])
def test_what_cannot_be_told_is_missing_with_its_reason(given_summary, within, why):
    found = capability(given_summary, within, 0.0, LOWER, UPPER, stable=True)
    assert found.cp is None and found.cpk is None
    assert found.why == why


def test_no_limits_no_index():
    found = capability(summary(), 0.002, 80.0, None, None, stable=True)
    assert (found.pp, found.ppk, found.cp, found.cpk) == (None, None, None, None)
    assert found.why == ("no limits",)


def test_mean_beyond_a_limit_is_a_negative_index():
    found = capability(summary(mean="12.020"), None, 0.0, LOWER, UPPER, stable=True)
    assert found.ppk.value == pytest.approx(-1 / 3)
    assert found.ppk.low < found.ppk.value < found.ppk.high


@given(st.integers(5, 10_000), st.integers(11_990, 12_030), st.integers(1, 20), st.floats(0.5, 0.999))
def test_index_of_both_sides_is_the_worse_of_the_two_and_never_above_pp(count, mean_um, deviation_um, confidence):
    of = Summary(count=count, mean=Decimal(mean_um) / 1000, deviation=Decimal(deviation_um) / 1000)
    both, above, below = (capability(of, None, 0.0, *limits, True, confidence)
                          for limits in ((LOWER, UPPER), (None, UPPER), (LOWER, None)))
    assert both.ppk == min(above.ppk, below.ppk, key=lambda index: index.value)
    assert both.ppk.value <= both.pp.value * (1 + 1e-12)
    for index in (both.pp, both.ppk):
        assert index.low <= index.value + 1e-9 and index.value - 1e-9 <= index.high


@pytest.mark.parametrize("count, confidence", [(30, 0.95), (100, 0.95), (100, 0.90), (1000, 0.99)])
def test_interval_of_pp_is_that_of_the_deviation_by_chi_square(count, confidence):
    """sqrt(chi2.ppf / degrees), independent referee scipy.stats.chi2."""
    found = capability(summary(count), None, 0.0, LOWER, UPPER, True, confidence).pp
    tail, degrees = (1 - confidence) / 2, count - 1
    assert found.low == pytest.approx(1.5 * math.sqrt(stats.chi2.ppf(tail, degrees) / degrees), rel=1e-12)
    assert found.high == pytest.approx(1.5 * math.sqrt(stats.chi2.ppf(1 - tail, degrees) / degrees), rel=1e-12)


@pytest.mark.parametrize("count", [50, 100, 300])
def test_interval_of_one_sided_ppk_is_near_the_exact_one(count):
    """3 * sqrt(n) * Ppk is noncentral t with n - 1 degrees about 3 * sqrt(n) times the true index: the exact interval.

    Independent referee: scipy.stats.nct, solved by bisection.
    """
    index = capability(summary(count), None, 0.0, None, UPPER, True).ppk
    root = 3 * math.sqrt(count)

    def exact(tail: float) -> float:
        low, high = 0.0, 5.0
        while high - low > 1e-9:
            middle = (low + high) / 2
            above = stats.nct.cdf(root * index.value, count - 1, root * middle) > tail
            low, high = (middle, high) if above else (low, middle)
        return low

    assert index.low == pytest.approx(exact(0.975), rel=0.02)
    assert index.high == pytest.approx(exact(0.025), rel=0.02)


@pytest.mark.parametrize("mean, count", [("12.010", 40), ("12.017", 100), ("12.0179", 1000)])
def test_interval_of_ppk_is_the_published_approximation(mean, count):
    """Index * (1 +- 1.96 * sqrt(1 / (9 n index**2) + 1 / (2 (n - 1)))) [verified: Rodriguez 1992, as reproduced]."""
    index = capability(summary(count, mean), None, 0.0, LOWER, UPPER, True).ppk
    reach = 1.959964 * math.sqrt(1 / (9 * count * index.value**2) + 1 / (2 * (count - 1)))
    assert (index.low, index.high) == pytest.approx((index.value * (1 - reach), index.value * (1 + reach)), rel=1e-5)


def test_mean_on_the_limit_is_an_index_of_0_as_uncertain_as_the_mean():
    index = capability(summary(count=100, mean="12.018"), None, 0.0, LOWER, UPPER, True).ppk
    assert index.value == 0.0
    assert index.high == -index.low == pytest.approx(1.959964 / 30, rel=1e-6)
