"""The column's clock: nothing guessed, nothing raised."""

import pytest

from collector.frames.refused import FormatRefused
from collector.frames.sent_time import SentTimeSpec, build_sent_time
from collector.record import SentTime, Unread

FULL = "%Y-%m-%d %H:%M:%S"


@pytest.mark.parametrize("zone, utc", [("UTC", "2026-03-02T07:15:00Z"), ("+02:00", "2026-03-02T05:15:00Z"), ("-03:30", "2026-03-02T10:45:00Z"),
                                       ("Europe/Berlin", "2026-03-02T06:15:00Z")])
def test_local_time_and_its_utc(zone, utc):
    assert build_sent_time(SentTimeSpec(FULL, zone))("2026-03-02 07:15:00") == SentTime("2026-03-02T07:15:00", zone, utc)


def test_a_time_of_day_alone_gets_no_day_and_no_utc():
    assert build_sent_time(SentTimeSpec("%H%M%S", "Europe/Berlin"))("142451") == SentTime("14:24:51", "Europe/Berlin")


@pytest.mark.parametrize("text", ["", "2026-03-02", "2026-02-30 07:15:00", "2026-03-02 07:15:60", "2026-03-02 07:15:00 ", "٢٠٢٦-03-02 07:15:00", "x" * 5000])
def test_what_is_no_such_time_is_unread(text):
    found = build_sent_time(SentTimeSpec(FULL, "UTC"))(text)
    assert isinstance(found, Unread) and found.reason == "no-match" and len(found.why) < 200


@pytest.mark.parametrize("text, zone", [("0001-01-01 00:00:00", "+14:00"), ("9999-12-31 23:59:59", "-12:00"), ("0001-01-01 00:00:00", "Asia/Kolkata")])
def test_a_time_at_the_end_of_the_calendar_does_not_raise(text, zone):
    assert isinstance(build_sent_time(SentTimeSpec(FULL, zone))(text), Unread)


@pytest.mark.parametrize("form, zone, key", [
    ("%H:%M %Q", "UTC", "time.format"), ("%m-%d %H:%M", "UTC", "time.format"), ("%Y-%m-%d", "UTC", "time.format"), ("%I:%M", "UTC", "time.format"),
    ("%c", "UTC", "time.format"), (FULL + " %z", "UTC", "time.format"), (FULL, "Mars/Olympus", "time.zone"), (FULL, "../x", "time.zone"),
    (FULL, "+25:00", "time.zone"), (FULL, "", "time.zone"), (FULL, "Europe", "time.zone"),
])
def test_half_a_date_or_an_unknown_zone_is_refused(form, zone, key):
    with pytest.raises(FormatRefused) as refused:
        build_sent_time(SentTimeSpec(form, zone))
    assert refused.value.key == key
