"""The clock's text is UTC whatever zone the machine is in; its state is asked of the kernel, and may be unknown."""

import time
from datetime import datetime, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector import clock
from collector.clock import Stamps, SystemClock, text_of

SECOND = 1_000_000_000
BERLIN_FORWARD, BERLIN_BACK = "2026-03-29T01:00:00", "2026-10-25T01:00:00"
"""Changes of Europe/Berlin in UTC, 2026: verified (zoneinfo with tzdata 2026.6)."""


@pytest.fixture(params=["Europe/Berlin", "UTC", "Australia/Lord_Howe", "right/UTC"])
def zone(request, monkeypatch):
    monkeypatch.setenv("TZ", request.param)
    time.tzset()
    yield request.param
    monkeypatch.undo()
    time.tzset()


def seconds(text):
    return int(datetime.fromisoformat(f"{text}+00:00").timestamp())


@pytest.mark.parametrize("change", [BERLIN_FORWARD, BERLIN_BACK])
def test_the_text_runs_on_in_utc_over_both_changes_of_the_hour(zone, change):
    stamps, at = Stamps(), seconds(change)
    texts = [stamps.text((at + minutes * 60) * SECOND) for minutes in range(-90, 91, 30)]
    day = change[:11]
    assert texts == [f"{before}.000000Z" for before in (f"{day[:8]}{int(day[8:10]) - 1}T23:30:00", f"{day}00:00:00", f"{day}00:30:00",
                                                        f"{day}01:00:00", f"{day}01:30:00", f"{day}02:00:00", f"{day}02:30:00")]


def test_a_second_that_comes_twice_reads_the_same_and_one_before_1970_is_no_surprise():
    stamps = Stamps()
    assert stamps.text(-SECOND // 2) == "1969-12-31T23:59:59.500000Z"
    assert [stamps.text(at * SECOND) for at in (1_483_228_799, 1_483_228_800, 1_483_228_799)] == [
        "2016-12-31T23:59:59.000000Z", "2017-01-01T00:00:00.000000Z", "2016-12-31T23:59:59.000000Z"]


@given(st.lists(st.integers(0, 9_000_000_000 * SECOND), min_size=1, max_size=5))
def test_the_text_names_the_moment_to_the_microsecond_in_any_order(moments):
    stamps = Stamps()
    for at in moments:
        told = datetime.fromisoformat(stamps.text(at)) - datetime(1970, 1, 1, tzinfo=timezone.utc)
        assert (told.days * 86_400 + told.seconds) * 1_000_000 + told.microseconds == at // 1000


def test_the_machine_s_clock_says_what_it_knows_and_never_more():
    one = SystemClock()
    first = one.since_boot_ns()
    assert 0 < first <= one.since_boot_ns() and one.since_boot_ns() >= one.steady_ns() - SECOND
    assert one.boot() == one.boot() and "\n" not in one.boot()
    assert one.is_synchronised() in (True, False, None)


@pytest.mark.parametrize("most_us, answer, said", [(0, 0, True), (15_999_999, 5, True), (16_000_000, 0, False),
                                                   (16_000_000, 5, False), (0, -1, None)])
def test_the_state_is_the_kernel_s_largest_error_whatever_its_flag_says(monkeypatch, most_us, answer, said):
    def adjtimex(told):
        told._obj.maxerror = most_us
        return answer                                  # 5: TIME_ERROR, which goes with STA_UNSYNC

    monkeypatch.setattr(clock, "_adjtimex", adjtimex)
    assert SystemClock().is_synchronised() is said


def test_what_the_machine_does_not_have_is_unknown(monkeypatch, tmp_path):
    monkeypatch.setattr(clock, "_adjtimex", None)
    monkeypatch.setattr(clock, "_BOOT_ID", tmp_path / "none")
    assert SystemClock().is_synchronised() is None and SystemClock().boot() == ""


def test_a_time_told_again_is_the_same_text_and_none_is_empty(zone):
    told = [seconds(BERLIN_BACK) * SECOND + 1_000, 0, seconds(BERLIN_FORWARD) * SECOND]
    assert [text_of(one) for one in told * 2] == ["2026-10-25T01:00:00.000001Z", "", "2026-03-29T01:00:00.000000Z"] * 2
