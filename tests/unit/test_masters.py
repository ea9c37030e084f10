"""Checks on masters: what a failed one makes suspect, which readings are flagged, two masters, a restart.

The property compares with a list of all that happened, walked backwards: no counts, no marks, nothing to forget.
"""

from dataclasses import dataclass, field
from decimal import Decimal

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.measuring.characteristic import Characteristic, Master
from collector.measuring.masters import (CALIBRATION, FAILED, NEVER, OVERDUE, Book, Channel, Gain, Guard, Suspect,
                                         Verdict, ends)
from collector.measuring.units import Unit

S = 1_000_000_000
START = 1_800_000_000 * S


def master(name: str = "ring", size: str = "25", within: str = "0.001", **good_for: int) -> Master:
    return Master(name=name, size=Decimal(size), within=Decimal(within), **good_for)


def bore(*masters: Master, part: str = "housing", nominal: str | None = "25") -> Characteristic:
    return Characteristic(part=part, name="bore", unit=Unit.MM, nominal=nominal and Decimal(nominal), masters=masters)


RING = bore(master())
PAIR = bore(master("low", "24.99"), master("high", "25.01"))


class Bench:
    """One channel with a clock and a count of records; each reading and each check comes a second after the last."""

    def __init__(self, characteristic: Characteristic = RING):
        self.one, self.channel = characteristic, Channel(Book())
        self.now, self.seq = START, 0

    def restart(self) -> "Bench":
        self.channel = Channel(msgspec.json.decode(msgspec.json.encode(self.channel.book), type=Book))
        return self

    def flags(self, one: Characteristic | None = None) -> tuple[str, ...]:
        return self.channel.guard(one or self.one).flags(self.now)

    def read(self, times: int = 1) -> list[tuple[str, ...]]:
        """Measurements, as the program makes them: flagged, then counted."""
        found = []
        for _ in range(times):
            self.now, self.seq = self.now + S, self.seq + 1
            found.append(self.flags())
            self.channel.count(self.seq, self.now)
        return found

    def check(self, size: str, name: str = "ring", one: Characteristic | None = None) -> tuple[Verdict, Gain | None]:
        one = one or self.one
        self.now, self.seq = self.now + S, self.seq + 1
        meant = next(each for each in one.masters if each.name == name)
        found = self.channel.check(one, meant, Decimal(size), self.now, (f"#{self.seq}", f"#{self.seq + 1}"))
        self.seq += 1                                  # the record of the gain, or another port's
        return found

    def suspect(self, size: str, name: str = "ring", one: Characteristic | None = None) -> Suspect | None:
        return self.check(size, name, one)[0].suspect


# --- a check


@pytest.mark.parametrize("size, verdict, side", [
    ("25", "pass", ""), ("25.001", "pass", ""), ("24.999", "pass", ""), ("25.0010001", "fail", "above"),
    ("24.9989999", "fail", "below")])
def test_master_may_be_off_by_as_much_as_it_says_and_no_more(size, verdict, side):
    found, gain = Bench().check(size)
    assert (found.verdict, found.side, gain) == (verdict, side, None)
    assert (found.name, found.size, found.value, found.deviation) == ("ring", 25, Decimal(size), Decimal(size) - 25)
    assert (found.lower, found.upper) == (Decimal("24.999"), Decimal("25.001"))


# --- suspect


def test_failed_check_puts_in_doubt_all_since_the_last_good_one():
    bench = Bench()
    bench.read(2)
    bench.check("25")                                  # record 3
    bench.read(3)                                      # records 5 to 7
    assert bench.suspect("25.002") == Suspect(5, 7, 3, START + 4 * S, START + 6 * S, "#3")


@pytest.mark.parametrize("before", [0, 2])
def test_restart_between_a_good_check_and_the_first_reading_after_it_changes_nothing(before):
    bench = Bench()
    for _ in range(before):
        bench.check("25")
        bench.read(1)
    bench.check("25")
    good = bench.seq - 1
    bench.restart().read(2)
    assert bench.suspect("25.002") == Suspect(good + 2, good + 3, 2, bench.now - 2 * S, bench.now - S, f"#{good}")


def test_failed_check_with_no_good_one_before_puts_in_doubt_all_there_is():
    bench = Bench()
    bench.read(2)
    assert bench.suspect("25.002") == Suspect(1, 2, 2, START + S, START + 2 * S, "")


@pytest.mark.parametrize("restarted", [False, True])
def test_nothing_is_in_doubt_where_nothing_was_measured(restarted):
    bench = Bench()
    assert bench.suspect("25.002") is None
    bench.check("25")
    if restarted:
        bench.restart()
    assert bench.suspect("25.002") is None
    assert bench.suspect("25.002") is None


def test_second_failure_in_a_row_reaches_back_to_the_same_good_check():
    bench = Bench()
    bench.check("25")                                  # record 1
    bench.read(2)                                      # records 3 and 4
    assert bench.suspect("25.002") == Suspect(3, 4, 2, START + 2 * S, START + 3 * S, "#1")
    bench.read(1)                                      # record 7
    assert bench.suspect("24.9") == Suspect(3, 7, 3, START + 2 * S, START + 5 * S, "#1")


def test_good_check_after_a_failed_one_ends_the_doubt():
    bench = Bench()
    bench.read(2)
    bench.check("25.002")
    bench.check("25")                                  # record 5
    bench.read(1)                                      # record 7
    assert bench.suspect("25.002") == Suspect(7, 7, 1, START + 5 * S, START + 5 * S, "#5")


def test_good_check_by_another_single_master_of_the_channel_ends_the_doubt_for_both_show_the_same_zero():
    bench, disc = Bench(), bore(master("disc", "30"), part="flange")
    bench.check("25")
    bench.read(2)
    bench.check("30", "disc", disc)                    # record 5
    bench.read(1)                                      # record 7
    assert bench.suspect("25.002") == Suspect(7, 7, 1, START + 5 * S, START + 5 * S, "#5")


def test_last_good_check_is_the_one_with_the_fewest_readings_since_whatever_the_clock_said():
    bench, disc = Bench(), bore(master("disc", "30"), part="flange")
    bench.check("25")
    bench.read(2)
    bench.now -= 600 * S
    bench.check("30", "disc", disc)                    # record 5
    bench.read(1)                                      # record 7
    assert bench.suspect("25.002") == Suspect(7, 7, 1, bench.now - S, bench.now - S, "#5")


def test_good_check_of_one_of_two_masters_ends_no_doubt_about_the_other():
    bench = Bench(PAIR)
    bench.check("24.99", "low")                        # record 1
    bench.read(2)                                      # records 3 and 4
    bench.check("25.01", "high")
    bench.read(1)                                      # record 7
    assert bench.suspect("24.98", "low").good == "#1"
    assert bench.suspect("25.02", "high") == Suspect(7, 7, 1, START + 5 * S, START + 5 * S, "#5")


# --- flags


def test_reading_with_no_check_behind_it_says_so():
    assert Bench().read() == [(NEVER,)]


def test_characteristic_without_masters_has_no_guard():
    assert Channel(Book()).guard(bore()) is None


def test_all_is_well_after_a_good_check_and_not_after_a_failed_one():
    bench = Bench()
    bench.check("25")
    assert bench.read(2) == [(), ()]
    bench.check("25.002")
    assert bench.read(2) == [(FAILED,)] * 2
    assert bench.restart().read() == [(FAILED,)]
    bench.check("25")
    assert bench.read() == [()]


def test_first_check_that_fails_is_a_failed_one_not_a_missing_one():
    bench = Bench()
    bench.check("25.002")
    assert bench.read() == [(FAILED,)]


@pytest.mark.parametrize("restarted", [False, True])
def test_check_is_good_for_exactly_so_many_parts(restarted):
    bench = Bench(bore(master(parts=3)))
    bench.check("25")
    first = bench.read(2)
    if restarted:
        bench.restart()
    assert first + bench.read(3) == [(), (), (), (OVERDUE,), (OVERDUE,)]


def test_check_is_good_until_its_time_is_over_and_then_overdue():
    bench = Bench(bore(master(every_ns=8 * 3600 * S)))
    bench.check("25")
    checked = bench.now
    for after_ns, flags in ((0, ()), (8 * 3600 * S - 1, ()), (8 * 3600 * S, (OVERDUE,)), (9 * 3600 * S, (OVERDUE,))):
        bench.now = checked + after_ns
        assert bench.flags() == flags


def test_clock_set_back_by_a_minute_is_forgiven_and_by_more_is_not():
    bench = Bench(bore(master(every_ns=3600 * S)))
    bench.check("25")
    checked = bench.now
    for back_ns, flags in ((1, ()), (60 * S, ()), (60 * S + 1, (OVERDUE,)), (10**9 * S, (OVERDUE,))):
        bench.now = checked - back_ns
        assert bench.flags() == flags


def test_clock_set_back_between_two_masters_makes_the_first_one_overdue():
    bench = Bench(bore(master("low", "24.99", every_ns=3600 * S), master("high", "25.01")))
    bench.check("24.99", "low")
    bench.now -= 600 * S
    bench.check("25.01", "high")
    assert bench.flags() == bench.restart().flags() == (OVERDUE,)


def test_clock_set_back_means_nothing_to_a_master_that_time_does_not_make_overdue():
    bench = Bench(bore(master(parts=3)))
    bench.check("25")
    bench.now -= 10**6 * S
    assert bench.flags() == ()


def test_calibration_is_due_from_its_moment_on_whatever_the_check_says():
    due = START + 100 * S
    bench = Bench(bore(master(due_ns=due)))
    for flags in ((NEVER,), ()):
        bench.now = due - 1
        assert bench.flags() == flags
        bench.now = due
        assert bench.flags() == (*flags, CALIBRATION)
        bench.now = due - 10 * S
        bench.check("25")


def test_each_of_two_masters_counts():
    bench = Bench(PAIR)
    assert bench.read() == [(NEVER,)]
    bench.check("24.99", "low")
    assert bench.read() == [(NEVER,)]
    bench.check("25.02", "high")
    assert bench.read() == [(FAILED,)]
    bench.check("25.01", "high")
    assert bench.read() == [()]


def test_flags_stand_sorted_once_each_and_calibration_last():
    one = bore(master("a", "24", every_ns=S), master("b", "25", due_ns=START), master("c", "26", parts=1))
    bench = Bench(one)
    bench.check("24", "a")
    bench.read(1)
    bench.check("26.1", "c")
    assert bench.flags() == (FAILED, NEVER, OVERDUE, CALIBRATION)


def test_readings_of_other_parts_on_the_channel_use_a_check_up_too():
    bench = Bench(bore(master(parts=2)))
    bench.check("25")
    bench.one = bore(part="flange")
    for _ in range(2):
        bench.seq += 1
        bench.channel.count(bench.seq, bench.now)
    assert bench.flags(bore(master(parts=2))) == (OVERDUE,)


def test_another_configuration_of_the_same_master_is_in_force_at_once():
    bench = Bench()
    bench.check("25")
    bench.read(2)
    assert bench.flags() == () and bench.flags(bore(master(parts=2))) == (OVERDUE,) and bench.flags() == ()


def test_channel_is_to_be_kept_after_each_reading_and_each_check_and_not_after_a_look():
    bench = Bench()
    bench.flags()
    assert not bench.channel.touched and not bench.channel.counted
    checks = [(lambda: bench.check("25"), True, False), (lambda: bench.check("25.002"), True, False)]
    behind_a_good_one, another = (bench.read, True, True), (bench.read, False, True)
    for change, touched, counted in (another, checks[0], behind_a_good_one, another, checks[1], another):
        bench.channel.touched = bench.channel.counted = False
        change()
        assert (bench.channel.touched, bench.channel.counted) == (touched, counted)


# --- two masters


def gain(bench: Bench, *checks: tuple[str, str]) -> list[bool]:
    """Which of these checks, each of (master, size), gave a gain."""
    return [bench.check(size, name)[1] is not None for name, size in checks]


LOW, HIGH = ("low", "24.99"), ("high", "25.01")


def test_two_masters_one_after_the_other_give_the_gain_in_either_order():
    assert gain(Bench(PAIR), LOW, HIGH) == [False, True]
    assert gain(Bench(PAIR), HIGH, LOW) == [False, True]


def test_each_check_is_used_in_one_pair_only():
    assert gain(Bench(PAIR), LOW, HIGH, LOW, HIGH, HIGH, HIGH, LOW) == [False, True, False, True, False, False, True]


def test_newest_check_of_a_master_is_the_one_that_counts():
    bench = Bench(PAIR)
    bench.check("24.9899", "low")
    bench.check("24.9905", "low")
    assert bench.check("25.0105", "high")[1].gain_error == 0


@pytest.mark.parametrize("restarted", [False, True])
def test_part_between_two_masters_keeps_them_apart(restarted):
    bench = Bench(PAIR)
    bench.check(*reversed(LOW))
    bench.read()
    if restarted:
        bench.restart()
    assert gain(bench, HIGH, LOW) == [False, True]


def test_restart_between_two_masters_does_not_keep_them_apart_and_makes_no_second_pair():
    bench = Bench(PAIR)
    assert gain(bench, LOW) + gain(bench.restart(), HIGH) + gain(bench.restart(), LOW) == [False, True, False]


def test_only_the_smallest_and_the_largest_of_three_masters_give_the_gain():
    three = bore(master("high", "25.01"), master("low", "24.99"), master("middle", "25"))
    assert [one.name for one in ends(three)] == ["low", "high"]
    assert gain(Bench(three), ("middle", "25"), LOW, ("middle", "25"), HIGH) == [False, False, False, True]


def test_gain_is_a_check_of_the_difference_with_the_wider_of_the_two_bounds():
    one = bore(master("low", "24.99", within="0.002"), master("high", "25.01", within="0.003"))
    bench = Bench(one)
    bench.check("24.9885", "low")
    check = bench.check("25.0115", "high")[1].check
    assert (check.name, check.size, check.value) == ("low+high", Decimal("0.02"), Decimal("0.023"))
    assert check.deviation == Decimal("0.003")
    assert (check.lower, check.upper, check.verdict) == (Decimal("0.017"), Decimal("0.023"), "pass")
    bench.check("24.988", "low")
    assert bench.check("25.0111", "high")[1].check.verdict == "fail"


def test_failed_gain_flags_readings_until_both_masters_are_checked_anew():
    bench = Bench(PAIR)
    bench.check("24.9894", "low")
    assert bench.check("25.0106", "high")[1].check.verdict == "fail"
    assert bench.read() == [(FAILED,)] and bench.restart().read() == [(FAILED,)]
    bench.check(*reversed(LOW))
    bench.read()
    bench.check(*reversed(HIGH))
    assert bench.read() == [(FAILED,)]                 # a part between: the gain is not known
    assert gain(bench, LOW, HIGH) == [False, True]
    assert bench.read() == [()]


def test_failed_gain_puts_in_doubt_all_since_the_last_good_gain_though_each_master_is_good():
    bench = Bench(PAIR)
    gain(bench, LOW, HIGH)                             # the gain is record 4
    bench.read(2)                                      # records 5 and 6
    gain(bench, LOW)
    bench.read(1)                                      # record 9
    bench.check("24.9894", "low")
    found, both = bench.check("25.0106", "high")
    assert found.suspect is None
    assert both.check.suspect == Suspect(5, 9, 3, START + 3 * S, START + 6 * S, "#4")


def test_same_reading_on_both_masters_is_a_column_without_gain_and_fails():
    bench = Bench(PAIR)
    bench.check("25", "low")
    _, both = bench.check("25", "high")
    assert (both.gain_error, both.zero_error, both.check.verdict, both.check.value) == (-1, 0, "fail", 0)


# --- whatever happens


UM = Decimal("0.001")
SHARED = master("ring", parts=3)
PARTS = [
    bore(SHARED),
    bore(master("disc", "30", every_ns=20 * S), part="flange"),
    bore(master("low", "24.99", "0.002", every_ns=30 * S, parts=5),
         master("high", "25.01", "0.002", due_ns=START + 50 * S), part="cover"),
    bore(SHARED, master("top", "25.02"), part="pump", nominal=None),
]


@dataclass
class Happened:
    """`what`: `reading` or the name of a master (or pair) that was checked."""

    what: str
    seq: int
    wall_ns: int
    good: bool = False
    alone: bool = False
    used: bool = False
    off: Decimal = field(default=Decimal(0))


class Story:
    """All that happened on the channel, in order; every answer is found by walking back through it."""

    def __init__(self):
        self.all: list[Happened] = []

    def last(self, what: str) -> int | None:
        return next((at for at in reversed(range(len(self.all))) if self.all[at].what == what), None)

    def readings(self, since: int = -1) -> list[Happened]:
        return [one for one in self.all[since + 1:] if one.what == "reading"]

    def holds(self, told: Suspect | None, name: str, alone: bool) -> bool:
        """Whether that is in doubt; the good check told is the last one, or another with no reading between."""
        good = [at for at, one in enumerate(self.all) if one.what != "reading" and one.good
                and (one.what == name or alone and self.is_alone_now(one.what))]
        doubted = self.readings(max(good, default=-1))
        if told is None or not doubted:
            return told is None and not doubted
        last_good = {f"#{self.all[at].seq}" for at in good if self.readings(at) == doubted} or {""}
        first, last = doubted[0], doubted[-1]
        return told.good in last_good and (told.first, told.last, told.count, told.since_ns, told.until_ns) == (
            first.seq, last.seq, len(doubted), first.wall_ns, last.wall_ns)

    def is_alone_now(self, name: str) -> bool:
        return self.all[self.last(name)].alone

    def pair(self, low: Master, high: Master) -> tuple[Happened, Happened] | None:
        places = [self.last(low.name), self.last(high.name)]
        if None in places or self.readings(min(places)) or any(self.all[at].used for at in places):
            return None
        return self.all[places[0]], self.all[places[1]]

    def flags(self, one: Characteristic, wall_ns: int) -> tuple[str, ...]:
        found = {self.flag(each, wall_ns) for each in one.masters}
        if len(one.masters) == 2:
            at = self.last("+".join(each.name for each in ends(one)))
            found |= {FAILED} if at is not None and not self.all[at].good else set()
        due = [CALIBRATION for each in one.masters if each.due_ns and each.due_ns <= wall_ns]
        return (*sorted(found - {None}), *due)

    def flag(self, each: Master, wall_ns: int) -> str | None:
        at = self.last(each.name)
        if at is None:
            return NEVER
        if not self.all[at].good:
            return FAILED
        late = each.every_ns and not self.all[at].wall_ns - 60 * S <= wall_ns < self.all[at].wall_ns + each.every_ns
        return OVERDUE if late or each.parts and len(self.readings(at)) >= each.parts else None


times = st.one_of(st.integers(0, 5), st.sampled_from([20, 30, -1, -60, -61, -5000])).map(lambda s: s * S)
happenings = st.lists(st.one_of(
    st.tuples(st.just("read"), times, st.booleans(), st.integers(1, 3), st.booleans()),
    st.tuples(st.just("check"), times, st.booleans(), st.integers(0, 3), st.integers(0, 1), st.integers(-3, 3))),
    max_size=40)


@given(happenings)
def test_any_story_gives_the_suspect_gain_and_flags_that_a_list_of_all_that_happened_gives(happenings):
    channel, story, now, seq, given_out = Channel(Book()), Story(), START, 0, []
    for what, after, restarts, *more in happenings:
        if restarts:
            channel = Channel(msgspec.json.decode(msgspec.json.encode(channel.book), type=Book))
        now += after
        for one in PARTS:                              # the quick way, the slow way, and the list agree
            found = channel.guard(one).flags(now)
            assert found == Guard(one, channel.book).flags(now) == story.flags(one, now)
        if what == "read":
            many, at_once = more
            like_now = [(one, channel.guard(one).flags(now), channel.guard(one).lasts(now)) for one in PARTS]
            for read in range(1, many + 1):
                seq += 1 if at_once else 2
                story.all.append(Happened("reading", seq, now))
                if not at_once:
                    channel.count(seq, now)
                assert all(story.flags(one, now) == flags for one, flags, lasts in like_now if read < lasts)
            if at_once:
                channel.count(seq, now, many)
            continue
        one = PARTS[more[0]]
        each = one.masters[more[1] % len(one.masters)]
        seq += 2
        found, both = channel.check(one, each, each.size + more[2] * UM, now, (f"#{seq}", f"#{seq + 1}"))
        given_out += [(said, msgspec.json.encode(said)) for said in (found, both)]
        check_told(story, one, each, found, both, seq, now)
    assert all(msgspec.json.encode(said) == before for said, before in given_out)       # nothing said was changed later


def check_told(story: Story, one: Characteristic, each: Master, found: Verdict, both: Gain | None, seq: int,
               now: int) -> None:
    """Hold what a check said against the story, and go on with the story."""
    alone, good = len(one.masters) == 1, abs(found.deviation) <= each.within
    assert found.verdict == ("pass" if good else "fail")
    happened = Happened(each.name, seq, now, good, alone, off=found.deviation)
    story.all.append(happened)
    happened.good = False                              # while it is judged it stands behind nothing
    assert found.suspect is None if good else story.holds(found.suspect, each.name, alone)
    happened.good = good
    pair = None if alone else story.pair(*ends(one))
    assert (both is not None) == (pair is not None)
    if both is None:
        return
    low, high = ends(one)
    opened = pair[1].off - pair[0].off
    is_good = abs(opened) <= max(low.within, high.within)
    name = f"{low.name}+{high.name}"
    assert (both.check.name, both.check.deviation, both.check.verdict) == (name, opened, "pass" if is_good else "fail")
    assert both.check.suspect is None if is_good else story.holds(both.check.suspect, name, False)
    pair[0].used = pair[1].used = True
    story.all.append(Happened(name, seq + 1, now, is_good))
