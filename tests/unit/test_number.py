"""Numbers: exact to the last digit, for every text."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.frames.number import MOST_DIGITS, build_number
from collector.record import Unread


@given(st.from_regex(r"\A[+-]?[0-9]{1,9}\.[0-9]{1,9}\Z"))
def test_every_digit_comes_out_as_it_was_sent(text):
    value = build_number()(text)
    assert value.compare_total(Decimal(text)) == 0
    assert build_number(",")(text.replace(".", ",")).compare_total(value) == 0


@given(st.integers(0, 10**MOST_DIGITS - 1), st.integers(1, 9), st.decimals("0.000000001", "99999999999", places=9))
def test_implied_decimals_and_scale_lose_nothing(whole, places, scale):
    value = build_number(implied_decimals=places, scale=scale)(str(whole))
    numerator, denominator = scale.as_integer_ratio()
    top, bottom = value.as_integer_ratio()
    assert top * denominator * 10**places == whole * numerator * bottom


@given(st.text(max_size=30))
def test_any_text_is_a_finite_number_or_unread(text):
    found = build_number()(text)
    assert isinstance(found, Unread) or (found.is_finite() and text.isascii() and "_" not in text and "e" not in text.lower())


@pytest.mark.parametrize("digits, is_read", [("1" * MOST_DIGITS, True), ("1" * (MOST_DIGITS + 1), False)])
def test_more_digits_than_any_column_has_are_no_number(digits, is_read):
    for text, spec in ((digits, {}), (digits[:-3] + "." + digits[-3:], {}), (digits, {"implied_decimals": 3})):
        assert isinstance(build_number(**spec)(text), Decimal) == is_read


def test_the_reason_shows_controls_escaped():
    assert "\\x1b[2J" in build_number()("\x1b[2J").why
