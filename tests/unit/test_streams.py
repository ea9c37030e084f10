"""A stream of values becomes one measurement of each part or turn, and never one of half a turn."""

import itertools
import json
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.measuring.spread import Spread
from collector.measuring.streams import Found, Interrupted, RemovedEarly, Stream, StreamSpec

MS = 1_000_000
WALL = 1_800_000_000 * 10**9                              # wall time of steady time 0
SETTLED = StreamSpec(way="settled", band=Decimal("0.002"), time_ns=30 * MS)
SETTLED_QUIET = StreamSpec(way="settled", band=Decimal("0.002"), time_ns=30 * MS, until="quiet", quiet_ns=100 * MS)
TURN = StreamSpec(way="sweep")
QUIET = StreamSpec(way="sweep", until="quiet", quiet_ns=100 * MS)
MARKS = StreamSpec(way="sweep", until="marks")
ALL = [SETTLED, SETTLED_QUIET, TURN, QUIET, MARKS]
FINE = Decimal("0.000001")
each_spec = pytest.mark.parametrize("spec", ALL, ids=["settled", "settled-quiet", "over-range", "quiet", "marks"])


class Line:
    """Events sent to a stream, 10 ms apart where nothing else is said; every outcome, in order."""

    def __init__(self, spec: StreamSpec, ready: bool = True, pause_ms: int = 10):
        self.now, self.pause, self.outcomes = 0, pause_ms * MS, []
        self.stream = Stream(spec, 0)
        if ready and spec is TURN:
            self.off()
        if ready and spec is QUIET:
            self.wait(200)

    def take(self, outcome) -> "Line":
        if outcome is not None:
            self.outcomes.append(outcome)
        return self

    def values(self, *texts: str) -> "Line":
        for text in texts:
            self.now += self.pause
            self.take(self.stream.feed(Decimal(text), self.now, WALL + self.now))
        return self

    def off(self) -> "Line":
        self.now += self.pause
        return self.take(self.stream.over_range(self.now, WALL + self.now))

    def start(self) -> "Line":
        self.now += self.pause
        return self.take(self.stream.mark(True, self.now, WALL + self.now))

    def end(self) -> "Line":
        self.now += self.pause
        return self.take(self.stream.mark(False, self.now, WALL + self.now))

    def noise(self) -> "Line":
        self.now += self.pause
        self.stream.unread(self.now)
        return self

    def wait(self, ms: int) -> "Line":
        """Time goes by, looked at only when something is due."""
        self.now += ms * MS
        return self.take(self.stream.tick(self.now))

    def lose(self) -> "Line":
        self.take(self.stream.tick(self.now))
        return self.take(self.stream.cut("lost", WALL + self.now))

    def reopen(self, after_ms: int = 1000) -> "Line":
        self.wait(after_ms)
        self.stream.opened(self.now)
        return self

    def restart(self, spec: StreamSpec) -> "Line":
        """Killed, and started again with what was remembered, as JSON."""
        memory = json.loads(json.dumps(self.stream.memory()))
        self.now += 1000 * MS
        self.stream = Stream(spec, self.now)
        return self if memory is None else self.take(self.stream.recall(memory, WALL + self.now))

    def kinds(self) -> list:
        return [(type(one).__name__, count_of(one)) for one in self.outcomes]


def count_of(one) -> int:
    return one.spread.count if isinstance(one, Found) else one.count


def wall(ms: int) -> int:
    return WALL + ms * MS


# --- settled


def test_a_part_that_comes_to_rest_is_measured_once():
    line = Line(SETTLED)
    line.values("12.050", "12.020", "12.010", "12.009", "12.011", "12.010", *["12.010"] * 9).off()
    found, = line.outcomes
    assert (found.spread.count, found.spread.mean(FINE), found.spread.tir) == (4, Decimal("12.01"), Decimal("0.002"))
    assert (found.began_wall_ns, found.ended_wall_ns, found.unread) == (wall(30), wall(60), 0)


def test_the_outcome_comes_with_the_value_that_completes_it():
    line = Line(SETTLED).values("12", "12", "12")
    assert not line.outcomes
    assert line.values("12").kinds() == [("Found", 4)]


@pytest.mark.parametrize("last, still", [
    ("12.002", True), ("12.0020000000000000001", False), ("11.998", True), ("11.9979", False)])
def test_exactly_on_the_band_is_within(last, still):
    assert bool(Line(SETTLED).values("12", "12", "12", last).outcomes) is still


def test_exactly_the_time_is_long_enough_and_a_nanosecond_less_is_not():
    for spare, still in [(0, True), (-1, False)]:
        stream = Stream(SETTLED, 0)
        assert stream.feed(Decimal(12), 0, 0) is None
        assert bool(stream.feed(Decimal(12), 30 * MS + spare, 0)) is still


def test_one_value_is_never_still():
    stream = Stream(StreamSpec(way="settled", band=Decimal(0), time_ns=0), 0)
    assert stream.feed(Decimal(12), 5, 5) is None
    assert stream.feed(Decimal(12), 5, 5).spread.count == 2


def test_many_values_of_one_instant_are_not_still_for_a_time():
    stream = Stream(SETTLED, 0)
    assert not any(stream.feed(Decimal(12), 7, 7) for _ in range(100))
    assert stream.feed(Decimal(12), 7 + 30 * MS, 7).spread.count == 101


def test_each_part_put_on_is_measured():
    line = Line(SETTLED)
    for size in ("12", "12.1", "12.1"):
        line.values(*[size] * 20).off().off()
    assert line.kinds() == [("Found", 4)] * 3
    assert [one.spread.mean(FINE) for one in line.outcomes] == [12, Decimal("12.1"), Decimal("12.1")]


def test_a_part_that_moves_after_its_measurement_is_not_measured_again():
    line = Line(SETTLED).values(*["12"] * 4, *["13"] * 50)
    assert line.kinds() == [("Found", 4)] and line.stream.outside == 0


def test_a_part_removed_before_it_was_still_says_what_was_seen():
    early, = Line(SETTLED).values("12.05", "12.02").noise().values("11.99", "12.03").off().outcomes
    assert early == RemovedEarly(count=4, smallest=Decimal("11.99"), largest=Decimal("12.05"), last=Decimal("12.03"),
                                 unread=1, began_wall_ns=wall(10), ended_wall_ns=wall(60))


def test_stillness_of_the_part_before_does_not_count_for_the_next():
    line = Line(SETTLED).values("12", "12", "12").off().values("12", "12", "12")
    assert line.kinds() == [("RemovedEarly", 3)]
    assert line.values("12").kinds() == [("RemovedEarly", 3), ("Found", 4)]


def test_over_range_while_no_part_is_on_is_nothing():
    assert Line(SETTLED).off().off().off().outcomes == []


def test_quiet_takes_a_settled_part_off():
    assert Line(SETTLED_QUIET).values("12", "12").wait(100).kinds() == [("RemovedEarly", 2)]
    assert Line(SETTLED_QUIET).values(*["12"] * 4).wait(100).values(*["12"] * 4).kinds() == [("Found", 4)] * 2
    assert Line(SETTLED_QUIET).values(*["12"] * 4).wait(89).values(*["12"] * 4).kinds() == [("Found", 4)]


def test_over_range_takes_a_settled_part_off_whatever_else_does():
    line = Line(SETTLED_QUIET).values("12", "12").off().values(*["12"] * 4)
    assert line.kinds() == [("RemovedEarly", 2), ("Found", 4)]
    assert Line(SETTLED_QUIET).values(*["12"] * 4).off().values(*["12"] * 4).kinds() == [("Found", 4)] * 2


def test_marks_take_a_settled_part_off():
    assert Line(SETTLED).values(*["12"] * 4).end().values(*["12"] * 4).kinds() == [("Found", 4)] * 2
    assert Line(SETTLED).values(*["12"] * 4).start().values(*["12"] * 4).kinds() == [("Found", 4)] * 2
    assert Line(SETTLED).values("12", "12").end().kinds() == [("RemovedEarly", 2)]
    assert Line(SETTLED).start().end().start().off().outcomes == [], "no part was on"
    line = Line(SETTLED).values("12", "12", "12").start().values("12", "12", "12")
    assert line.kinds() == [("Interrupted", 3)] and line.outcomes[0].cause == "mark"


def test_unread_frames_of_the_still_window_only_are_counted():
    line = Line(SETTLED, pause_ms=6).noise().values("14").noise()
    line.values("12").noise().values("12").noise().noise().values("12").noise()
    found, = line.outcomes
    assert (found.spread.count, found.unread) == (3, 3)


def test_a_part_that_drifts_for_hours_keeps_memory_bounded():
    line = Line(SETTLED, pause_ms=1)
    line.values(*(f"12.{n % 1000:03d}" for n in range(0, 60_000, 3)))
    assert line.outcomes == [] and len(line.stream._window._run) <= 2
    assert line.off().kinds() == [("RemovedEarly", 20_000)]


def still_by_definition(readings: list[tuple[int, Decimal]], spec: StreamSpec) -> list[Decimal] | None:
    """The first still window, looked for in every run of values."""
    for newest in range(1, len(readings)):
        for oldest in range(newest):
            run = [value for _, value in readings[oldest:newest + 1]]
            if max(run) - min(run) <= spec.band:
                if readings[newest][0] - readings[oldest][0] >= spec.time_ns:
                    return run
                break
    return None


@given(st.lists(st.tuples(st.integers(0, 15), st.integers(0, 5)), min_size=1, max_size=40))
def test_the_still_window_is_the_first_by_definition(steps):
    times = itertools.accumulate(pause for pause, _ in steps)
    readings = [(time * MS, 12 + Decimal(step) / 1000) for time, (_, step) in zip(times, steps)]
    stream = Stream(SETTLED, 0)
    outcomes = [one for time, value in readings if (one := stream.feed(value, time, time))]
    expected = still_by_definition(readings, SETTLED)
    assert len(outcomes) == (expected is not None)
    if expected:
        assert outcomes[0].spread == spread_of(expected)


# --- a turn until over-range


def test_a_turn_lasts_from_its_first_value_to_over_range():
    line = Line(TURN).values("0.001", "0.004", "-0.002", "0.001").off().off().values("0.003").off()
    first, second = line.outcomes
    assert (first.spread.count, first.spread.tir, first.spread.mean(FINE)) == (4, Decimal("0.006"), Decimal("0.001"))
    assert (first.began_wall_ns, first.ended_wall_ns) == (wall(20), wall(60))
    assert (second.spread.count, second.spread.tir) == (1, 0)


def test_the_rest_of_a_turn_begun_before_the_start_is_no_turn():
    line = Line(TURN, ready=False).values("1", "2").off()
    assert line.outcomes == [] and line.stream.outside == 2
    assert line.values("1", "2").off().kinds() == [("Found", 2)]


def test_unread_frames_of_a_turn_are_counted():
    line = Line(TURN).noise().values("1").noise().noise().values("2").noise().off().noise().values("1").off()
    assert [found.unread for found in line.outcomes] == [3, 0]


def test_marks_mean_nothing_to_a_turn_until_over_range():
    assert Line(TURN).values("1").start().values("2").end().values("3").off().kinds() == [("Found", 3)]


@given(st.lists(st.none() | st.integers(-50, 50), max_size=60))
def test_turns_are_the_runs_between_over_ranges(sent):
    line = Line(TURN)
    for one in [*sent, None]:
        line.off() if one is None else line.values(str(one))
    runs = [list(run) for is_off, run in itertools.groupby(sent, key=lambda one: one is None) if not is_off]
    assert [found.spread for found in line.outcomes] == [spread_of(map(Decimal, run)) for run in runs]


# --- a turn until quiet


def test_quiet_ends_a_turn_at_its_last_value():
    line = Line(QUIET).values("1", "3")
    assert line.stream.due_ns == line.now + 100 * MS
    assert line.wait(99).outcomes == []
    found, = line.wait(1).outcomes
    assert (found.spread.count, found.began_wall_ns, found.ended_wall_ns) == (2, wall(210), wall(220))
    assert line.stream.due_ns is None


def test_a_value_after_quiet_ends_the_turn_and_begins_the_next():
    line = Line(QUIET).values("1", "3")
    line.now += 90 * MS
    assert line.values("7", "8").wait(100).kinds() == [("Found", 2), ("Found", 2)]
    assert line.outcomes[0].spread.largest == 3 and line.outcomes[0].ended_wall_ns == wall(220)
    assert line.outcomes[1].spread.smallest == 7


def test_a_gap_shorter_than_quiet_is_within_the_turn():
    line = Line(QUIET).values("1")
    line.now += 89 * MS
    assert line.values("2").wait(100).kinds() == [("Found", 2)]


def test_first_values_count_when_it_was_quiet_since_the_start():
    line = Line(QUIET, ready=False)
    line.now = 90 * MS
    assert line.values("1", "2").wait(100).kinds() == [("Found", 2)]
    line = Line(QUIET, ready=False)
    line.now = 89 * MS
    assert line.values("1", "2").wait(100).kinds() == [] and line.stream.outside == 2
    assert line.values("1", "2").wait(100).kinds() == [("Found", 2)]


def test_frames_that_cannot_be_read_are_not_quiet():
    line = Line(QUIET).values("1")
    for _ in range(15):
        line.noise()
    found, = line.values("2").wait(100).outcomes
    assert (found.spread.count, found.unread) == (2, 15)


def test_an_unread_frame_after_quiet_does_not_wake_the_turn():
    line = Line(QUIET).values("1")
    line.now += 100 * MS
    line.noise().values("2").wait(100)
    assert line.kinds() == [("Found", 1), ("Found", 1)]
    assert [found.unread for found in line.outcomes] == [0, 0]


def test_an_unread_frame_of_unknown_time_is_counted():
    line = Line(QUIET).values("1")
    line.stream.unread()
    assert line.wait(100).outcomes[0].unread == 1


def test_over_range_within_a_quiet_turn_makes_it_no_measurement():
    line = Line(QUIET).values("1", "2").off().off().values("3", "4")
    assert line.outcomes == [Interrupted(cause="over-range", count=2, began_wall_ns=wall(210), ended_wall_ns=wall(230))]
    assert line.stream.outside == 2
    assert line.wait(100).values("5").wait(100).kinds() == [("Interrupted", 2), ("Found", 1)]


def test_over_range_after_quiet_leaves_the_turn_whole():
    line = Line(QUIET).values("1", "2")
    line.now += 100 * MS
    assert line.off().values("3").wait(100).kinds() == [("Found", 2), ("Found", 1)]


# --- a turn between marks


def test_a_turn_lies_between_its_marks_and_values_outside_are_counted():
    line = Line(MARKS).values("9").start().values("1", "2").end().values("9", "9").start().values("3").end()
    assert line.kinds() == [("Found", 2), ("Found", 1)] and line.stream.outside == 3
    assert (line.outcomes[0].began_wall_ns, line.outcomes[0].ended_wall_ns) == (wall(20), wall(50))


def test_a_start_within_an_open_turn_interrupts_it_and_begins_the_next():
    line = Line(MARKS).start().values("1", "2").start().values("3").end()
    assert line.kinds() == [("Interrupted", 2), ("Found", 1)]
    assert line.outcomes[0].cause == "mark" and line.outcomes[1].spread.smallest == 3


def test_an_end_without_a_start_is_nothing():
    assert Line(MARKS).end().values("1").end().outcomes == []


def test_a_turn_without_a_value_is_no_measurement():
    empty, = Line(MARKS).start().noise().end().outcomes
    assert empty == Interrupted(cause="empty", count=0, began_wall_ns=wall(10), ended_wall_ns=wall(30))


def test_over_range_within_marks_makes_the_turn_no_measurement():
    line = Line(MARKS).off().start().values("1").off().values("2").off().end().off().start().values("3").end()
    assert line.kinds() == [("Interrupted", 1), ("Found", 1)] and line.stream.outside == 1


def test_a_start_ends_the_rest_of_an_interrupted_turn():
    assert Line(MARKS).start().values("1").off().start().values("2").end().kinds() == [("Interrupted", 1), ("Found", 1)]


# --- the line is lost, the program stops or is killed


def test_a_lost_line_interrupts_what_is_begun():
    lost, = Line(TURN).values("1", "2").lose().outcomes
    assert lost == Interrupted(cause="lost", count=2, began_wall_ns=wall(20), ended_wall_ns=wall(30))


def test_a_lost_line_with_nothing_begun_is_nothing():
    for spec in ALL:
        assert Line(spec).lose().lose().outcomes == []


def test_the_rest_of_a_turn_after_a_lost_line_is_no_turn():
    line = Line(TURN).values("1").lose().reopen().values("2", "3").off().values("4").off()
    assert line.kinds() == [("Interrupted", 1), ("Found", 1)]
    line = Line(QUIET).values("1").lose().reopen().values("2", "3").wait(100).values("4").wait(100)
    assert line.kinds() == [("Interrupted", 1), ("Found", 1)]
    line = Line(MARKS).start().values("1").lose().reopen().values("2").end().start().values("3").end()
    assert line.kinds() == [("Interrupted", 1), ("Found", 1)]


def test_a_turn_that_began_while_the_line_was_lost_is_no_turn():
    assert Line(TURN).lose().reopen().values("2", "3").off().outcomes == []
    assert Line(QUIET).lose().reopen().values("2", "3").wait(100).outcomes == []
    assert Line(MARKS).lose().reopen().values("2", "3").end().outcomes == []


def test_silence_of_a_lost_line_is_not_quiet():
    line = Line(QUIET).values("1").lose()
    assert line.stream.due_ns is None
    line.now += 5000 * MS
    assert line.values("2", "3").wait(100).kinds() == [("Interrupted", 1)], "not told when the line was back: not heard"
    line = Line(QUIET).values("1").lose().reopen().wait(100).values("2").wait(100)
    assert line.kinds() == [("Interrupted", 1), ("Found", 1)]


def test_a_line_that_came_back_unsaid_counts_no_rest_of_a_turn():
    assert Line(TURN).lose().values("2", "3").off().outcomes == []
    line = Line(QUIET).lose()
    line.now += 5000 * MS
    assert line.values("2", "3").wait(100).outcomes == []


def test_silence_before_a_line_is_opened_is_not_quiet():
    line = Line(QUIET, ready=False).wait(500)
    assert line.stream.idle
    assert line.reopen().values("1", "2").wait(100).outcomes == []


def test_a_part_on_when_the_line_was_lost_may_be_measured_anew():
    line = Line(SETTLED).values("12", "12", "12").lose().reopen().values("12", "12", "12")
    assert line.kinds() == [("Interrupted", 3)]
    assert line.values("12").kinds() == [("Interrupted", 3), ("Found", 4)]


def test_a_measured_part_stays_measured_over_a_lost_line_and_a_restart():
    line = Line(SETTLED).values(*["12"] * 4).lose().reopen().values(*["12"] * 9).restart(SETTLED).values(*["12"] * 9)
    assert line.kinds() == [("Found", 4)]
    assert line.off().values(*["12"] * 4).kinds() == [("Found", 4)] * 2
    line = Line(SETTLED_QUIET).values(*["12"] * 4).lose().reopen().values(*["12"] * 9)
    assert line.kinds() == [("Found", 4)]
    assert line.lose().reopen().wait(100).values(*["12"] * 4).kinds() == [("Found", 4)] * 2


@each_spec
def test_a_restart_interrupts_what_was_begun(spec):
    line = Line(spec)
    if spec is MARKS:
        line.start()
    line.values("12", "12")
    began = line.stream.memory()["began_wall_ns"]
    lost, = line.restart(spec).outcomes
    assert lost == Interrupted(cause="restart", count=None, began_wall_ns=began, ended_wall_ns=WALL + line.now)
    assert line.stream.idle is (spec.way == "settled")


def test_the_rest_of_a_turn_after_a_restart_is_no_turn():
    line = Line(TURN).values("1").restart(TURN).values("2").off().values("3").off()
    assert line.kinds() == [("Interrupted", None), ("Found", 1)]
    assert Line(TURN).restart(TURN).values("2").off().outcomes == []
    assert Line(QUIET).values("1").restart(QUIET).values("2").wait(100).kinds() == [("Interrupted", None)]
    line = Line(MARKS).start().values("1").restart(MARKS).values("2").end().start().values("3").end()
    assert line.kinds() == [("Interrupted", None), ("Found", 1)]
    assert Line(TURN).values("1").lose().restart(TURN).values("2").off().kinds() == [("Interrupted", 1)], "told once"


def test_an_idle_stream_remembers_nothing_and_another_only_its_phase():
    for spec in ALL:
        line = Line(spec)
        assert line.stream.idle and line.stream.memory() is None
    line = Line(TURN).values("1")
    first = line.stream.memory()
    assert not line.stream.idle and line.values("5", "-3").stream.memory() == first
    assert line.off().stream.memory() is None


def test_a_fresh_settled_stream_and_one_by_marks_measure_at_once():
    assert Line(SETTLED, ready=False).values(*["12"] * 4).kinds() == [("Found", 4)]
    assert Line(MARKS, ready=False).start().values("1").end().kinds() == [("Found", 1)]


# --- whatever comes


def spread_of(values) -> Spread:
    spread = Spread()
    for value in values:
        spread.add(value)
    return spread


EVENTS = st.lists(st.one_of(
    st.tuples(st.just("values"), st.integers(-3, 3).map(lambda step: str(12 + Decimal(step) / 1000))),
    st.tuples(st.sampled_from(["off", "start", "end", "noise", "lose", "reopen"])),
    st.tuples(st.just("pass"), st.integers(1, 150))), max_size=80)


def play(spec: StreamSpec, events, ticks=(), shift: Decimal = Decimal(0)) -> Line:
    """`ticks`: for each event in turn, how many equal steps of time are looked at before it; 0: nobody looks."""
    line, looks = Line(spec, ready=False), itertools.chain(ticks, itertools.repeat(0))
    for (what, *words), steps in zip(events, looks):
        ms = words[0] if what == "pass" else 0
        for step in range(steps):
            line.take(line.stream.tick(line.now + ms * MS * (step + 1) // steps))
        if what == "pass":
            line.now += ms * MS
        elif what == "values":
            line.values(str(Decimal(words[0]) + shift))
        else:
            getattr(line, what)()
        assert line.stream.due_ns is None or spec.until == "quiet" and not line.stream.idle
    return line.wait(1000)


@each_spec
@settings(max_examples=150)
@given(EVENTS, st.lists(st.integers(0, 3), max_size=80))
def test_how_often_somebody_looks_changes_no_outcome(spec, events, ticks):
    assert play(spec, events, ticks).outcomes == play(spec, events).outcomes


@each_spec
@given(EVENTS, st.integers(-10**6, 10**6).map(lambda digits: Decimal(digits).scaleb(-5)))
def test_shifting_all_values_shifts_means_and_leaves_the_rest(spec, events, by):
    at_rest, shifted = play(spec, events).outcomes, play(spec, events, shift=by).outcomes
    assert [type(one) for one in at_rest] == [type(one) for one in shifted]
    for one, other in zip(at_rest, shifted):
        assert (one.began_wall_ns, one.ended_wall_ns) == (other.began_wall_ns, other.ended_wall_ns)
        if isinstance(one, Found):
            assert one.spread.tir == other.spread.tir and other.spread.total - one.spread.total == by * one.spread.count


@each_spec
@given(EVENTS, EVENTS)
def test_an_outcome_given_never_changes(spec, events, more):
    line = play(spec, events)
    given_then = repr(line.outcomes)
    for what, *words in more:
        line.values(words[0]) if what == "values" else line.wait(words[0]) if what == "pass" else getattr(line, what)()
    assert repr(line.outcomes).startswith(given_then[:-1])


@each_spec
@given(EVENTS)
def test_a_measurement_is_of_values_and_its_mean_lies_between_them(spec, events):
    line = play(spec, events)
    count = sum(map(count_of, line.outcomes))
    sent = sum(what == "values" for what, *_ in events)
    assert count + line.stream.outside <= sent, "no value counts twice"
    for one in line.outcomes:
        if isinstance(one, Found):
            assert one.spread.smallest <= one.spread.mean(FINE) <= one.spread.largest
            assert one.began_wall_ns <= one.ended_wall_ns


@pytest.mark.parametrize("spec", [TURN, QUIET, MARKS], ids=["over-range", "quiet", "marks"])
@given(EVENTS)
def test_every_value_of_a_sweep_is_accounted_for(spec, events):
    line = play(spec, events)
    line.lose()
    count = sum(map(count_of, line.outcomes))
    assert count + line.stream.outside == sum(what == "values" for what, *_ in events)
