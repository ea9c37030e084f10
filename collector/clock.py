"""Wall time and steady time, handed in so that a test can hold them still; and what the machine knows of its own clock.

Knows: RFC 3339 in UTC with six decimals; how Linux tells that nothing keeps its clock right.
Must not know: zones of columns (frames), what is done at a given time.
"""

import ctypes
import sys
import time
from datetime import datetime, timedelta, timezone
from functools import lru_cache
from pathlib import Path
from typing import Protocol

_UNSYNCHRONISED_US = 16_000_000
"""The most that the kernel lets its estimated error grow to; some 9 h after the last correction, or without any."""

_EPOCH = datetime(1970, 1, 1, tzinfo=timezone.utc)
"""Counted from here, and not by the C library, whose zones `right/…` count leap seconds too."""

_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


class Clock(Protocol):
    def wall_ns(self) -> int:
        """Nanoseconds since 1970-01-01T00:00:00Z; may step."""

    def steady_ns(self) -> int:
        """Nanoseconds that never step; for waits and gaps only."""

    def since_boot_ns(self) -> int:
        """Nanoseconds since the machine was booted, those asleep included; never steps."""

    def boot(self) -> str:
        """The name of this boot of the machine, another at each; empty where it has none."""

    def is_synchronised(self) -> bool | None:
        """Whether something keeps the wall time right; None: that can't be told."""


class _Timex(ctypes.Structure):
    """The beginning of `struct timex`, see adjtimex(2); the rest is room."""

    _fields_ = [("modes", ctypes.c_uint), ("offset", ctypes.c_long), ("freq", ctypes.c_long),
                ("maxerror", ctypes.c_long), ("rest", ctypes.c_byte * 512)]


_adjtimex = getattr(ctypes.CDLL(None), "adjtimex", None) if sys.platform == "linux" else None


class SystemClock:
    """The machine's own clocks."""

    wall_ns = staticmethod(time.time_ns)
    steady_ns = staticmethod(time.monotonic_ns)

    @staticmethod
    def since_boot_ns() -> int:
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME) if hasattr(time, "CLOCK_BOOTTIME") else time.monotonic_ns()

    @staticmethod
    def boot() -> str:
        try:
            return _BOOT_ID.read_text(encoding="ascii").strip()
        except OSError:
            return ""

    @staticmethod
    def is_synchronised() -> bool | None:
        """By the largest error the kernel deems possible: STA_UNSYNC stays set under some that keep the clock right."""
        told = _Timex()                                # modes 0: only read, which anybody may
        if _adjtimex is None or _adjtimex(ctypes.byref(told)) < 0:
            return None
        return told.maxerror < _UNSYNCHRONISED_US


class Stamps:
    """Writes wall times as text; the date and time of a second are worked out once in that second."""

    def __init__(self) -> None:
        self._second: int | None = None
        self._prefix = self._text = ""
        self._wall_ns: int | None = None

    def text(self, wall_ns: int) -> str:
        """`2026-03-02T07:15:00.000123Z` for nanoseconds since the epoch; parts of a microsecond are cut."""
        if wall_ns == self._wall_ns:                   # as all frames that one read brought
            return self._text
        second, rest = divmod(wall_ns, 1_000_000_000)
        if second != self._second:
            self._second = second
            self._prefix = (_EPOCH + timedelta(seconds=second)).strftime("%Y-%m-%dT%H:%M:%S.")
        self._wall_ns, self._text = wall_ns, f"{self._prefix}{rest // 1000:06d}Z"
        return self._text


@lru_cache(maxsize=4096)
def text_of(wall_ns: int) -> str:
    """As `Stamps.text`, for times that are told again and again, by any thread; empty for 0, which is no time."""
    return Stamps().text(wall_ns) if wall_ns else ""
