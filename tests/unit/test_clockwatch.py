"""The watch: a step is told once, where it came; what it says is enough to put every earlier time right."""

import json
from datetime import datetime, timezone
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.config.plan import read_plan
from collector.service.cell import Cell
from collector.service.clockwatch import MOST_NS, ClockWatch
from collector.service.memory import Memory
from collector.service.numbering import UNSYNCHRONISED, Numbering

SECOND = 1_000_000_000
TRUE_NS = 1_772_000_000 * SECOND
CONFIG = """
site: s
ports: {p: {device: /dev/ttyS9, format: f}}
formats: {f: {pattern: '^(?P<value>[0-9.]+)$', unit: mm}}
parts: {A: {bore: {channel: p, nominal: 12 mm, limits: {lower: 0 mm, upper: 0.018 mm}}}}
outputs: {o: {kind: csv, folder: /srv/x}}
"""


class HeldClock:
    """Time goes on only when it is told to; `off_ns`: how far the wall clock is from the truth."""

    def __init__(self, off_ns=0, synchronised=True):
        self.gone_ns, self.asleep_ns, self.off_ns, self.synchronised, self.torn_ns = 0, 0, off_ns, synchronised, 0

    def true_ns(self):
        return TRUE_NS + self.gone_ns + self.asleep_ns

    def wall_ns(self):
        self.gone_ns, self.torn_ns = self.gone_ns + self.torn_ns, 0        # stopped in the middle of a reading
        return self.true_ns() + self.off_ns

    def steady_ns(self):
        return 77 * SECOND + self.gone_ns

    def since_boot_ns(self):
        return 77 * SECOND + self.gone_ns + self.asleep_ns

    def boot(self):
        return "b-1"

    def is_synchronised(self):
        return self.synchronised


@pytest.fixture(scope="session")
def plan(tmp_path_factory):
    path = tmp_path_factory.mktemp("plan") / "c.yaml"
    path.write_text(CONFIG)
    return read_plan(path)


class Watched:
    """A watch with its cell; what it told, decoded."""

    def __init__(self, plan, clock):
        self.clock, self.cell = clock, Cell(plan, Numbering("s", "J", 1), Memory({}))
        self.watch = ClockWatch(clock, self.cell)
        self.told = [told(self.watch.started())]

    def now(self):
        """The records that this moment makes."""
        found = [told(row) for row in self.watch.seen(self.clock.wall_ns(), self.clock.steady_ns())]
        self.told += found
        return found

    def flagged(self):
        return UNSYNCHRONISED in told(self.cell.event("context", self.clock.wall_ns())).get("flags", ())


def told(row):
    return json.loads(row.body, parse_float=Decimal)


def time_ns(text):
    since = datetime.fromisoformat(text) - datetime(1970, 1, 1, tzinfo=timezone.utc)
    return ((since.days * 86_400 + since.seconds) * 1_000_000 + since.microseconds) * 1000


def test_a_step_is_told_once_with_what_the_clock_showed_before_and_after(plan):
    one = Watched(plan, HeldClock())
    assert one.now() == []
    one.clock.gone_ns += 10 * SECOND
    one.clock.off_ns -= 3600 * SECOND
    step, = one.now()
    assert step["kind"] == "event" and step["time"] == "2026-02-25T05:13:30.000000Z"
    assert step["detail"] == {"event": "clock-step", "by": -3600, "before": "2026-02-25T06:13:30.000000Z",
                              "after": "2026-02-25T05:13:30.000000Z", "boot": "b-1", "since-boot": 87}
    assert one.now() == [] and step["seq"] == 2
    one.clock.off_ns = 0
    assert one.now()[0]["detail"]["by"] == 3600
    assert str(step["detail"]["by"]) == "-3600.000000"


@pytest.mark.parametrize("off_ns, is_step", [(MOST_NS, False), (-MOST_NS, False), (MOST_NS + 1000, True), (-MOST_NS - 1000, True)])
def test_half_a_second_is_no_step_and_a_microsecond_more_is_one(plan, off_ns, is_step):
    one = Watched(plan, HeldClock())
    one.clock.off_ns += off_ns
    assert bool(one.now()) is is_step


def test_small_steps_that_add_up_are_told(plan):
    one = Watched(plan, HeldClock())
    for _ in range(3):
        one.clock.gone_ns, one.clock.off_ns = one.clock.gone_ns + 60 * SECOND, one.clock.off_ns + SECOND // 5
        one.now()
    assert [one["detail"]["by"] for one in one.told[1:]] == [Decimal("0.6")]


def test_time_asleep_is_no_step(plan):
    one = Watched(plan, HeldClock())
    one.clock.asleep_ns += 8 * 3600 * SECOND
    assert one.now() == []
    one.clock.off_ns += 2 * SECOND
    assert one.now()[0]["detail"]["by"] == 2


def test_two_readings_that_were_torn_apart_are_no_step(plan):
    one, wall_ns = Watched(plan, HeldClock()), TRUE_NS
    one.clock.gone_ns = 20 * SECOND
    assert one.watch.seen(wall_ns, one.clock.steady_ns()) == [] and one.now() == []
    one.clock.torn_ns = 30 * SECOND
    assert one.watch.seen(wall_ns, one.clock.steady_ns()) == [] and one.clock.torn_ns == 0 and one.now() == []


def test_a_moment_from_before_the_step_still_waiting_behind_it_is_no_step_back(plan):
    one = Watched(plan, HeldClock())
    before = one.clock.wall_ns(), one.clock.steady_ns()
    one.clock.off_ns += 5 * SECOND
    assert len(one.now()) == 1
    assert one.watch.seen(*before) == [] and one.now() == []


def test_a_leap_second_that_the_kernel_puts_in_is_a_step_of_one_second_back(plan):
    one = Watched(plan, HeldClock())
    one.clock.gone_ns, one.clock.off_ns = SECOND, -SECOND
    assert one.now()[0]["detail"]["by"] == -1


@given(st.lists(st.tuples(st.sampled_from(["goes", "asleep", "step"]), st.integers(-40_000_000, 40_000_000)), max_size=30))
def test_each_time_with_the_steps_after_it_is_the_time_by_the_last_clock(plan, moves):
    one, made = Watched(plan, HeldClock(off_ns=-TRUE_NS)), []
    for what, us in [*moves, ("goes", 0)]:
        one.clock.gone_ns += abs(us) * 1000 * (what == "goes")
        one.clock.asleep_ns += abs(us) * 1000 * (what == "asleep")
        one.clock.off_ns += us * 1000 * (what == "step")
        one.now()
        made.append((len(one.told), one.clock.wall_ns(), one.clock.true_ns()))
    for steps, wall_ns, true_ns in made:
        by_ns = sum(int(step["detail"]["by"] * SECOND) for step in one.told[steps:])
        assert abs(wall_ns + by_ns - (true_ns + one.clock.off_ns)) <= 2 * MOST_NS
    offsets = [time_ns(event["time"]) - int(event["detail"]["since-boot"] * SECOND) for event in one.told]
    assert [int(step["detail"]["by"] * SECOND) for step in one.told[1:]] == [after - before for before, after in zip(offsets, offsets[1:])]


@pytest.mark.parametrize("state, name", [(True, "synchronised"), (False, "unsynchronised"), (None, "unknown")])
def test_only_a_clock_that_is_known_to_be_unsynchronised_flags_and_every_record(plan, state, name):
    one = Watched(plan, HeldClock(synchronised=state))
    assert one.told[0]["detail"] == {"event": "started", "clock": name, "boot": "b-1", "since-boot": 77}
    assert (UNSYNCHRONISED in one.told[0].get("flags", ())) is one.flagged() is (state is False)


def test_the_state_is_asked_for_once_a_second_and_not_before(plan):
    one = Watched(plan, HeldClock())
    one.clock.synchronised = False
    one.clock.gone_ns = SECOND - 1
    one.now()
    assert not one.flagged()
    one.clock.gone_ns = SECOND
    one.now()
    assert one.flagged() and one.watch.synchronised is False


def test_what_waited_since_before_the_clock_was_right_is_flagged_still(plan):
    one = Watched(plan, HeldClock(synchronised=False))
    one.clock.gone_ns = SECOND // 2
    waited = one.clock.wall_ns(), one.clock.steady_ns()
    one.clock.gone_ns, one.clock.synchronised = 100 * SECOND, True
    one.now()
    assert not one.flagged()
    one.watch.seen(*waited)
    assert one.flagged()
    one.now()
    assert not one.flagged()


def test_the_flag_stands_behind_those_of_the_record_itself(plan):
    numbering = Numbering("s", "J", 1)
    numbering.unsynchronised = True
    assert told(numbering.row("measurement", 0, flags=("no-part",)))["flags"] == ["no-part", UNSYNCHRONISED]
    numbering.unsynchronised = False
    assert told(numbering.row("measurement", 0, flags=("no-part",)))["flags"] == ["no-part"]
