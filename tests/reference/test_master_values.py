"""Zero and gain of a column from two masters, against a map worked outside of this program.

The marks say how far a figure can be trusted: [verified: computed] was worked out apart from this code (a check on the
arithmetic, not a published figure); [common practice] is a formula of the trade with no citable source.

The map [common practice]: size = Lo + (x - xLo) * (Hi - Lo) / (xHi - xLo), x being the indication.  It scales
indications to sizes; our gain error is by how much the indication goes too far, so its factor is 1 / (1 + gain error).
"""

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from collector.measuring.characteristic import Characteristic, Master
from collector.measuring.masters import Book, Channel, Gain
from collector.measuring.units import Unit

LOW, HIGH = Decimal("24.9980"), Decimal("25.0230")
INDICATED = {LOW: Decimal("-0.4"), HIGH: Decimal("25.6")}            # micrometres
GAIN = "0.961538"                                                     # [verified: computed]
MAP = [("0", "24.998385"), ("12.6", "25.0105"), ("20.6", "25.018192")]      # indication, size [verified: computed]
UM = Decimal("0.001")


def checked(masters: dict[Decimal, Decimal], nominal: Decimal | None) -> Gain:
    """The gain after each master, by its size, was read."""
    ones = tuple(Master(name=f"m{number}", size=size, within=Decimal(1)) for number, size in enumerate(masters))
    bore = Characteristic(part="housing", name="bore", unit=Unit.MM, nominal=nominal, masters=ones)
    channel = Channel(Book())
    for one, reading in zip(ones, masters.values(), strict=True):
        _, gain = channel.check(bore, one, reading, 1, ("#1", "#2"))
    return gain


def corrected(reading: Decimal, nominal: Decimal, gain: Gain) -> Fraction:
    """The size that a reading stands for, by the zero and the gain error of its column."""
    return Fraction(nominal) + Fraction(reading - nominal - gain.zero_error) / (1 + Fraction(gain.gain_error))


@pytest.mark.parametrize("order", [1, -1])
@pytest.mark.parametrize("set_to", [LOW, Decimal("25"), Decimal("25.0105"), Decimal("26")])
@pytest.mark.parametrize("nominal", [LOW, Decimal("25"), Decimal("25.0105")])
def test_reading_corrected_by_zero_and_gain_error_is_the_size_of_the_map(nominal, set_to, order):
    """`set_to`: the size that the column shows at the indication 0; it is nothing that the size depends on."""
    read = {size: set_to + INDICATED[size] * UM for size in (LOW, HIGH)[::order]}
    gain = checked(read, nominal)
    assert str(round(1 / (1 + gain.gain_error), 6)) == GAIN and gain.gain_error == Decimal("0.04")
    for indication, size in MAP:
        found = corrected(set_to + Decimal(indication) * UM, nominal, gain)
        assert round(found, 6) == Fraction(size)
    assert [corrected(reading, nominal, gain) for reading in read.values()] == [Fraction(size) for size in read]


def test_zero_error_stands_at_the_nominal_and_without_one_halfway_between_the_masters():
    """Worked by hand: the low master reads 0.4 um too small, the high one 0.6 um too large."""
    read = {LOW: Decimal("24.9976"), HIGH: Decimal("25.0236")}
    for nominal, zero in ((LOW, "-0.0004"), (HIGH, "0.0006"), (Decimal("25"), "-0.00032"), (None, "0.0001")):
        assert checked(read, nominal).zero_error == Decimal(zero)


def test_masters_that_read_alike_give_no_size_and_are_refused_as_a_failed_gain():
    """xHi = xLo has no map [common practice]; with any honest bound on the masters their difference is far off."""
    gain = checked({LOW: LOW, HIGH: LOW}, LOW)
    assert gain.gain_error == -1 and gain.check.deviation == LOW - HIGH


def nanometres(least: int, most: int) -> st.SearchStrategy[Decimal]:
    return st.integers(least, most).map(lambda digits: Decimal(digits).scaleb(-6))


HALF_STEP = Fraction(1, 2_000_000)                     # of zero error, in mm, and of gain error
sizes, offs = nanometres(1, 10**8), nanometres(-10**4, 10**4)


@given(low=sizes, span=nanometres(1000, 10**6), low_off=offs, high_off=offs, nominal=sizes, at=sizes)
def test_zero_and_gain_error_describe_any_straight_line(low, span, low_off, high_off, nominal, at):
    """A column that is off by a straight line over the size: off(size) = low_off + slope * (size - low)."""
    slope = Fraction(high_off - low_off) / Fraction(span)
    assume(slope > -1)
    gain = checked({low: low + low_off, low + span: low + span + high_off}, nominal)
    assert abs(Fraction(gain.gain_error) - slope) <= HALF_STEP
    assert abs(Fraction(gain.zero_error) - Fraction(low_off) - slope * Fraction(nominal - low)) <= HALF_STEP
    off = Fraction(gain.zero_error) + Fraction(gain.gain_error) * Fraction(at - nominal)
    true = Fraction(low_off) + slope * Fraction(at - low)
    assert abs(off - true) <= HALF_STEP * (1 + abs(Fraction(at - nominal)))
