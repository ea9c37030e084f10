"""Checks of a column on its masters: what they found, how long they are good, and what a failed one makes suspect.

Knows: a check is of one master on one channel; between two good checks the readings of the channel hang together.
Must not know: records, files, where a reading came from.  What must survive a restart is plain data (`Book`).

Two masters, checked one after the other with no part between, give the column's zero and gain error:
reading - size is taken for a straight line over the size, through both: gain error = its slope, zero error = its height
at the nominal (without one, halfway between the masters).  So size = nominal + (reading - nominal - zero) / (1 + gain).
"""

from decimal import Decimal
from fractions import Fraction

from msgspec import Struct

from collector.measuring.characteristic import Characteristic, Master
from collector.measuring.expression import finite
from collector.measuring.judge import FAIL, Limits, build_judging, judge
from collector.measuring.units import EXACT

NEVER, OVERDUE, FAILED = "no-master-check", "overdue-master", "failed-master-check"
CALIBRATION = "master-calibration-due"
_GAIN_STEP = Decimal("0.000001")
MANY = 1 << 62
_STEP_NS = 60_000_000_000                              # a clock set back by more than this makes a check overdue


class Check(Struct, eq=False, omit_defaults=True):
    """What is remembered of one master on one channel; `count` is the channel's when it was checked.

    `good_…`: the last good check, and the first reading after it (`first_…`, 0: none yet).
    """

    at_ns: int = 0
    count: int = 0
    deviation: Decimal = Decimal(0)
    failed: bool = False
    paired: bool = False
    alone: bool = True
    good_ns: int = 0
    good_id: str = ""
    good_count: int = 0
    first_seq: int = 0
    first_ns: int = 0
    celsius: str = ""


class Readings(Struct, omit_defaults=True):
    """The readings of one channel so far: how many, and the records of the first and the last."""

    count: int = 0
    first_seq: int = 0
    first_ns: int = 0
    last_seq: int = 0
    last_ns: int = 0


class Book(Readings, omit_defaults=True):
    """All that is remembered of one channel: its readings so far, and the checks by master."""

    checks: dict[str, Check] = {}

    def readings(self) -> Readings:
        """Without the checks."""
        return Readings(self.count, self.first_seq, self.first_ns, self.last_seq, self.last_ns)

    def read_on(self, later: Readings) -> None:
        """These are the readings so far, where they go further."""
        if later.last_seq > self.last_seq:
            self.count, self.first_seq, self.first_ns = later.count, later.first_seq, later.first_ns
            self.last_seq, self.last_ns = later.last_seq, later.last_ns


class Suspect(Struct, frozen=True):
    """Readings of a channel that a failed check puts in doubt; `good` is the id of the last good check."""

    first: int
    last: int
    count: int
    since_ns: int
    until_ns: int
    good: str


class Verdict(Struct, frozen=True, kw_only=True):
    """A check of `size` (a master's, or two masters' difference): what was read, its bounds, what it makes suspect."""

    name: str
    size: Decimal
    value: Decimal
    deviation: Decimal
    lower: Decimal
    upper: Decimal
    verdict: str
    side: str
    suspect: Suspect | None


class Gain(Struct, frozen=True):
    """Two masters together: the check of their difference, and the errors of zero (a length) and gain (a ratio)."""

    check: Verdict
    zero_error: Decimal
    gain_error: Decimal


class Channel:
    """The masters of one channel at work.  `touched`: the book has changed; `counted`: only its readings have."""

    def __init__(self, book: Book):
        self.book = book
        self.touched = self.counted = False
        self._guards: dict[tuple[str, str], Guard] = {}
        self._began = [check for check in book.checks.values() if check.good_ns and not check.first_seq]

    def guard(self, characteristic: Characteristic) -> "Guard | None":
        """What flags the readings of a characteristic; None where it names no masters."""
        if not characteristic.masters:
            return None
        key = (characteristic.part, characteristic.name)
        guard = self._guards.get(key)
        if guard is None or guard.characteristic is not characteristic:
            guard = self._guards[key] = Guard(characteristic, self.book)
        return guard

    def count(self, seq: int, wall_ns: int, many: int = 1) -> None:
        """A measurement of the channel became record `seq`, or so many of one moment the records up to it."""
        book, first, self.counted = self.book, seq - many + 1, True
        book.count += many
        book.last_seq, book.last_ns = seq, wall_ns
        if not book.first_seq:
            book.first_seq, book.first_ns = first, wall_ns
        if self._began:
            for check in self._began:
                check.first_seq, check.first_ns = first, wall_ns
            self._began, self.touched = [], True

    def check(self, characteristic: Characteristic, master: Master, size: Decimal, wall_ns: int,
              ids: tuple[str, str], celsius: str = "") -> tuple[Verdict, Gain | None]:
        """A master was read as `size`; the gain too, where the other one was read just before.

        `ids`: of the records that will say so; `celsius`: the master's temperature, where it was said.
        """
        alone = len(characteristic.masters) == 1
        found = self._checked(master.name, master.size, master.within, size, wall_ns, ids[0], alone)
        self.book.checks[master.name].celsius = celsius
        gain = self._gain(characteristic, master, wall_ns, ids[1]) if not alone else None
        self.renew()
        return found, gain

    def renew(self) -> None:
        """The book has changed: it is to be kept, and how long all is well is reckoned anew."""
        self.touched = True
        for guard in self._guards.values():
            guard.renew()

    def _checked(self, name: str, size: Decimal, within: Decimal, value: Decimal, wall_ns: int, record_id: str,
                 alone: bool) -> Verdict:
        lower, upper, deviation = EXACT.subtract(size, within), EXACT.add(size, within), EXACT.subtract(value, size)
        verdict, side = judge(value, build_judging(Limits(lower, upper)))
        book = self.book
        check = book.checks.get(name)
        if check is None:
            check = book.checks[name] = Check()
        suspect = self._suspect(check, alone) if verdict == FAIL else None
        check.at_ns, check.count, check.deviation, check.alone = wall_ns, book.count, deviation, alone
        check.failed, check.paired = verdict == FAIL, False
        if verdict != FAIL:
            check.good_ns, check.good_id, check.good_count = wall_ns, record_id, book.count
            check.first_seq = check.first_ns = 0
            if not any(one is check for one in self._began):
                self._began.append(check)
        return Verdict(name=name, size=size, value=value, deviation=deviation, lower=lower, upper=upper,
                       verdict=verdict, side=side, suspect=suspect)

    def _suspect(self, check: Check, alone: bool) -> Suspect | None:
        """Everything since the last good check: of this master; where it is the only one of its characteristic, of any
        such master on the channel, for they all show the same zero."""
        book = self.book
        known = [one for one in book.checks.values() if one.good_ns and (one is check or alone and one.alone)]
        good = max(known, key=lambda one: (one.good_count, one.good_ns), default=None)
        count = book.count - (good.good_count if good else 0)
        if not count:
            return None
        first_seq, first_ns = (good.first_seq, good.first_ns) if good else (book.first_seq, book.first_ns)
        return Suspect(first_seq, book.last_seq, count, first_ns, book.last_ns, good.good_id if good else "")

    def _gain(self, characteristic: Characteristic, master: Master, wall_ns: int, record_id: str) -> Gain | None:
        low, high = ends(characteristic)
        other = {low.name: high, high.name: low}.get(master.name)
        before = self.book.checks.get(other.name) if other else None
        if before is None or before.count != self.book.count or before.paired or not before.at_ns:
            return None
        mine = self.book.checks[master.name]
        low_error, high_error = self.book.checks[low.name].deviation, self.book.checks[high.name].deviation
        span, opened = EXACT.subtract(high.size, low.size), EXACT.subtract(high_error, low_error)
        check = self._checked(f"{low.name}+{high.name}", span, max(low.within, high.within), EXACT.add(span, opened),
                              wall_ns, record_id, False)
        mine.paired = before.paired = True
        slope = Fraction(opened) / Fraction(span)
        middle = Fraction(EXACT.add(low.size, high.size)) / 2
        nominal = middle if characteristic.nominal is None else Fraction(characteristic.nominal)
        zero = Fraction(low_error) + slope * (nominal - Fraction(low.size))
        return Gain(check, finite(zero, characteristic.step), finite(slope, _GAIN_STEP))


class Guard:
    """Flags the readings of one characteristic that no valid check stands behind."""

    def __init__(self, characteristic: Characteristic, book: Book):
        self.characteristic, self._book = characteristic, book
        self.renew()

    def flags(self, wall_ns: int) -> tuple[str, ...]:
        """What is wrong with the checks behind a reading made now; empty while all is well."""
        if self._from_ns <= wall_ns < self._until_ns and self._book.count < self._until_count:
            return ()
        found = {state(master, self._book, wall_ns) for master in self.characteristic.masters} | self._gain_failed()
        due = any(master.due_ns is not None and wall_ns >= master.due_ns for master in self.characteristic.masters)
        return tuple(sorted(found - {""})) + ((CALIBRATION,) if due else ())

    def lasts(self, wall_ns: int) -> int:
        """How many readings made now, from the next on, are certainly flagged alike."""
        if all(master.parts is None for master in self.characteristic.masters):
            return MANY
        is_well = self._from_ns <= wall_ns < self._until_ns
        return max(1, self._until_count - self._book.count) if is_well else 1

    def renew(self) -> None:
        """Reckon anew how long all is well: from the newest check on, until the first thing runs out."""
        self._from_ns, self._until_ns, self._until_count = 0, 1 << 63, MANY
        for master in self.characteristic.masters:
            check = self._book.checks.get(master.name)
            if check is None or not check.good_ns or check.failed or self._gain_failed():
                self._until_ns = 0
                return
            self._from_ns = max(self._from_ns, check.good_ns)
            if master.every_ns is not None:
                self._until_ns = min(self._until_ns, check.good_ns + master.every_ns)
            if master.due_ns is not None:
                self._until_ns = min(self._until_ns, master.due_ns)
            if master.parts is not None:
                self._until_count = min(self._until_count, check.good_count + master.parts)

    def _gain_failed(self) -> set[str]:
        if len(self.characteristic.masters) < 2:
            return set()
        low, high = ends(self.characteristic)
        check = self._book.checks.get(f"{low.name}+{high.name}")
        return {FAILED} if check is not None and check.failed else set()


def ends(characteristic: Characteristic) -> tuple[Master, Master]:
    """The smallest and the largest master, which give zero and gain."""
    by_size = sorted(characteristic.masters, key=lambda master: master.size)
    return by_size[0], by_size[-1]


def state(master: Master, book: Book, wall_ns: int) -> str:
    """Why no valid check of this master stands behind a reading made now; empty: one does (its calibration apart)."""
    check = book.checks.get(master.name)
    if check is None or not check.at_ns:
        return NEVER
    if check.failed:
        return FAILED
    if master.every_ns is not None and not -_STEP_NS <= wall_ns - check.good_ns < master.every_ns:
        return OVERDUE
    if master.parts is not None and book.count - check.good_count >= master.parts:
        return OVERDUE
    return ""
