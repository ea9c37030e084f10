"""Count, extremes, mean and standard deviation come from exact sums."""

import statistics
from decimal import ROUND_HALF_EVEN, Context, Decimal, Inexact
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.measuring.spread import Spread

FINE = Decimal("0.000001")
WIDE = Context(prec=200, rounding=ROUND_HALF_EVEN)
sizes = st.builds(lambda digits, places: Decimal(digits).scaleb(-places, context=WIDE),
                  st.integers(-10**18 + 1, 10**18 - 1), st.integers(0, 18))


def spread_of(*values: str | Decimal) -> Spread:
    spread = Spread()
    for value in values:
        spread.add(Decimal(value))
    return spread


def test_extremes_and_count():
    spread = spread_of("12.003", "11.998", "12.0010")
    assert (spread.count, spread.smallest, spread.largest) == (3, Decimal("11.998"), Decimal("12.003"))
    assert spread.tir == Decimal("0.005")


def test_one_size_is_both_extremes_and_has_no_standard_deviation():
    spread = spread_of("-0.002")
    assert spread.smallest == spread.largest == spread.mean(FINE) == Decimal("-0.002")
    assert spread.tir == 0 and spread.standard_deviation() is None


def test_nothing_is_known_of_no_size():
    assert (Spread().count, Spread().smallest, Spread().largest) == (0, None, None)
    assert Spread().standard_deviation() is None


def test_mean_with_an_end_keeps_all_its_digits_whatever_the_step():
    assert spread_of("12.005", "12.008").mean(Decimal("0.1")) == Decimal("12.0065")
    assert spread_of("12.005", "12.008", "12.011").mean(Decimal("1")) == Decimal("12.008")


@pytest.mark.parametrize("values, step, mean", [
    (["1", "1", "0"], "0.001", "0.667"), (["-1", "-1", "0"], "0.001", "-0.667"), (["1", "0", "0"], "0.0005", "0.3335"),
    (["1", "0", "0"], "0.002", "0.334"), (["1", "0", "0", "0", "0", "0", "0"], "0.01", "0.14")])
def test_endless_mean_is_the_nearest_multiple_of_the_step(values, step, mean):
    assert spread_of(*values).mean(Decimal(step)) == Decimal(mean)


def test_endless_mean_a_hair_off_a_tie_is_rounded_once():
    hair = Decimal(1).scaleb(-18)
    assert spread_of("1.5", "1.5", Decimal("1.5") + hair).mean(Decimal(1)) == 2
    assert spread_of("0.5", "0.5", Decimal("0.5") + hair).mean(Decimal(1)) == 1
    assert spread_of("1.5", "1.5", Decimal("1.5") - hair).mean(Decimal(1)) == 1


def test_sixty_digits_would_not_hold_the_sums():
    small, large = Decimal(1).scaleb(-18), Decimal(10**18 - 1)
    with pytest.raises(Inexact):
        Context(prec=60, traps=[Inexact]).fma(small, small, large * large)
    spread = spread_of(large, small)
    assert Fraction(spread.squares) == Fraction(large) ** 2 + Fraction(small) ** 2
    assert Fraction(spread.total) == Fraction(large) + Fraction(small)
    assert Fraction(spread.tir) == Fraction(large) - Fraction(small)


def test_a_million_sizes_of_eighteen_digits_round_nothing():
    high, low = Decimal("999999999999.999999"), Decimal("-0.000000000000000001")
    spread = Spread()
    for _ in range(500_000):
        spread.add(high)
        spread.add(low)
    assert Fraction(spread.total) == 500_000 * (Fraction(high) + Fraction(low))
    assert Fraction(spread.squares) == 500_000 * (Fraction(high) ** 2 + Fraction(low) ** 2)
    variance = Fraction(high - low) ** 2 / 4 * 1_000_000 / 999_999
    found = Fraction(spread.standard_deviation()) ** 2
    assert abs(found - variance) < variance / 10**25


def test_what_could_not_be_held_whole_is_an_error_not_a_rounded_sum():
    spread = spread_of("1")
    with pytest.raises(Inexact):
        spread.add(Decimal("1e-500"))


@given(st.lists(sizes, min_size=1, max_size=30))
def test_spread_agrees_with_exact_fractions(values):
    spread = spread_of(*values)
    exact = [Fraction(value) for value in values]
    mean = sum(exact) / len(exact)
    assert (spread.count, Fraction(spread.total)) == (len(values), sum(exact))
    assert Fraction(spread.squares) == sum(value * value for value in exact)
    assert (spread.smallest, spread.largest) == (min(values), max(values))
    assert abs(Fraction(spread.mean(FINE)) - mean) <= Fraction(FINE) / 2
    if len(values) > 1:
        variance = statistics.variance(exact)
        assert abs(Fraction(spread.standard_deviation()) ** 2 - variance) <= variance / 10**25


@given(st.lists(sizes, min_size=1, max_size=20), sizes)
def test_shifting_all_sizes_shifts_the_mean_and_leaves_the_tir(values, by):
    at_rest, shifted = spread_of(*values), spread_of(*(WIDE.add(value, by) for value in values))
    assert shifted.tir == at_rest.tir
    assert shifted.total == WIDE.add(at_rest.total, WIDE.multiply(by, Decimal(len(values))))
    assert shifted.standard_deviation() == at_rest.standard_deviation()


@given(st.lists(sizes, min_size=1, max_size=16), sizes)
def test_a_mean_with_an_end_shifts_exactly(values, by):
    values = (values * 16)[:16]
    at_rest, shifted = spread_of(*values), spread_of(*(WIDE.add(value, by) for value in values))
    assert shifted.mean(FINE) == WIDE.add(at_rest.mean(FINE), by)


@given(st.permutations(["12.001", "12.0009", "11.9", "12.0005", "-3"]))
def test_order_does_not_matter(values):
    assert spread_of(*values) == spread_of("12.001", "12.0009", "11.9", "12.0005", "-3")
