"""Watches the wall clock beside one that never steps: says when it was set, and whether anything keeps it right.

Knows: what is told of a step; which of what is remembered was stamped by the clock before it, and moves along.
Must not know: ports, the journal, how a clock is read.  Used by the worker thread alone.

Records are never changed afterwards.  `started` and `clock-step` name the boot and the seconds since it, so that a
reader can put times right: `time` - `since-boot` is the clock's offset from there on; a record of before a `clock-step`
of the same boot was made at its `time` + `by`, with all such steps after it.
"""

from decimal import Decimal
from typing import Any

import structlog

from collector.clock import Clock
from collector.journal import Row
from collector.service.cell import Cell

log = structlog.get_logger()

MOST_NS = 500_000_000
"""The most that the clock may be off the steady one, since the last step that was told, before that is a step."""

_EVERY_NS = 1_000_000_000
_NEVER_NS = 1 << 63
_STATES = {True: "synchronised", False: "unsynchronised", None: "unknown"}


class ClockWatch:
    """Looks at the clock when a moment is handed in: each chunk's, and now, where nothing waits.

    `synchronised`: whether something keeps the wall clock right, as far as is known; None: that can't be told.
    """

    def __init__(self, clock: Clock, cell: Cell):
        self._clock, self._cell, self._boot = clock, cell, clock.boot()
        self._began_ns = clock.wall_ns()
        self.synchronised: bool | None = True
        self._right_from_ns = 0
        self._sample()
        _, self._apart_ns, self._steady_apart_ns = self._read()

    def started(self) -> Row:
        """The record that the program has started."""
        now = self._clock.wall_ns()
        return self._cell.event("started", now, clock=_STATES[self.synchronised], **self._place(now))

    def seen(self, wall_ns: int, steady_ns: int) -> list[Row]:
        """Records are about to be made of what came at this moment: the record of a step that came before it, or none.

        A moment that does not fit may be two readings that were torn apart (the program was stopped in between): the
        clock itself decides.  Time asleep is no step.
        """
        if steady_ns >= self._sample_ns:
            self._sample()
        self._cell.numbering.unsynchronised = steady_ns < self._right_from_ns
        if abs(wall_ns - steady_ns - self._steady_apart_ns) <= MOST_NS:
            return []
        _, apart_ns, self._steady_apart_ns = self._read()
        by_ns = apart_ns - self._apart_ns
        if abs(by_ns) <= MOST_NS:
            return []
        self._apart_ns = apart_ns
        self._move_along(wall_ns - by_ns, by_ns)
        by, before, after = _seconds(by_ns), self._cell.stamp(wall_ns - by_ns), self._cell.stamp(wall_ns)
        log.warning("clock-step", by=str(by))
        return [self._cell.event("clock-step", wall_ns, by=by, before=before, after=after, **self._place(wall_ns))]

    def _sample(self) -> None:
        """Ask for the clock's state; what was stamped before it is known to be right again stays flagged."""
        now_ns, before, found = self._clock.steady_ns(), self.synchronised, self._clock.is_synchronised()
        self._sample_ns, self.synchronised = now_ns + _EVERY_NS, found
        if found is before:
            return
        if found is False:
            self._right_from_ns = _NEVER_NS
        elif before is False:
            self._right_from_ns = now_ns
        self._cell.numbering.unsynchronised = now_ns < self._right_from_ns
        log.info("clock-state", state=_STATES[found])

    def _read(self) -> tuple[int, int, int]:
        """How far the wall clock is from the time since boot and from the steady one: of three readings the quickest.

        In front of these, how long it took.
        """
        return min(self._reading() for _ in range(3))

    def _reading(self) -> tuple[int, int, int]:
        since_boot_ns = self._clock.since_boot_ns()
        wall_ns, steady_ns = self._clock.wall_ns(), self._clock.steady_ns()
        apart_us = (wall_ns - since_boot_ns) // 1000   # whole microseconds: what is told adds up exactly
        return self._clock.since_boot_ns() - since_boot_ns, apart_us * 1000, wall_ns - steady_ns

    def _place(self, wall_ns: int) -> dict[str, Any]:
        told: dict[str, Any] = {"boot": self._boot} if self._boot else {}
        return {**told, "since-boot": _seconds(wall_ns - self._apart_ns)}

    def _move_along(self, before_ns: int, by_ns: int) -> None:
        """What this program stamped before the step: how long a check is good, and a part waited for, stays as long."""
        since_ns, self._began_ns = self._began_ns, self._began_ns + by_ns

        def moved(at_ns: int) -> int:
            return at_ns + by_ns if since_ns <= at_ns <= before_ns else at_ns

        for key, piece in self._cell.memory.pieces.items():
            piece.began_ns, piece.last_ns = moved(piece.began_ns), moved(piece.last_ns)
            self._cell.assembly.touched.add(key)
        for channel in self._cell.memory.channels.values():
            for check in channel.book.checks.values():
                check.at_ns, check.good_ns = moved(check.at_ns), moved(check.good_ns)
            channel.renew()


def _seconds(ns: int) -> Decimal:
    return Decimal(ns // 1000).scaleb(-6)
