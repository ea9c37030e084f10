"""Patterns: a part of a number is never taken for the whole; characters of several bytes; what is refused, in words."""

import pytest

from collector.frames.parser import FormatSpec, build_parser
from collector.frames.refused import FormatRefused
from collector.record import Unread


def read(pattern, data, **spec):
    found = build_parser(FormatSpec(name="f", pattern=pattern, **spec)).parse(data)
    return found.reason if isinstance(found, Unread) else [str(one.value) for one in found]


@pytest.mark.parametrize("pattern, frame", [
    (r"(?P<value>\d+\.\d{3})", b"12.0185"), (r"(?P<value>\d\.\d+)", b"12.018"), (r"(?P<value>\d+\.\d+)", b"DEV -0.005"),
    (r"(?P<value>\d+\.\d+)", b"DEV - 0.005"), (r"(?P<value>\d+\.\d+)", b"1.2e-5"), (r"^(?P<value>\d+)", b"12.018"), (r"(?P<value>\d+)$", b"12.018"),
])
def test_a_part_of_a_number_is_never_taken_for_the_whole(pattern, frame):
    assert read(pattern, frame) == "number"


@pytest.mark.parametrize("pattern, frame, values, spec", [
    (r"(?P<value>[+-]?\d+\.\d+)", b"7,12.018,3", ["12.018"], {}),
    (r"(?P<value>\d{5})", b"7,12018,3", ["12018"], {}),
    (r"^(?P<channel>\d\d)(?P<value>\d+\.\d+)$", b"0112.018", ["12.018"], {}),
    (r"(?P<value>\d{4})", b"001200150018", ["12", "15", "18"], {"repeat": True}),
    (r"(?P<value>[+-]\d+\.\d)", b"+1.0-2.0+3.0", ["1.0", "-2.0", "3.0"], {"repeat": True}),
    (r"(?P<value>\d+,\d{3})", b"12,018,12,019", ["12.018", "12.019"], {"repeat": True, "decimal": ","}),
])
def test_what_stands_beside_a_whole_number_does_no_harm(pattern, frame, values, spec):
    assert read(pattern, frame, **spec) == values


def test_a_torn_number_among_repeated_ones_makes_the_whole_frame_unread():
    assert read(r"(?P<value>\d+\.\d)", b"1.0 2.0 3.05", repeat=True) == "number"


def test_second_reading_is_seen_behind_a_pattern_whose_other_branch_is_anchored():
    assert read(r"(?P<value>\d+\.\d+)|END$", b"1.5 2.5") == "no-match"


def test_digits_are_ascii_digits_in_every_encoding():
    assert read(r"(?P<value>\d+)", "١٢".encode(), encoding="utf-8") == "no-match"


def test_a_character_of_several_bytes_is_one_character_of_the_pattern():
    spec = {"encoding": "utf-8"}
    assert read(r"^(?P<value>\d+) µ?m$", "5 µm".encode(), **spec) == read(r"^(?P<value>\d+) µ?m$", b"5 m", **spec) == ["5"]
    with pytest.raises(FormatRefused, match="several bytes"):
        read(r"(?P<value>\d+) [[:alpha:]µ]", b"", **spec)
    assert read(r"(?P<value>\d+) [µu]m", "5 µm".encode("latin-1"), encoding="latin-1") == ["5"]


@pytest.mark.parametrize("pattern, words", [
    (r"(?P<value>\d+)(?!x)", "look-around"), (r"(?P<value>\d)(?P=value)", "back-reference"), (r"(?<value>\d+)", "(?P<value>"),
    (r"(?P<value>\d++)", "possessive"), (r"(?P<value>\d{1,2000})", "1000"), (r"(?P<value>\d) (?P<value>\d)", "stands twice"), ("µ(?P<value>.)", "encoding"),
])
def test_what_the_engine_can_not_do_is_refused_in_words(pattern, words):
    with pytest.raises(FormatRefused) as refused:
        read(pattern, b"")
    assert words in str(refused.value) and refused.value.key == "pattern"
