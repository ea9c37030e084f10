"""Keeping records whatever befalls the journal: a full disk, a file that fails, a file that was found damaged.

Knows: that many rows are synced aside while more gather; that room is waited for; that a file that failed once is never
written again, and the very same rows go into a new one; that what has befallen the file is told with the next rows.
Must not know: how records are made.  Used by the worker thread, and by one of its own for what is synced aside; its
figures are read by the one that writes status.
"""

import threading
from collections import Counter, deque
from collections.abc import Callable, Sequence
from functools import partial

import structlog
from msgspec import Struct

from collector.aside import Aside
from collector.clock import Clock
from collector.config.plan import Plan
from collector.errors import JournalFailed, JournalFull
from collector.journal import Journal, Renewed, Row
from collector.service.cell import Cell
from collector.service.memory import Memory
from collector.service.numbering import Numbering

log = structlog.get_logger()

_TRIM_EVERY_NS, _TRIM_MORE_NS, _TRIMMED_AT_ONCE = 60_000_000_000, 1_000_000_000, 500
_MOST_FILES = 3                                          # journal files that may fail one after the other
_LONGEST_WAIT_S, _TRIES_AT_A_STOP = 2.0, 5
_SYNCS = 8
_MANY_ROWS = 32                                          # below, a switch of threads costs more than it brings


class Batch(Struct, frozen=True):
    """What is kept in one transaction.  `kept` is called once it is durable, in whichever thread."""

    rows: list[Row]
    memory: dict[str, str | None]
    kept: Callable[[], None]

    def then(self, other: "Batch") -> "Batch":
        """Both in one transaction, this one first."""
        def kept() -> None:
            self.kept()
            other.kept()

        return Batch([*self.rows, *other.rows], self.memory | other.memory, kept)


class Keeper:
    """The journal's owner.  `full`: it waits for room now; `reserve`, `bytes`: what the journal said last."""

    def __init__(self, open_journal: Callable[[], Journal], taken: Callable[[], int], stopped: threading.Event,
                 clock: Clock, synced: Callable[[], None] = lambda: None):
        """`taken` gives the seq through which every output has taken all; `stopped` is set when no more will come;
        `synced` is called when `is_syncing` has ended, by another thread."""
        self.full, self.reserve, self.bytes, self.last_seq = False, "", 0, 0
        self._open, self._taken, self._stopped, self._clock = open_journal, taken, stopped, clock
        self.moved_ns = 0                                  # when it last went on with what takes long
        self._has_failed = False
        self._syncs_ns: deque[int] = deque([0], _SYNCS)
        self._aside, self._begun = Aside("commit", synced), Batch([], {}, lambda: None)
        self._next_trim_ns = clock.steady_ns() + _TRIM_EVERY_NS

    def open(self, plan: Plan) -> Cell:
        """Open the journal; what it remembers is the cell's.  Raises StoppedByIO."""
        self._journal = self._open()
        self.last_seq, self.reserve = self._journal.next_seq - 1, self._journal.reserve
        numbering = Numbering(plan.site, self._journal.name, self._journal.next_seq, self._journal.forms)
        self._cell = Cell(plan, numbering, Memory(self._journal.memory()))
        if self._journal.renewed:
            self._cell.memory.ledger.settle(self._journal.kinds(), self.last_seq)
        return self._cell

    def has_moved(self) -> None:
        """It goes on, though what it is at takes long."""
        self.moved_ns = self._clock.steady_ns()

    def close(self) -> None:
        """Everything was durable before."""
        self._journal.close()

    def told(self, but: Sequence[Renewed] = ()) -> list[Row]:
        """What has befallen the journal's file, as events: kept with the next rows, they are not told again.

        `but`: what is told already, by rows that are not kept yet.
        """
        rows, now = [], self._clock.wall_ns()
        for one in [one for one in self._journal.renewed if one not in but]:
            rows.append(self._cell.event("journal-renewed", now, cause=one.cause, aside=one.aside, kept=one.kept,
                                         **{"carries-on": one.carries_on}))
            if one.lost.count:
                bound = {} if one.lost.is_exact else {"bound": "at most"}
                rows.append(self._cell.event("lost", now, count=one.lost.count, of="records", exact=one.lost.is_exact,
                                             **bound, first=one.lost.first, last=one.lost.last, cause=one.cause))
        return rows

    @property
    def sync_s(self) -> float:
        """What a sync takes these days: the shortest of the last few."""
        return min(self._syncs_ns) / 1e9

    @property
    def is_syncing(self) -> bool:
        """Whether rows are being made durable aside: the next ones would wait for that."""
        return self._aside.is_busy

    def append(self, rows: list[Row], memory: dict[str, str | None], is_last: bool, kept: Callable[[], None]) -> None:
        """Keep these rows and what is to be remembered, in one transaction, for as long as it takes: what is not taken
        meanwhile stays with the kernel and the column.  `kept` is called once that is durable; many rows may be so only
        after this has returned.
        Raises JournalFailed where no file holds, JournalFull at a stop."""
        self._cell.memory.ledger.count(rows)
        batch = Batch(rows, memory | self._counted(is_last), kept)
        if failed := self._not_kept():
            return self._keep(failed.then(batch), is_last)
        if len(rows) < _MANY_ROWS or is_last or self._has_failed:
            return self._keep(batch, is_last)
        try:
            self._journal.begin(rows, batch.memory)
        except (JournalFailed, JournalFull):
            return self._keep(batch, is_last)
        self._begun = batch
        self._aside.begin(partial(self._finish, batch))

    def settle(self) -> None:
        """Everything that was given to `append` is durable when this returns.  Raises as `append`."""
        if failed := self._not_kept():
            self._keep(failed, False)

    def _finish(self, batch: Batch) -> None:
        self._timed(self._journal.finish)
        self._is_kept(batch)

    def _timed(self, sync: Callable[[], None]) -> None:
        begun_ns = self._clock.steady_ns()
        sync()
        self._syncs_ns.append(self._clock.steady_ns() - begun_ns)

    def _not_kept(self) -> Batch | None:
        """Waits for what is being made durable aside; gives it back where that failed: then it goes before all else."""
        try:
            self._aside.end()
        except (JournalFailed, JournalFull):
            return self._begun
        return None

    def _is_kept(self, batch: Batch) -> None:
        self.full, self.last_seq = False, self._journal.next_seq - 1
        batch.kept()

    def _keep(self, batch: Batch, is_last: bool) -> None:
        """In this thread, however often it must be tried."""
        ledger, tries, failures, before = self._cell.memory.ledger, 0, 0, []
        while True:
            try:
                if self._has_failed:
                    told, memory = self._begin_anew(batch, before)
                    before = self._journal.renewed
                    ledger.count(told)
                    batch = Batch([*batch.rows, *told], memory | self._counted(is_last), batch.kept)
                self._timed(partial(self._journal.append, batch.rows, batch.memory))
                break
            except JournalFailed as error:
                log.error("journal-failed", cause=str(error))
                self._has_failed, failures = True, failures + 1
                if failures > _MOST_FILES:                 # a start is the last resort
                    raise
            except JournalFull as error:
                if tries == 0:
                    log.error("journal-full", cause=str(error))
                self.full, tries = True, tries + 1
                self.has_moved()
                if self._stopped.wait(min(0.1 * tries, _LONGEST_WAIT_S)) and tries > _TRIES_AT_A_STOP:
                    raise
        if self.full:
            log.warning("journal-has-room-again", tries=tries)
        self._is_kept(batch)

    def trim(self, keep_ms: int) -> None:
        """From time to time: delete what every output has taken and is older than `keep_ms`."""
        now = self._clock.steady_ns()
        if now < self._next_trim_ns:
            return
        self.settle()
        gone, memory = 0, self._cell.memory
        try:
            gone = self._journal.trim(self._taken(), self._clock.wall_ns() // 1000 - keep_ms * 1000, _TRIMMED_AT_ONCE,
                                      memory.trimming)
            if gone:
                memory.trimmed()
            self.bytes, self.reserve = self._journal.size_bytes(), self._journal.reserve
        except JournalFailed as error:
            log.error("journal-failed", cause=str(error))
            self._has_failed = True                        # the next rows go into a new file
        self._next_trim_ns = now + (_TRIM_MORE_NS if gone >= _TRIMMED_AT_ONCE else _TRIM_EVERY_NS)

    def _counted(self, is_last: bool) -> dict[str, str | None]:
        return self._cell.memory.counted(None if is_last else self._clock.wall_ns())

    def _begin_anew(self, batch: Batch, before: list[Renewed]) -> tuple[list[Row], dict[str, str | None]]:
        """A new file is in force: what to tell behind the rows, and what is to be remembered with them."""
        self._journal = self._journal.begin_anew(self._taken(), self.has_moved)
        self._has_failed, memory = False, batch.memory
        if not all(one.memory_whole for one in self._journal.renewed):
            memory = self._cell.memory.whole() | memory
        there = self._journal.kinds() + Counter((row.port, row.kind) for row in batch.rows)
        self._cell.memory.ledger.settle(there, self._journal.next_seq - 1 + len(batch.rows))
        return self.told(before), memory
