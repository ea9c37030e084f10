"""One measurement of each part, or of each turn, out of a column that sends values all the time.

Knows: when a part is on and its values are still, when a turn begins and ends, what of either is no measurement.
Must not know: records, ports, units, what time it is (times are handed in; wall times only go through).

    phase | a value                     | its end               | other over-range    | line lost, restart
    off   | begins it, counts -> on     | -                     | -                   | settled, marks: - ; else -> rest
    on    | counts; settled, now still: | settled: RemovedEarly | Interrupted -> rest | Interrupted; settled -> off,
          |   Found -> rest             | sweep: Found; -> off  |                     |   sweep -> rest
    rest  | counts for nothing          | -> off                | -                   | -

`rest` is what is left of a part already measured, or of a turn that is no longer whole.  Its end: for a sweep what
`until` says; a settled part ends by over-range and by an end mark, and with `until` quiet by quiet too.  A start mark
ends what is open (on: Interrupted); a sweep by marks is on by that, and by nothing else.  A turn
that ends without a value is Interrupted.
Where only over-range or quiet tells turns apart, a first value may stand in mid-turn: the start, and a line that was
lost, lead to `rest`, so that the rest of a turn never counts as a turn.  Quiet is heard only while the line is open.
"""

from collections import deque
from decimal import Decimal
from typing import Any

from msgspec import Struct

from collector.measuring.spread import Spread
from collector.measuring.units import EXACT

SETTLED, SWEEP = "settled", "sweep"                       # ways
OVER_RANGE, QUIET, MARKS = "over-range", "quiet", "marks"  # untils; OVER_RANGE also a cause of Interrupted
MARK, EMPTY, RESTART = "mark", "empty", "restart"         # causes of Interrupted; others are handed in with `cut`
_OFF, _ON, _REST = "off", "on", "rest"                    # phases


class StreamSpec(Struct, frozen=True, kw_only=True):
    """`evaluate` of one characteristic; lengths in its unit.  `band`, `time_ns`: of settled; `quiet_ns`: of quiet."""

    way: str
    band: Decimal | None = None
    time_ns: int = 0
    until: str = OVER_RANGE
    quiet_ns: int = 0


class Found(Struct, frozen=True, kw_only=True):
    """A measurement: the window in which a part's values were still, or a whole turn; of at least one value.

    `unread`: frames in it that could not be read.  A turn ends at the frame that says so, by quiet at its last value.
    """

    spread: Spread
    unread: int
    began_wall_ns: int
    ended_wall_ns: int


class RemovedEarly(Struct, frozen=True, kw_only=True):
    """The part went before its values were still: what it sent from its first value on."""

    count: int
    smallest: Decimal
    largest: Decimal
    last: Decimal
    unread: int
    began_wall_ns: int
    ended_wall_ns: int


class Interrupted(Struct, frozen=True, kw_only=True):
    """What was begun and is no measurement.  `count`: its values so far; None where a restart has forgotten it."""

    cause: str
    count: int | None
    began_wall_ns: int
    ended_wall_ns: int


Outcome = Found | RemovedEarly | Interrupted


class Stream:
    """The values of one characteristic, in order.  What returns an outcome returns the one that it completes."""

    due_ns: int | None = None
    """Steady time at which `tick` would end something; None: only what comes can."""

    def __init__(self, spec: StreamSpec, steady_ns: int):
        self.outside = 0                                  # values of a sweep that came while no turn was open
        self._spec = spec
        self._settles = spec.way == SETTLED
        self._marked = spec.way == SWEEP and spec.until == MARKS
        self._phase = _OFF
        self._begin(0)
        self.opened(steady_ns)

    @property
    def idle(self) -> bool:
        """Nothing is begun: the next value (by marks: the next start mark) begins a part or a turn."""
        return self._phase == _OFF

    def opened(self, steady_ns: int) -> None:
        """The line is open from now on: what was before is not known, quiet is heard from here."""
        self._doubt()
        if self._spec.until == QUIET and self._phase == _REST:
            self.due_ns = steady_ns + self._spec.quiet_ns

    def feed(self, value: Decimal, steady_ns: int, wall_ns: int) -> Outcome | None:
        """A value; one that comes when quiet has ended something begins the next."""
        ended = self.tick(steady_ns)
        if self._spec.until == QUIET:
            self.due_ns = steady_ns + self._spec.quiet_ns
        if self._phase == _OFF and not self._marked:
            self._phase = _ON
            self._begin(wall_ns)
        if self._phase != _ON:
            self.outside += not self._settles
            return ended
        self._spread.add(value)
        self._last, self._last_wall_ns = value, wall_ns
        if self._settles and self._window.add(value, steady_ns, wall_ns, self._unread):
            self._phase = _REST
            return self._window.found(self._unread)
        return ended

    def over_range(self, steady_ns: int, wall_ns: int) -> Outcome | None:
        """The column says: no part, or out of span.  In a turn that something else ends, extremes are unknown then."""
        ended = self.tick(steady_ns)
        if self._settles or self._spec.until == OVER_RANGE:
            return ended or self._end(wall_ns)
        return self._interrupt(OVER_RANGE, wall_ns) if self._phase == _ON else ended

    def mark(self, begins: bool, steady_ns: int, wall_ns: int) -> Outcome | None:
        """A sweep-start (`begins`) or a sweep-end; means nothing to a sweep until over-range or quiet."""
        ended = self.tick(steady_ns)
        if not self._settles and not self._marked:
            return ended
        if not begins:
            return ended or self._end(wall_ns)
        if self._phase == _ON:
            ended = self._interrupt(MARK, wall_ns)
        self._phase, self.due_ns = _ON if self._marked else _OFF, None
        self._begin(wall_ns)
        return ended

    def unread(self, steady_ns: int | None = None) -> None:
        """A frame of this line could not be read.  Given when it came, the line was not quiet then."""
        if steady_ns is not None and self.due_ns is not None:
            if steady_ns >= self.due_ns:
                return                                    # what was begun is over; `tick` will say so
            self.due_ns = steady_ns + self._spec.quiet_ns
        self._unread += 1

    def tick(self, steady_ns: int) -> Outcome | None:
        """It is so late now: quiet may have ended what was begun."""
        if self.due_ns is None or steady_ns < self.due_ns:
            return None
        return self._end(self._last_wall_ns)

    def cut(self, cause: str, wall_ns: int) -> Outcome | None:
        """The line is lost or the program stops: what is begun is no measurement; nothing is heard until `opened`.

        Call `tick` first: what quiet has ended by now is whole.
        """
        self.due_ns = None
        if self._phase == _ON:
            return self._interrupt(cause, wall_ns)
        self._doubt()
        return None

    def memory(self) -> dict[str, Any] | None:
        """What must survive a kill, for JSON; it changes with the phase only.  None when idle."""
        if self.idle:
            return None
        return {"phase": self._phase, "began_wall_ns": self._began_wall_ns}

    def recall(self, memory: dict[str, Any], wall_ns: int) -> Outcome | None:
        """Go on, in a fresh stream, from what another remembered before the program was killed or stopped."""
        self._phase, self._began_wall_ns = memory["phase"], memory["began_wall_ns"]
        return self._interrupt(RESTART, wall_ns, forgotten=True) if self._phase == _ON else None

    def _begin(self, wall_ns: int) -> None:
        self._spread = Spread()
        self._window = _Window(self._spec)
        self._unread = 0
        self._began_wall_ns = self._last_wall_ns = wall_ns

    def _end(self, wall_ns: int) -> Outcome | None:
        phase, self._phase, self.due_ns = self._phase, _OFF, None
        if phase != _ON:
            return None
        spread, times = self._spread, {"began_wall_ns": self._began_wall_ns, "ended_wall_ns": wall_ns}
        if not spread.count:
            return Interrupted(cause=EMPTY, count=0, **times)
        if not self._settles:
            return Found(spread=spread, unread=self._unread, **times)
        return RemovedEarly(count=spread.count, smallest=spread.smallest, largest=spread.largest, last=self._last,
                            unread=self._unread, **times)

    def _interrupt(self, cause: str, wall_ns: int, forgotten: bool = False) -> Interrupted:
        self._phase = _OFF if self._settles else _REST
        count = None if forgotten else self._spread.count
        return Interrupted(cause=cause, count=count, began_wall_ns=self._began_wall_ns, ended_wall_ns=wall_ns)

    def _doubt(self) -> None:
        """Values may have gone unseen: where none of them alone begins a turn, the next one may stand in mid-turn."""
        if self._phase == _OFF and not self._settles and not self._marked:
            self._phase = _REST


class _Window:
    """The longest run of last values that lie within the band, its smallest and largest at hand."""

    def __init__(self, spec: StreamSpec):
        self._spec = spec
        self._run: deque[tuple[Decimal, int, int, int]] = deque()       # value, steady, wall, unread until then
        self._falling: deque[Decimal] = deque()           # the largest, the largest behind it, ...
        self._rising: deque[Decimal] = deque()            # the smallest, the smallest behind it, ...

    def add(self, value: Decimal, steady_ns: int, wall_ns: int, unread: int) -> bool:
        """One value more; True when the run has been still for the time, in at least two values."""
        run, falling, rising = self._run, self._falling, self._rising
        run.append((value, steady_ns, wall_ns, unread))
        while falling and falling[-1] < value:
            falling.pop()
        falling.append(value)
        while rising and rising[-1] > value:
            rising.pop()
        rising.append(value)
        while EXACT.subtract(falling[0], rising[0]) > self._spec.band:
            oldest = run.popleft()[0]
            if falling[0] == oldest:
                falling.popleft()
            if rising[0] == oldest:
                rising.popleft()
        return len(run) > 1 and steady_ns - run[0][1] >= self._spec.time_ns

    def found(self, unread: int) -> Found:
        """The run as a measurement, `unread` being the count up to now."""
        spread = Spread()
        for value, *_ in self._run:
            spread.add(value)
        return Found(spread=spread, unread=unread - self._run[0][3], began_wall_ns=self._run[0][2],
                     ended_wall_ns=self._run[-1][2])
