"""One stand-in at play: its bytes onto its wire, on time and no faster than the wire allows.

Knows: what was planned, what is under way, what was sent and what was lost.
Must not know: how readings are drawn, how a wire is made, the others (play).
"""

from collections.abc import Callable, Iterator
from typing import Any, Protocol

import msgspec

from collector.record import escape, number
from collector.simulator.pace import Pacer
from collector.simulator.part_stream import Sending

_TOLD_OF_A_PART = ("master", "serial", "part")

Note = Callable[[dict[str, Any]], object]
"""Takes what one line was."""


class Wire(Protocol):
    """Where the bytes go."""

    where: str
    fds: tuple[int, ...]

    def write(self, data: bytes) -> int:
        """Send; returns how many bytes are lost."""

    def ready(self, fd: int) -> tuple[int, bytes]:
        """Take what a descriptor has; returns how many bytes sent before are lost by it, and what was heard."""

    def unread(self) -> int:
        """How many bytes a reader that has the line open would lose if it were closed now."""

    def close(self) -> None:
        """Give everything back."""


class Player:
    """One line at play, and its counts.  With `request`, each such request brings the lines of the next moment."""

    def __init__(self, name: str, wire: Wire, pacer: Pacer, coming: Iterator[Sending], speed: float = 1.0,
                 request: str = ""):
        self.name, self.wire = name, wire
        self.lines = self.bytes = self.lost = 0
        self._pacer, self._coming, self._speed = pacer, coming, speed
        self._next = next(self._coming, None)
        self._lost_of_this = 0
        self._request = request.encode("ascii")
        self._heard = b""
        self._asked_ns: int | None = None        # when the request came that is being answered

    @property
    def under_way(self) -> bool:
        """Whether a line has been begun and not finished."""
        return not self._pacer.is_idle

    def due_ns(self, start_ns: int) -> int | None:
        """When there is something to do next; None: never again, or not before it is asked."""
        if self.under_way:
            return self._pacer.free_ns
        planned_ns = self._planned_ns(start_ns)
        return None if planned_ns is None else max(planned_ns, self._pacer.free_ns)

    def _planned_ns(self, start_ns: int) -> int | None:
        if self._next is None or self._request and self._asked_ns is None:
            return None
        return self._asked_ns if self._request else start_ns + int(self._next.at_ns / self._speed)

    def hear(self, data: bytes, now_ns: int) -> None:
        """Take what came from the reader: a request is answered, one that comes during an answer is missed."""
        if not self._request:
            return
        self._heard += data
        if self._request in self._heard and self._asked_ns is None:
            self._asked_ns = now_ns
        after = self._heard.rpartition(self._request)[2]
        self._heard = after[max(0, len(after) - len(self._request) + 1):]

    def serve(self, start_ns: int, now_ns: int, note: Note | None, *, begin: bool) -> None:
        """Send what is due by now; `begin`: whether new lines may be begun."""
        while self._next is not None:
            if not self.under_way:
                planned_ns = self._planned_ns(start_ns)
                if not begin or planned_ns is None or planned_ns > now_ns:
                    return
                self._pacer.put(self._next.data, planned_ns, now_ns)
            gone = self._pacer.take(now_ns)
            if gone:
                lost = self.wire.write(gone)
                self.bytes += len(gone)
                self.lost += lost
                self._lost_of_this += lost
            if self.under_way:
                return
            self._finish(start_ns, note)

    def _finish(self, start_ns: int, note: Note | None) -> None:
        sent = self._next
        self.lines += 1
        if note:
            note(_told(self.name, self.lines, (self._pacer.free_ns - start_ns) / 1e9, sent, self._lost_of_this))
        self._next, self._lost_of_this = next(self._coming, None), 0
        if self._next is None or self._next.at_ns != sent.at_ns:
            self._asked_ns = None                # the lines of one moment are one answer

    def summary(self) -> str:
        """One line for a person."""
        return f"{self.name}: {self.lines} lines, {self.bytes} bytes, {self.lost} of them lost (nobody took them)"


def _told(column: str, n: int, t: float, sent: Sending, lost: int) -> dict[str, Any]:
    """What `--sent` keeps of a line: `t` is when its last bit left, in seconds since the start; `lost` are the
    bytes that nobody took then (those that a reader left unread at its close or at the end are in the summary only)."""
    told: dict[str, Any] = {"column": column, "n": n, "t": round(t, 6), "what": sent.what, "text": escape(sent.data),
                            "channel": sent.channel, "lost": lost}
    if sent.value is not None:
        told |= {"value": number(sent.value), "truth": number(sent.truth)}
    if sent.tir is not None:
        told["tir"] = number(sent.tir)
    return told | {key: sent.label[key] for key in _TOLD_OF_A_PART if sent.label.get(key)}


def line_of(told: dict[str, Any]) -> bytes:
    """What was sent as one JSON line."""
    return msgspec.json.encode(told) + b"\n"
