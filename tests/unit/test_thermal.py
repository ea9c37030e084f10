"""Correction to 20 degrees C: exact, and temperatures read strictly."""

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from collector.measuring.thermal import correction, temperature

STEEL, ALUMINIUM = Decimal("11.5e-6"), Decimal("23e-6")


def test_an_aluminium_bore_warmer_than_its_master_reads_large_and_is_made_smaller():
    indicated = Decimal("60.01828")
    assert indicated - correction(Decimal(60), ALUMINIUM, Decimal(26), STEEL, Decimal(20)) == Decimal("60.01000")


def test_a_master_warmer_than_the_part_makes_it_read_small():
    assert correction(Decimal(60), STEEL, Decimal(20), STEEL, Decimal(26)) == Decimal("-0.00414")


coefficients, hundredths = st.integers(0, 10**12), st.integers(-6000, 20_000)


@given(length=st.integers(1, 10**18), part=coefficients, part_c=hundredths, master=coefficients, master_c=hundredths)
@example(length=10**18 - 1, part=10**12 - 1, part_c=19_999, master=1, master_c=-6000)
def test_no_digit_is_rounded_away(length, part, part_c, master, master_c):
    found = correction(Decimal(length), Decimal(part).scaleb(-16), Decimal(part_c).scaleb(-2),
                       Decimal(master).scaleb(-16), Decimal(master_c).scaleb(-2))
    grown = part * (part_c - 2000) - master * (master_c - 2000)
    assert Fraction(found) == Fraction(length * grown, 10**18)


@given(length=st.decimals("0.1", "500", places=6), expansion=st.decimals("0", "0.0001", places=8),
       at=st.decimals(-60, 200, places=2))
def test_part_and_master_alike_at_one_temperature_need_no_correction(length, expansion, at):
    assert correction(length, expansion, at, expansion, at) == 0


@pytest.mark.parametrize("text, value", [
    ("21.5", "21.5"), ("+21.5", "21.5"), ("-4", "-4"), ("20,25", "20.25"), ("21.", "21"), (".5", "0.5"), ("-60", "-60"),
    ("200", "200"), ("0020.5000", "20.5"), ("-0", "0"),
])
def test_a_plain_number_of_degrees_is_read(text, value):
    assert temperature(text) == Decimal(value)


@pytest.mark.parametrize("text", ["", "-", ".", ",", "+.", "-60.0001", "200.0001", "2e1", "21.5 C", " 21.5", "21.5\n",
                                  "1_0", "21.5.1", "1,000.5", "٢٠", "nan", "inf", "--5", "00020.5000"])
def test_any_other_text_is_no_temperature(text):
    assert temperature(text) is None


def test_nine_characters_are_the_most():
    assert temperature("20.000000") == 20 and temperature("20.0000000") is None


@given(st.text(alphabet="+-.,0123456789eE_ ", max_size=12))
def test_any_text_is_a_temperature_in_range_or_none(text):
    found = temperature(text)
    assert found is None or (-60 <= found <= 200 and found == Decimal(text.replace(",", ".")) and len(text) <= 9)
