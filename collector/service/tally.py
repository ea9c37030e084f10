"""What has happened on a port, counted for `status`.

Written by the worker thread; read by the thread that writes the status file.
Must not know: how it is shown.
"""

from collections import deque
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any, NamedTuple

from msgspec import structs

from collector.clock import text_of
from collector.measuring.judge import FAIL, PASS
from collector.ports import LineErrors

_RATE_OVER_NS = 60_000_000_000

WAITING, OPEN, LOST = "waiting", "open", "lost"


class Size(NamedTuple):
    """A size and what was found of it."""

    value: Decimal | None = None
    unit: str = ""
    verdict: str = ""
    side: str = ""


@dataclass
class Last:
    """The last reading of a channel."""

    size: Size = Size()
    time_ns: int = 0
    readings: int = 0
    passed: int = 0
    failed: int = 0

    def count(self, sizes: list[Size], wall_ns: int) -> None:
        """Measurements were made, at one moment."""
        self.size, self.time_ns = sizes[-1], wall_ns
        self.readings += len(sizes)
        verdicts = [size.verdict for size in sizes]
        self.passed += verdicts.count(PASS)
        self.failed += verdicts.count(FAIL)

    def as_dict(self) -> dict[str, Any]:
        size = self.size
        return {"value": "" if size.value is None else f"{size.value:f}", "unit": size.unit, "verdict": size.verdict,
                "side": size.side, "time": text_of(self.time_ns), "readings": self.readings, "passed": self.passed,
                "failed": self.failed}


@dataclass
class Tally:
    """Counts of one port since the start of the daemon."""

    device: str
    state: str = WAITING
    since_ns: int = 0
    cause: str = ""
    bytes: int = 0
    frames: int = 0
    read: int = 0
    not_read: int = 0
    readings: int = 0
    over_range: int = 0
    marks: int = 0
    outside: int = 0
    unread: dict[str, int] = field(default_factory=dict)
    last_frame_ns: int = 0
    silent: bool = False
    asked: int = 0
    unanswered: int = 0
    late: int = 0
    line_errors: dict[str, int] | None = None     # None: nobody counts them on this port
    losses: int = 0
    channels: dict[str, Last] = field(default_factory=dict)
    per_minute: int = 0                           # frames, over the last minute
    looks: deque[tuple[int, int]] = field(default_factory=deque)

    def moved_to(self, state: str, wall_ns: int, cause: str = "") -> None:
        """The port has changed its state."""
        self.state, self.since_ns, self.cause = state, wall_ns, cause

    def count_line_errors(self, found: LineErrors | None) -> None:
        """What the driver has counted since it was looked at last; None: it does not count."""
        if found is not None:
            before = self.line_errors or {}
            self.line_errors = {name: before.get(name, 0) + count for name, count in structs.asdict(found).items()}

    def count_unread(self, reason: str) -> None:
        self.unread[reason] = self.unread.get(reason, 0) + 1

    def look(self, steady_ns: int) -> None:
        """Called each few seconds by the thread that writes the status file: how many frames a minute now."""
        looks = self.looks
        looks.append((steady_ns, self.frames))
        while len(looks) > 2 and looks[1][0] <= steady_ns - _RATE_OVER_NS:
            looks.popleft()
        span_ns = steady_ns - looks[0][0]
        self.per_minute = round((self.frames - looks[0][1]) * 60_000_000_000 / span_ns) if span_ns else 0

    def as_dict(self) -> dict[str, Any]:
        """For the status file; each dictionary is copied at once, whatever the worker counts meanwhile."""
        return {"device": self.device, "state": self.state, "since": text_of(self.since_ns), "cause": self.cause,
                "bytes": self.bytes, "frames": self.frames, "read": self.read, "not-read": self.not_read,
                "readings": self.readings, "over-range": self.over_range, "marks": self.marks, "outside": self.outside,
                "unread": self.unread.copy(), "last-frame": text_of(self.last_frame_ns), "silent": self.silent,
                "asked": self.asked, "unanswered": self.unanswered, "late": self.late, "line-errors": self.line_errors,
                "losses": self.losses, "per-minute": self.per_minute,
                "channels": {channel: last.as_dict() for channel, last in self.channels.copy().items()}}
