"""From the records of the journal to the readings of a study: what counts, what does not, and why.

Knows: which record belongs to which run of a plan, and everything that puts a reading in doubt.
Must not know: files, pages, statistics.

A reading is that run of its part and operator, of those still free, which is nearest to its turn; where there is one
too many, the first ones count.  What is odd is told, whatever was done with it.
"""

import json
from bisect import bisect_left
from collections.abc import Collection, Sequence
from decimal import Decimal
from typing import NamedTuple

from msgspec import Struct

from collector.record import Record
from collector.study.planning import Run, StudyPlan

READINGS = ("measurement", "sweep", "derived")
KINDS = (*READINGS, "suspect", "over-range")
NOT_SIZE = {"clock-unsynchronised", "time-ambiguous", "time-nonexistent"}
"""Flags that say nothing against a size: they are of the clock."""
DOUBTED = {"failed-master-check", "unread-within"}
"""Flags with which a reading does not count."""
_REPEAT = "a repeat: the same part by the same operator came just before, which no plan has"


class Made(NamedTuple):
    """A measurement that a reading is, or that it is derived from."""

    seq: int
    port: str
    channel: str


class Found(Struct, frozen=True):
    """One reading in the journal that bears a serial or an operator of the study."""

    seq: int
    time: str
    serial: str
    operator: str
    value: Decimal | None
    unit: str
    flags: tuple[str, ...]
    made_of: tuple[Made, ...]


class Counted(Struct, frozen=True):
    """A reading that counts, and the run of the plan that it is."""

    run: Run
    reading: Found


class Doubt(Struct, frozen=True):
    """A reading that is odd: why, and whether it counts all the same."""

    reading: Found
    counts: bool
    why: str


class Picked(Struct, frozen=True):
    """What was picked: the readings that count in order of their runs, the odd ones in order of seq, runs without one.

    `others`: readings of the characteristic that name neither a part nor an operator of the study.
    `over_range`: frames without a size while a part of the study was named.
    """

    counted: tuple[Counted, ...]
    doubts: tuple[Doubt, ...]
    missing: tuple[Run, ...]
    others: int
    over_range: int

    @property
    def is_complete(self) -> bool:
        return not self.missing


class Picking:
    """Takes records in order of seq; says at any moment how far the study is.

    `without`, `despite`: seqs that a person leaves out, or takes although they are in doubt.
    """

    def __init__(self, plan: StudyPlan, without: Collection[int] = (), despite: Collection[int] = ()):
        self._plan, self._without, self._despite = plan, set(without), set(despite)
        self._found: list[Found] = []
        self._suspect: list[tuple[int, str, str, int, int]] = []
        self._made_of: dict[int, tuple[Made, ...]] = {}
        self._others = self._over_range = 0

    def feed(self, record: Record) -> None:
        """One record; those that are none of the study's are passed over."""
        plan = self._plan
        if record.kind == "suspect":
            told = json.loads(bytes(record.detail))
            self._suspect.append((record.seq, record.port, record.channel, told["first"], told["last"]))
            return
        if record.part != plan.part:
            return
        made_of = self._made(record)
        if record.characteristic != plan.characteristic:
            return
        if record.kind == "over-range":
            self._over_range += record.serial in plan.serials
            return
        if record.kind not in READINGS:
            return
        if record.serial not in plan.serials and record.operator not in plan.operators:
            self._others += 1
            return
        value = bytes(record.value)
        self._found.append(Found(record.seq, record.time, record.serial, record.operator,
                                 Decimal(value.decode()) if value else None, record.unit, record.flags, made_of))

    def _made(self, record: Record) -> tuple[Made, ...]:
        """The measurements behind a reading of the study's parts; a derived one names them by their ids."""
        if record.serial not in self._plan.serials or record.kind not in READINGS:
            return ()
        found = (Made(record.seq, record.port, record.channel),)
        if record.kind == "derived":
            inputs = json.loads(bytes(record.detail))["inputs"].values()
            found = tuple(one for each in inputs for one in self._made_of.get(int(each.rpartition("-")[2]), ()))
        self._made_of[record.seq] = found
        return found

    def picked(self) -> Picked:
        """What counts by now."""
        plan = self._plan
        free: dict[tuple[str, str], list[Run]] = {}
        for run in plan.runs:
            free.setdefault((run.serial, run.operator), []).append(run)
        counted, doubts, turn = [], [], 0
        before: tuple[str, str] | None = None              # the cell that counted last, while nothing else came
        for one in self._found:
            cell = (one.serial, one.operator)
            repeat = _REPEAT if cell == before else ""
            foreign, doubt = self._foreign(one), self._doubted(one) or repeat
            turn += not foreign and not repeat
            by_hand = one.seq in self._despite and bool(doubt)
            why = "left out by hand" if one.seq in self._without else foreign or ("" if by_hand else doubt)
            if not why and not free[cell]:
                why = f"one too many: this part has its {plan.trials} readings by this operator, the first ones count"
            if why:
                doubts.append(Doubt(one, False, why))
                before = before if cell == before else None
                continue
            run = min(free[cell], key=lambda each: abs(each.run - turn))
            free[cell].remove(run)
            counted.append(Counted(run, one))
            odd = sorted(set(one.flags) - NOT_SIZE)
            if by_hand or odd:
                doubts.append(Doubt(one, True, f"taken by hand, although {doubt}" if by_hand
                                    else f"flagged {', '.join(odd)}"))
            before = cell
        late = out_of_order([one.run.run for one in counted])
        doubts += [Doubt(counted[at].reading, True, f"out of order: it is run {counted[at].run.run} of the plan")
                   for at in late]
        have = {one.run for one in counted}
        return Picked(tuple(sorted(counted, key=lambda one: one.run.run)),
                      tuple(sorted(doubts, key=lambda one: one.reading.seq)),
                      tuple(run for run in plan.runs if run not in have), self._others, self._over_range)

    def _foreign(self, one: Found) -> str:
        """Why a reading can be none of the study's, whatever a person says; empty: it can."""
        plan = self._plan
        if one.serial not in plan.serials:
            return f"its serial {one.serial!r} is none of the study's parts" if one.serial else "it has no serial"
        if one.operator not in plan.operators:
            return (f"its operator {one.operator!r} is none of the study's" if one.operator else "it has no operator")
        if one.value is None or one.unit != plan.unit:
            return f"its unit is {one.unit or 'not known'}, the study's is {plan.unit}"
        return ""

    def _doubted(self, one: Found) -> str:
        """Why a sound reading is not to be trusted."""
        for seq, port, channel, first, last in self._suspect:
            if any((made.port, made.channel) == (port, channel) and first <= made.seq <= last for made in one.made_of):
                return f"suspect: a master check failed behind it (record {seq})"
        bad = sorted(DOUBTED & set(one.flags))
        return f"flagged {', '.join(bad)}" if bad else ""


def out_of_order(runs: Sequence[int]) -> list[int]:
    """Indices of the fewest runs without which the others stand in rising order (longest rising subsequence)."""
    ends: list[int] = []                                   # index of the smallest run that ends a rise of each length
    values: list[int] = []
    behind: list[int] = []
    for at, run in enumerate(runs):
        length = bisect_left(values, run)
        behind.append(ends[length - 1] if length else -1)
        ends[length:length + 1], values[length:length + 1] = [at], [run]
    kept, at = set(), ends[-1] if ends else -1
    while at >= 0:
        kept.add(at)
        at = behind[at]
    return [at for at in range(len(runs)) if at not in kept]
