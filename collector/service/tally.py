"""What has happened on a port, counted for `status`.

Written by the worker thread; read by the thread that writes the status file.
Must not know: how it is shown.
"""

from dataclasses import asdict, dataclass, field
from typing import Any

WAITING, OPEN, LOST = "waiting", "open", "lost"


@dataclass
class Last:
    """The last reading of a channel."""

    value: str = ""
    unit: str = ""
    verdict: str = ""
    side: str = ""
    time_ns: int = 0
    readings: int = 0
    passed: int = 0
    failed: int = 0


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
    losses: int = 0
    channels: dict[str, Last] = field(default_factory=dict)

    def moved_to(self, state: str, wall_ns: int, cause: str = "") -> None:
        """The port has changed its state."""
        self.state, self.since_ns, self.cause = state, wall_ns, cause

    def count_unread(self, reason: str) -> None:
        self.unread[reason] = self.unread.get(reason, 0) + 1

    def as_dict(self) -> dict[str, Any]:
        """For the status file."""
        return asdict(self)
