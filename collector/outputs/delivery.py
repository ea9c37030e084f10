"""The one loop for all outputs: what the journal holds behind the cursor is handed over, in order, and confirmed.

Knows: which kinds are wanted, when a batch is due, that after a fault the very same batch comes again, what to do
with a record that is refused.
Must not know: where the records go, how the journal keeps them.
"""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Protocol

import structlog
import tenacity
from msgspec import Struct

from collector.clock import Clock
from collector.errors import OutputDown, RecordRefused
from collector.outputs import Batch, Output
from collector.outputs.cursor import Cursor
from collector.outputs.health import Health
from collector.outputs.refused import Line, Refused

log = structlog.get_logger()

_LOG_EVERY = 100
_LOOK_AGAIN_S = 0.02
_IDLE_S = 1.0
_AGAIN_AT_ONCE = 100
_STOP_WITHIN_NS = 2_000_000_000


class Reader(Protocol):
    """The journal, as far as delivery needs it."""

    def rows(self, after: int, most: int = ...) -> list[Any]:
        """Rows (seq, at_us, kind, body, …) above a seq, in order."""

    def count_after(self, seq: int) -> int:
        """How many rows lie above a seq."""


class Signals(Struct, frozen=True):
    """`wake`: look at the journal now.  `stop`: deliver what waits, once, and end; set `wake` with it."""

    wake: threading.Event
    stop: threading.Event


class Waits(Struct, frozen=True):
    """Seconds between two tries while an output is down: growing from the first to the longest."""

    first_s: float = 0.1
    longest_s: float = 5.0


class Delivery:
    """One output's delivery: `run` until stopped."""

    def __init__(self, name: str, kinds: tuple[str, ...], output: Output, reader: Reader, cursor: Cursor,
                 refused: Refused, health: Health, signals: Signals, clock: Clock, waits: Waits = Waits(),
                 adopt: str = ""):
        """`adopt`: the word of a person that the output's folder is really a new one; each word is followed once."""
        self._name, self._kinds, self._output, self._reader, self._cursor = name, kinds, output, reader, cursor
        self._refused, self._health, self._signals, self._clock = refused, health, signals, clock
        self._adopt, self._is_open = adopt, False
        self._idle_tries = 0                     # calls of `idle` that have failed in a row
        self._waiting: list[Any] = []            # looked at and wanted, in order of seq
        self._looked = cursor.delivered          # how far the journal has been looked at
        self._since_ns = 0                       # since when the oldest of them waits
        self._handed_over_ns = 0
        self._stop_by_ns: int | None = None
        self._retrying = tenacity.Retrying(
            retry=tenacity.retry_if_exception_type(OutputDown), reraise=True, before_sleep=self._tell_down,
            wait=tenacity.wait_exponential(multiplier=waits.first_s, max=waits.longest_s),
            sleep=tenacity.sleep_using_event(signals.stop), stop=tenacity.stop_when_event_set(signals.stop))

    def run(self) -> None:
        """Deliver until `stop`, then what waits by then, for 2 s or until the first fault.

        Raises what the journal raises where it can't be read.
        """
        try:
            self._deliver()
        except OutputDown as error:              # stopped while down: it waits in the journal
            self._health.down(str(error), 1)
        finally:
            self._output.close()
            self._tell(last=True)

    def _deliver(self) -> None:
        self._finish_pending()
        while True:
            is_last = self._signals.stop.is_set()     # asked before looking: what was committed before it is seen
            self._signals.wake.clear()
            has_more = self._resend()
            self._look()
            while self._is_due(is_last):
                if is_last and self._is_late():
                    return
                self._hand_over(self._next_batch())
                self._look()
            if is_last:
                return
            self._idle()
            self._tell()
            if not has_more:
                self._rest()

    # --- what is handed over next

    def _finish_pending(self) -> None:
        """The batch that was about to be handed over when the last process ended comes first, as it was."""
        self._retrying(self._cursor.settle)
        if self._adopt and self._adopt != self._cursor.adopted:
            self._retrying(self._output.adopt)
            self._retrying(self._cursor.note_adopted, self._adopt)
        pending = self._cursor.pending
        if pending is not None and self._cursor.is_again:
            self._retrying(self._try_again, pending.first, self._refused.lines([pending.first]).get(pending.first))
        elif pending is not None:
            rows = self._rows_between(pending.first, pending.last)
            self._hand_over(Batch(pending.first, pending.last, pending.through, tuple(self._wanted(rows))))
        self._retrying(self._settle_resent)
        self._looked = self._cursor.delivered

    def _rows_between(self, first: int, last: int) -> list[Any]:
        rows: list[Any] = []
        while found := self._reader.rows(rows[-1].seq if rows else first - 1):
            rows += found
            if rows[-1].seq >= last:
                break
        return [row for row in rows if row.seq <= last]

    def _wanted(self, rows: list[Any]) -> list[Any]:
        return [row for row in rows if row.kind in self._kinds] if self._kinds else rows

    def _look(self) -> None:
        """Take up what the journal holds beyond what has been looked at, as much as one batch may hold.

        A stop does not wait for millions of rows of kinds not wanted.
        """
        was_idle = self._looked == self._cursor.delivered
        while len(self._waiting) < self._output.records and (found := self._reader.rows(self._looked)):
            if self._signals.stop.is_set() and self._is_late():
                break
            self._waiting += self._wanted(found)
            self._looked = found[-1].seq
        if was_idle:
            self._since_ns = self._clock.steady_ns()

    def _is_due(self, is_last: bool) -> bool:
        if self._looked == self._cursor.delivered:
            return False
        return is_last or len(self._waiting) >= self._output.records or self._clock.steady_ns() >= self._due_ns()

    def _due_ns(self) -> int:
        begun_ns = self._since_ns if self._output.gathers else self._handed_over_ns
        return begun_ns + int(self._output.every_s * 1e9)

    def _is_late(self) -> bool:
        now = self._clock.steady_ns()
        if self._stop_by_ns is None:
            self._stop_by_ns = now + _STOP_WITHIN_NS
        return now > self._stop_by_ns

    def _next_batch(self) -> Batch:
        rows = tuple(self._waiting[:self._output.records])
        if not rows:
            return Batch(0, 0, self._looked, ())
        rows = rows[:self._output.together(rows)]
        through = self._looked if len(rows) == len(self._waiting) else rows[-1].seq
        return Batch(rows[0].seq, rows[-1].seq, through, rows)

    # --- handing it over

    def _hand_over(self, batch: Batch) -> None:
        """Raises OutputDown only once `stop` is set."""
        self._retrying(self._try, batch)
        tries = self._retrying.statistics.get("attempt_number", 1)
        if tries > 1:
            log.info("output-up", output=self._name, tries=tries)
        self._health.delivered(bool(batch.rows))
        self._idle()
        self._handed_over_ns = self._since_ns = self._clock.steady_ns()
        self._waiting = [row for row in self._waiting if row.seq > batch.through]
        self._looked = max(self._looked, batch.through)
        self._tell()

    def _try(self, batch: Batch) -> None:
        self._cursor.settle()
        if self._cursor.delivered >= batch.through:      # a save that seemed to have failed had not
            return
        with self._opened():
            self._write(batch)
        refused = sum(map(self._refused.has, batch.rows)) if self._refused.seqs else 0
        self._cursor.deliver(batch.through, len(batch.rows) - refused, refused)

    @contextmanager
    def _opened(self) -> Iterator[None]:
        try:
            with self._health.answer_awaited():
                if not self._is_open:
                    self._output.open()
                self._is_open = True
                yield
        except OutputDown:
            self._is_open = False
            self._output.close()
            raise

    def _write(self, batch: Batch) -> None:
        while True:
            batch = self._without_refused(batch)
            if not batch.rows and self._cursor.pending is None:
                return
            try:
                return self._output.write(batch)
            except RecordRefused as refusal:
                self._refused.add(refusal, next(row for row in batch.rows if row.seq == refusal.seq))
                log.error("record-refused", output=self._name, seq=refusal.seq, why=refusal.why)

    def _without_refused(self, batch: Batch) -> Batch:
        if not self._refused.seqs:
            return batch
        rows = tuple(row for row in batch.rows if not self._refused.has(row))
        if len(rows) == len(batch.rows) or not rows:
            return Batch(batch.first, batch.last, batch.through, rows)
        return Batch(rows[0].seq, rows[-1].seq, batch.through, rows)

    def _idle(self) -> None:
        """An output with `idle` is called behind each batch and each second, records or not; no record waits for it."""
        if not hasattr(self._output, "idle"):
            return
        try:
            with self._health.answer_awaited():
                self._output.idle()
        except OutputDown as error:
            self._idle_tries += 1
            self._health.down(str(error), self._idle_tries)
            if self._idle_tries == 1:
                log.error("output-down", output=self._name, cause=str(error), tries=1)
            return
        self._idle_tries = 0
        self._health.delivered(False)

    # --- refused records again

    def _resend(self) -> bool:
        """Hand over again what a person has asked for, some at a time; whether more of it waits."""
        if not self._refused.look():
            return False
        asked = self._refused.asked()
        lines = self._refused.lines(asked[:_AGAIN_AT_ONCE]) if asked else {}
        for seq in asked[:_AGAIN_AT_ONCE]:
            if self._signals.stop.is_set() and self._is_late():
                break
            self._retrying(self._try_again, seq, lines.get(seq))
            self._tell()
        self._retrying(self._settle_resent)
        return len(asked) > _AGAIN_AT_ONCE

    def _try_again(self, seq: int, line: Line | None) -> None:
        """A batch of its own, that does not move the cursor; a file with its seq twice in the name sorts rightly."""
        self._cursor.settle()
        if seq not in self._cursor.resent:               # a save that seemed to have failed had not
            try:
                rows = (self._refused.row(line, self._clock.wall_ns() // 1000),) if line else ()
                with self._opened():
                    if rows or self._cursor.pending:
                        self._output.write(Batch(seq, seq, self._cursor.delivered, rows))
            except RecordRefused as refusal:
                log.error("record-refused", output=self._name, seq=seq, why=refusal.why)
                return self._refused.tried(seq, refusal.why)
            self._cursor.deliver_again(seq)
            self._health.resent()
            log.info("record-resent", output=self._name, seq=seq)
        self._refused.tried(seq)

    def _settle_resent(self) -> None:
        self._refused.settle(self._cursor.resent)
        self._cursor.forget_resent()

    # --- telling, resting

    def _tell_down(self, retry: tenacity.RetryCallState) -> None:
        error, tries = retry.outcome.exception(), retry.attempt_number
        self._health.down(str(error), tries)
        if tries == 1 or tries % _LOG_EVERY == 0:
            log.error("output-down", output=self._name, cause=str(error), tries=tries)
        self._tell()

    def _tell(self, last: bool = False) -> None:
        oldest_us = self._waiting[0].at_us if self._waiting else None
        waiting = len(self._waiting) + self._reader.count_after(self._looked)
        self._health.tell(self._cursor.delivered, waiting, oldest_us, len(self._refused.seqs),
                          len(self._refused.asked()))
        if last:
            self._health.write()

    def _rest(self) -> None:
        """Until woken, until the next batch is due, or for a second."""
        wait_s = _IDLE_S
        if self._looked != self._cursor.delivered:
            wait_s = min(wait_s, max(0.0, (self._due_ns() - self._clock.steady_ns()) / 1e9))
        if self._signals.wake.wait(wait_s):
            self._signals.stop.wait(_LOOK_AGAIN_S)       # a burst of commits is looked at once

