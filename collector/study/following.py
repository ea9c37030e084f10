"""A study as it comes in: the journal is read on from where the plan was made, as often as one asks.

Knows: where a plan stands in a journal, also where that is another one by now.
Must not know: which reading counts (picking), words for a terminal.
"""

from collections.abc import Collection
from datetime import datetime
from pathlib import Path

from collector.journal import JournalReader
from collector.record import decode
from collector.study.picking import KINDS, Picked, Picking
from collector.study.planning import StudyPlan


class Following:
    """The readings of one plan out of the journal in a state folder.  Raises StoppedByIO, JournalFailed."""

    def __init__(self, plan: StudyPlan, state: Path, without: Collection[int] = (), despite: Collection[int] = ()):
        self._journal = JournalReader.open(state)
        self._picking = Picking(plan, without, despite)
        self._since_us, self._read, self.notes = None, plan.after, []
        if plan.journal and plan.journal != self._journal.name:
            self._since_us, self._read = _at_us(plan.made), 0
            self.notes = [f"The journal is another one than when the study was planned ({self._journal.name}, not "
                          f"{plan.journal}): readings count by their time, from {plan.made} on."]
        oldest = next(iter(self._journal.rows(0, 1)), None)
        if oldest is not None and self._since_us is None and oldest.seq > plan.after + 1:
            self.notes = [f"The journal begins with record {oldest.seq}; the study was planned behind {plan.after}. "
                          "What came between is no longer there, or is a gap that a restore left."]

    def look(self) -> Picked:
        """What counts by now."""
        last = self._journal.last()
        for row in self._journal.select(kinds=KINDS, first=self._read + 1, through=last, since_us=self._since_us):
            self._picking.feed(decode(row.body))
        self._read = last
        return self._picking.picked()

    def close(self) -> None:
        self._journal.close()


def _at_us(made: str) -> int:
    return int(datetime.fromisoformat(made).timestamp() * 1_000_000)
