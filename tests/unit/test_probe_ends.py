"""How frames end, from bursts of text."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.probe.ends import End, find_end

LINE = b"A1  +12.0093 mm"


@pytest.mark.parametrize("mark", [b"\r\n", b"\r", b"\n"])
def test_the_usual_marks_need_no_key(mark):
    end = find_end([LINE + mark, b"A1  -3.1 mm" + mark, LINE + mark])
    assert end.keys == {} and end.confidence == "certain"


@pytest.mark.parametrize("mark", [b"\x03", b"\n\r", b"\x03\r\n", b"\x04"])
def test_other_marks_are_written_out(mark):
    assert find_end([LINE + mark] * 3).keys == {"end": mark.decode()}


def test_a_mark_at_the_beginning_is_told_too():
    end = find_end([b"\x02" + LINE + b"\x03"] * 3)
    assert end.keys == {"start": "\x02", "end": "\x03"} and end.confidence == "certain"


def test_several_frames_in_one_burst_are_counted():
    end = find_end([LINE + b"\x03" + LINE + b"\x03" + LINE + b"\x03"])
    assert end.keys == {"end": "\x03"} and end.confidence == "certain"


def test_one_frame_is_only_a_guess_and_two_are_likely():
    assert find_end([LINE + b"\r"]).confidence == "a guess"
    assert find_end([LINE + b"\r"] * 2).confidence == "likely"


def test_a_stream_cut_anywhere_shows_what_recurs():
    end = find_end([b"93 mm\r\n" + (LINE + b"\r\n") * 4 + b"A1  +12."])
    assert end.keys == {} and end.confidence == "certain" and "CR LF" in end.why


def test_frames_of_one_length_without_marks():
    assert find_end([b"+12.0093", b"-00.0011", b"+12.0101"]).keys == {"length": 8}


def test_frames_of_any_length_are_parted_by_pauses_only():
    end = find_end([b"+12.0093", b"-0.1", b"+12.01"], [2.0, 1.5])
    assert end.keys == {"gap": "375 ms"}


def test_a_checksum_behind_the_end_mark_is_suspected():
    end = find_end([b"\x02+12.0093\x03a", b"\x02+12.0094\x03f", b"\x02+12.0\x03k"], [1.0, 1.0])
    assert end.keys == {"gap": "250 ms"} and "checksum" in end.why


def test_too_little_is_not_known():
    for bursts in ([], [b""], [b"+12.0093"], [b"+12.0093", b"+12.0094"]):
        assert find_end(bursts) == End() and not find_end(bursts).known


@given(st.lists(st.text("0123456789+-. ", min_size=1, max_size=20), min_size=3, max_size=9),
       st.sampled_from([b"\r\n", b"\r", b"\n", b"\x03", b"\x04"]))
def test_any_mark_is_found_behind_any_text(texts, mark):
    end = find_end([text.encode() + mark for text in texts])
    assert end.keys.get("end", mark.decode() if mark in (b"\r\n", b"\r", b"\n") else "") == mark.decode()
