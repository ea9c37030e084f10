"""Texts of the command line that several commands take: a moment, a length of time, what a record holds.

Knows: what is wrong with such a text, in words for the one who typed it.
Must not know: what the commands do with them.
"""

from argparse import ArgumentTypeError
from datetime import datetime, timedelta, timezone

from collector.settings import duration_ms

_EPOCH = datetime(1970, 1, 1, tzinfo=timezone.utc)


def moment_us(text: str) -> int:
    """RFC 3339, or a date, UTC where no zone is said, as microseconds since 1970, exact.  Raises ArgumentTypeError."""
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        raise ArgumentTypeError(f"{text!r} is not a time; write 2026-03-02 or 2026-03-02T07:15:00Z") from None
    aware = found if found.tzinfo else found.replace(tzinfo=timezone.utc)
    return (aware - _EPOCH) // timedelta(microseconds=1)


def utf8(text: str) -> str:
    """A text that a record can hold.  Raises ArgumentTypeError for bytes that are no UTF-8."""
    try:
        text.encode()
    except UnicodeEncodeError:
        raise ArgumentTypeError(f"{text!r} is not UTF-8") from None
    return text


def seconds(text: str) -> float:
    """A length of time as in 20s.  Raises ArgumentTypeError."""
    try:
        return duration_ms(text) / 1000
    except ValueError:
        raise ArgumentTypeError(f"{text!r} is not a time; write 20s, 500ms, 5min") from None
