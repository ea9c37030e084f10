"""A clock in the frame: local time as sent, and UTC where there is exactly one.

Knows: strptime formats, IANA zones and fixed offsets, hours that exist twice or not at all.
Must not know: what time it is.
"""

import re
from collections.abc import Callable
from datetime import datetime, timedelta, timezone, tzinfo
from zoneinfo import ZoneInfo

from msgspec import Struct

from collector.frames.refused import FormatRefused
from collector.record import SentTime

AMBIGUOUS, NONEXISTENT = "time-ambiguous", "time-nonexistent"


class SentTimeSpec(Struct, frozen=True):
    """`format` as for strptime; `zone`: an IANA name, `UTC`, or a fixed offset such as `+02:00`."""

    format: str
    zone: str


def build_sent_time(spec: SentTimeSpec) -> Callable[[str], SentTime | None]:
    """A function: time text -> SentTime, None where it is not of the format.  Raises FormatRefused."""
    zone = _zone(spec.zone)
    try:
        parsed = datetime.strptime(datetime(2026, 3, 2, 7, 15).strftime(spec.format), spec.format)
    except ValueError as error:
        raise FormatRefused("time.format", f"{spec.format!r} can't be read back: {error}", "as in %Y-%m-%d %H:%M:%S") from error
    if (parsed.year, parsed.month, parsed.day, parsed.hour) != (2026, 3, 2, 7):
        raise FormatRefused("time.format", f"{spec.format!r} does not hold a whole date and time", "as in %Y-%m-%d %H:%M:%S")

    def read(text: str) -> SentTime | None:
        try:
            local = datetime.strptime(text, spec.format)
        except ValueError:
            return None
        return placed(local, zone, spec.zone)

    return read


def placed(local: datetime, zone: tzinfo, name: str) -> SentTime:
    """A local time in its zone.  One that exists twice or not at all is flagged, and no UTC is guessed."""
    text = local.isoformat()
    if local.tzinfo is not None:
        return SentTime(text, name, _utc(local))
    first, second = (local.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    if first.utcoffset() == second.utcoffset():
        return SentTime(text, name, _utc(first))
    exists = first.astimezone(timezone.utc).astimezone(zone).replace(tzinfo=None, fold=0) == local
    return SentTime(text, name, "", AMBIGUOUS if exists else NONEXISTENT)


def _utc(moment: datetime) -> str:
    return moment.astimezone(timezone.utc).isoformat().replace("+00:00", "Z")


def _zone(name: str) -> tzinfo:
    found = re.fullmatch(r"([+-])([0-9]{2}):([0-9]{2})", name)
    if found:
        offset = timedelta(hours=int(found[2]), minutes=int(found[3]))
        return timezone(-offset if found[1] == "-" else offset)
    try:
        return timezone.utc if name == "UTC" else ZoneInfo(name)
    except (ValueError, OSError, LookupError) as error:
        raise FormatRefused("time.zone", f"zone {name!r} is not known", "as in Europe/Berlin, UTC or +02:00") from error
