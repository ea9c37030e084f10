"""Read the clock that a column sends along.

Knows: a strptime format, a zone; that a local time may exist twice or not at all.
Must not know: the collector's own clocks.

A local time that exists twice or never is passed on with a flag; which of the two was meant is never guessed.
"""

import re
from collections.abc import Callable
from datetime import datetime, timedelta, timezone, tzinfo
from functools import lru_cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from msgspec import Struct

from collector.frames.refused import FormatRefused
from collector.record import NO_MATCH, SentTime, Unread, escape

AMBIGUOUS, NONEXISTENT = "time-ambiguous", "time-nonexistent"
_LONGEST = 64
_OFFSET = re.compile(r"([+-])([01][0-9]|2[0-3]):([0-5][0-9])")
_SAMPLE = datetime(2026, 3, 22, 14, 24, 51)


class SentTimeSpec(Struct, frozen=True):
    """`format` as strptime reads it; `zone`: an IANA name, `UTC`, or an offset such as `+02:00`."""

    format: str
    zone: str = "UTC"


def build_sent_time(spec: SentTimeSpec) -> Callable[[str], SentTime | Unread]:
    """A time text -> when the column says it was; or Unread, reason `no-match`.  Raises FormatRefused.

    A format without a date gives the local time of day alone: the day is not guessed, so there is no UTC.
    """
    dated, zone = _checked(spec.format), _zone(spec.zone)

    @lru_cache(maxsize=64)                               # strptime is dear, and a stream sends a second many times
    def read(text: str) -> SentTime | Unread:
        try:
            if not text.isascii() or len(text) > _LONGEST:
                raise ValueError(text)
            local = datetime.strptime(text, spec.format)
            return _placed(local, zone, spec.zone) if dated else SentTime(local.time().isoformat(), spec.zone)
        except (ValueError, OverflowError):
            shown = escape(text[:_LONGEST].encode("utf-8", "surrogateescape"), "utf-8")
            return Unread(NO_MATCH, f"{shown!r} is not a time written as {spec.format}")

    return read


def _placed(local: datetime, zone: tzinfo, name: str) -> SentTime:
    first = local.replace(tzinfo=zone, fold=0).astimezone(timezone.utc)
    second = local.replace(tzinfo=zone, fold=1).astimezone(timezone.utc)
    text = local.isoformat()
    if first == second:
        return SentTime(text, name, first.replace(tzinfo=None).isoformat() + "Z")
    there = first.astimezone(zone).replace(tzinfo=None) == local       # a time that never was does not come back
    return SentTime(text, name, "", AMBIGUOUS if there else NONEXISTENT)


def _checked(form: str) -> bool:
    """Whether the format has a date; refuses one that is half a date, no time, or depends on where it runs."""
    try:
        datetime.strptime(_SAMPLE.strftime(form), form)
    except (ValueError, KeyError, IndexError, re.error) as error:
        raise FormatRefused(f"time format {form!r} can't be read: {error}", "write it as in %Y-%m-%d %H:%M:%S",
                            "time.format") from error
    parts = set(re.findall(r"%(.)", form.replace("%%", "")))
    odd = sorted(parts - set("YymdjbBHIpMSfaA"))
    if odd:
        raise FormatRefused(f"time format has %{odd[0]}, which depends on the place or says a zone",
                            "spell it out as in %Y-%m-%d %H:%M:%S, and give zone", "time.format")
    if "H" not in parts and not {"I", "p"} <= parts:
        raise FormatRefused(f"time format {form!r} has no hour", "write %H, or %I with %p", "time.format")
    year, day = parts & set("Yy"), "j" in parts or ("d" in parts and parts & set("mbB"))
    if (parts & set("YymdjbB")) and not (year and day):
        raise FormatRefused(f"time format {form!r} has half a date", "write year, month and day, or none of them",
                            "time.format")
    return bool(year)


def _zone(name: str) -> tzinfo:
    found = _OFFSET.fullmatch(name)
    if found:
        ahead = timedelta(hours=int(found[2]), minutes=int(found[3]))
        return timezone(ahead if found[1] == "+" else -ahead)
    if name == "UTC":
        return timezone.utc
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise FormatRefused(f"there is no time zone {name!r}",
                            "write UTC, an offset as in +02:00, or a name as in Europe/Berlin",
                            "time.zone") from error
