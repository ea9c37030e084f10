"""Wall time and steady time, handed in so that a test can hold them still.

Knows: RFC 3339 in UTC with six decimals.
Must not know: zones of columns (frames), what is done at a given time.
"""

import time
from datetime import datetime, timezone
from typing import Protocol


class Clock(Protocol):
    def wall_ns(self) -> int:
        """Nanoseconds since 1970-01-01T00:00:00Z; may step."""

    def steady_ns(self) -> int:
        """Nanoseconds that never step; for waits and gaps only."""


class SystemClock:
    """The machine's own clocks."""

    wall_ns = staticmethod(time.time_ns)
    steady_ns = staticmethod(time.monotonic_ns)


class Stamps:
    """Writes wall times as text; the date and time of a second are worked out once in that second."""

    def __init__(self) -> None:
        self._second = -1
        self._prefix = ""

    def text(self, wall_ns: int) -> str:
        """`2026-03-02T07:15:00.000123Z` for nanoseconds since the epoch; parts of a microsecond are cut."""
        second, rest = divmod(wall_ns, 1_000_000_000)
        if second != self._second:
            self._second = second
            self._prefix = datetime.fromtimestamp(second, timezone.utc).strftime("%Y-%m-%dT%H:%M:%S.")
        return f"{self._prefix}{rest // 1000:06d}Z"
