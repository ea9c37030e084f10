"""Which masters are due and what is in force; and `collector status`, which says what of it needs a person."""

import json
from datetime import datetime, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.cli import main
from collector.clock import SystemClock
from collector.config.plan import read_plan
from collector.journal import Journal
from collector.measuring.masters import CALIBRATION, FAILED, NEVER, OVERDUE
from collector.record import Chunk
from collector.service.cell import Cell
from collector.service.daemon import Daemon
from collector.service.due import GOOD, in_force, masters_due
from collector.service.handover import HandOver, PortOpened
from collector.service.memory import Memory
from collector.service.numbering import Numbering
from collector.service.orders import OrderRead
from collector.service.pipeline import Pipeline
from collector.service.status import write_status
from collector.service.tally import Tally
from collector.service.worker import Stop, Worker

CONFIG = """\
site: cell-4
ports:
  bore: {device: /dev/ttyS9, format: sizes}
  face: {device: /dev/ttyS8, format: sizes}
formats:
  sizes:
    pattern: '^(?P<kind>[RP])(?P<master>[a-z]*) (?P<value>[+-]?\\d+\\.\\d+)$'
    kinds: {R: master, P: measurement}
    unit: mm
parts:
  PH-200:
    bore: {channel: bore, nominal: 12 mm, limits: {lower: 0 mm, upper: 18 um}, masters: [{name: ring, size: 12 mm, within: 1 um, every: 8 h, parts: 3, due: 2027-03-31}]}
  PH-300:
    bore: {channel: bore, nominal: 13 mm, masters: [{name: plug, size: 13 mm, within: 1 um}]}
    face: {channel: face, nominal: 5 mm, masters: [{name: low, size: 5 mm, within: 2 um}, {name: high, size: 5.01 mm, within: 2 um}]}
context:
  mes: {folder: ./orders}
outputs:
  mes: {kind: csv, folder: ./inbox}
"""
H = 3_600_000_000_000
T0 = int(datetime(2027, 3, 30, 6, tzinfo=timezone.utc).timestamp()) * 1_000_000_000


class Bench:
    """A cell, fed line by line at times told in hours after T0."""

    def __init__(self, folder):
        (folder / "c.yaml").write_text(CONFIG, encoding="utf-8")
        plan = read_plan(folder / "c.yaml")
        self.cell = Cell(plan, Numbering("s", "TEST0000", 1), Memory({}))
        self.pipelines = {name: Pipeline(port, self.cell, Tally("d")) for name, port in plan.ports.items()}

    def feed(self, hours, *lines, port="bore"):
        for line in lines:
            at = T0 + int(hours * H)
            self.pipelines[port].feed(Chunk(port, f"{line}\n".encode(), at, at))

    def part(self, text):
        self.cell.put("mes", {"part": text}, T0)

    def all(self, hours=0.0):
        return {one["master"]: one for one in masters_due(self.cell, T0 + int(hours * H))}

    def state(self, master="ring", hours=0.0):
        return self.all(hours)[master]["state"]


@pytest.fixture
def bench(tmp_path):
    return Bench(tmp_path)


def test_a_master_that_was_never_on_is_never_and_tells_no_check(bench):
    assert bench.all()["ring"] == {"channel": "bore", "part": "PH-200", "characteristic": "bore", "master": "ring", "state": NEVER,
                                   "calibrated-until": "2027-04-01T00:00:00.000000Z", "in-force": False}
    assert [*bench.all()] == ["ring", "plug", "low", "high"]


def test_a_good_check_tells_when_it_was_what_it_found_and_when_it_ends(bench):
    bench.feed(0.5, "Rring 11.9995", "P 12.001")
    found = bench.all(1)["ring"]
    assert (found["state"], found["last"], found["deviation"]) == (GOOD, "2027-03-30T06:30:00.000000Z", "-0.0005 mm")
    assert (found["due"], found["parts-left"]) == ("2027-03-30T14:30:00.000000Z", 2)


def test_a_check_on_its_bound_is_good_and_the_next_digit_has_failed(bench):
    bench.feed(0, "Rring 12.001")
    assert bench.state() == GOOD
    bench.feed(0, "Rring 12.0010000001")
    assert bench.state() == FAILED


def test_a_check_is_overdue_from_its_time_on(bench):
    bench.feed(0, "Rring 12.000")
    assert bench.state(hours=8 - 1e-6) == GOOD and bench.state(hours=8) == OVERDUE


def test_a_check_is_good_for_exactly_its_parts(bench):
    bench.feed(0, "Rring 12.000", "P 12.001", "P 12.001")
    assert (bench.state(), bench.all()["ring"]["parts-left"]) == (GOOD, 1)
    bench.feed(0, "P 12.001")
    assert (bench.state(), bench.all()["ring"]["parts-left"]) == (OVERDUE, 0)
    bench.feed(0, "P 12.001", "P 12.001")
    assert bench.all()["ring"]["parts-left"] == 0
    bench.feed(0, "Rring 12.000")
    assert (bench.state(), bench.all()["ring"]["parts-left"]) == (GOOD, 3)


def test_a_failed_check_tells_itself_and_what_is_left_of_the_last_good_one(bench):
    bench.feed(0, "Rring 12.000", "P 12.001")
    bench.feed(2, "Rring 12.005")
    found = bench.all(2)["ring"]
    assert (found["state"], found["last"], found["deviation"]) == (FAILED, "2027-03-30T08:00:00.000000Z", "0.005 mm")
    assert (found["due"], found["parts-left"]) == ("2027-03-30T14:00:00.000000Z", 2)


def test_a_master_whose_first_check_failed_has_no_good_one_that_could_end(bench):
    bench.feed(0, "Rring 12.005")
    found = bench.all()["ring"]
    assert found["state"] == FAILED and "due" not in found and "parts-left" not in found


def test_a_calibration_is_good_through_its_last_day(bench):
    bench.feed(41, "Rring 12.000")
    assert bench.state(hours=42 - 1e-6) == GOOD and bench.state(hours=42) == CALIBRATION


def test_what_a_check_says_of_the_column_goes_before_a_calibration_that_is_due(bench):
    assert bench.state(hours=42) == NEVER
    bench.feed(41, "Rring 12.005")
    assert bench.state(hours=42) == FAILED
    bench.feed(41, "Rring 12.000")
    assert bench.state(hours=41 + 8) == OVERDUE


def test_two_masters_have_their_difference_as_a_third(bench):
    bench.feed(0, "Rlow 5.002", port="face")
    assert [one for one in bench.all() if "+" in one] == []
    bench.feed(0, "Rhigh 5.0115", port="face")
    assert bench.all()["low+high"] == {"channel": "face", "part": "PH-300", "characteristic": "face", "master": "low+high", "state": GOOD,
                                       "last": "2027-03-30T06:00:00.000000Z", "deviation": "-0.0005 mm", "in-force": True}


def test_a_gain_that_is_off_is_told_though_both_masters_are_within(bench):
    bench.feed(0, "Rlow 5.002", "Rhigh 5.0081", port="face")
    assert [bench.state(name) for name in ("low", "high", "low+high")] == [GOOD, GOOD, FAILED]


def test_where_parts_share_a_channel_the_part_in_force_says_which_is_measured(bench):
    def measured():
        return [name for name, one in bench.all().items() if one["in-force"]]

    assert measured() == ["low", "high"]               # the bore's column waits to hear which part is on
    bench.part("PH-200")
    assert measured() == ["ring"]
    bench.part("PH-300")
    assert measured() == ["plug", "low", "high"]
    bench.part("PH-999")
    assert measured() == []
    bench.part("")
    assert measured() == ["low", "high"]


def test_what_is_in_force_is_told_for_each_port_that_has_any(bench):
    assert in_force(bench.cell) == {}
    bench.cell.put("mes", {"part": "PH-200", "lot": "0123"}, T0)
    assert in_force(bench.cell) == {port: {"part": "PH-200", "lot": "0123"} for port in ("bore", "face")}
    bench.cell.put("mes", {"part": "", "lot": ""}, T0)
    assert in_force(bench.cell) == {}


def test_a_due_time_is_a_date_also_with_the_longest_that_a_configuration_takes(tmp_path):
    longest = CONFIG.replace("every: 8 h", "every: 3653 d").replace("due: 2027-03-31", "due: 2199-12-31")
    (tmp_path / "c.yaml").write_text(longest, encoding="utf-8")
    plan = read_plan(tmp_path / "c.yaml")
    cell = Cell(plan, Numbering("s", "TEST0000", 1), Memory({}))
    Pipeline(plan.ports["bore"], cell, Tally("d")).feed(Chunk("bore", b"Rring 12.000\n", T0, 0))
    found = masters_due(cell, T0)[0]
    assert (found["state"], found["due"][:10], found["calibrated-until"][:10]) == (GOOD, "2037-03-30", "2200-01-01")


LINES = st.sampled_from(["Rlow 5.000", "Rlow 5.002", "Rlow 5.003", "Rhigh 5.010", "Rhigh 5.0085", "Rhigh 5.013", "P 5.001"])


@given(lines=st.lists(st.tuples(st.integers(0, 3), LINES), max_size=12), later=st.integers(0, 12))
def test_all_is_good_exactly_when_a_reading_made_now_would_have_no_flag(tmp_path_factory, lines, later):
    bench, hours = Bench(tmp_path_factory.mktemp("due")), 0
    for pause, line in lines:
        hours += pause
        bench.feed(hours, line, port="face")
    now = T0 + (hours + later) * H
    one = bench.cell.plan.parts["PH-300"].characteristics["face"]
    flags = set(bench.cell.memory.channel("face").guard(one).flags(now))
    assert {told["state"] for told in masters_due(bench.cell, now) if told["characteristic"] == "face"} - {GOOD} == flags


@given(lines=st.lists(st.tuples(st.integers(0, 6), st.sampled_from(["Rring 12.000", "Rring 12.002", "P 12.001"])), max_size=12),
       later=st.integers(0, 60))
def test_the_state_of_one_master_is_among_the_flags_of_a_reading_made_now(tmp_path_factory, lines, later):
    bench, hours = Bench(tmp_path_factory.mktemp("due")), 0
    bench.part("PH-200")
    for pause, line in lines:
        hours += pause
        bench.feed(hours, line)
    now = T0 + (hours + later) * H
    one = bench.cell.plan.parts["PH-200"].characteristics["bore"]
    flags = bench.cell.memory.channel("bore").guard(one).flags(now)
    told = bench.state(hours=hours + later)
    assert told in flags if flags else told == GOOD


# --- collector status


class Held(SystemClock):
    """A clock that stands still."""

    def wall_ns(self):
        return T0

    def is_synchronised(self):
        return True

    def steady_ns(self):
        return 0


@pytest.fixture
def status(tmp_path, capsys):
    """What `collector status` says after a worker has taken these items: exit code and lines (or, with --json, the object)."""

    def after(*items, words=()):
        (tmp_path / "c.yaml").write_text(CONFIG, encoding="utf-8")
        plan = read_plan(tmp_path / "c.yaml")
        daemon = Daemon(tmp_path / "c.yaml", plan, Held())
        handover = HandOver()
        for item in (PortOpened("bore", T0, 0, "d"), PortOpened("face", T0, 0, "d"), *items, Stop(T0, 0)):
            handover.put(item)
        daemon.worker = Worker(plan, lambda: Journal.open(plan.state), handover, Held())
        daemon.worker.run()
        assert daemon.worker.failure is None
        write_status(daemon)
        code = main(["status", str(tmp_path / "c.yaml"), *words])
        said = capsys.readouterr().out
        return (code, json.loads(said)) if "--json" in words else (code, said.splitlines())

    return after


def read(port, *lines):
    return [Chunk(port, f"{line}\n".encode(), T0, 0) for line in lines]


def needs(lines):
    return [line.strip() for line in lines[lines.index("Needs a person:") + 1:]] if "Needs a person:" in lines else []


def test_status_shows_the_table_of_masters_and_needs_a_person_for_those_that_are_measured_now(status):
    code, lines = status(*read("bore", "Rring 11.9995", "Rplug 13.005"), *read("face", "Rlow 5.001"))
    first = next(number for number, line in enumerate(lines) if line.startswith("master "))
    table = [line.split("  ") for line in lines[first:first + 5]]
    assert [[text.strip() for text in row if text.strip()] for row in table] == [
        ["master", "channel", "part", "characteristic", "state", "last check", "read off by", "due", "parts left", "calibrated until"],
        ["ring", "bore", "PH-200", "bore", "good", "2027-03-30T06:00:00.000000Z", "-0.0005 mm", "2027-03-30T14:00:00.000000Z", "3",
         "2027-04-01T00:00:00.000000Z"],
        ["plug", "bore", "PH-300", "bore", "failed-master-check", "2027-03-30T06:00:00.000000Z", "0.005 mm"],
        ["low", "face", "PH-300", "face", "good", "2027-03-30T06:00:00.000000Z", "0.001 mm"],
        ["high", "face", "PH-300", "face", "no-master-check"]]
    assert code == 1 and len(needs(lines)) == 1        # neither part of the bore is in force: nobody measures by the failed one
    assert needs(lines)[0].startswith("master high of face (PH-300, face): no-master-check")


def test_status_is_0_where_every_master_that_is_measured_now_is_good(status):
    code, lines = status(*read("face", "Rlow 5.001", "Rhigh 5.011"))
    assert (code, needs(lines)) == (0, [])


def test_status_is_1_where_only_the_gain_is_off(status):
    code, lines = status(*read("face", "Rlow 5.002", "Rhigh 5.0081"))
    assert code == 1 and [line.split(";")[0] for line in needs(lines)] == ["master low+high of face (PH-300, face): failed-master-check"]


def test_status_as_json_holds_the_same(status):
    code, told = status(*read("bore", "Rring 12.000"), *read("face", "Rlow 5.001", "Rhigh 5.011"), words=("--json",))
    assert code == 0 and told["needs"] == [] and told["context"] == {}
    assert [(one["master"], one["state"], one["in-force"]) for one in told["masters"]] == [
        ("ring", GOOD, False), ("plug", NEVER, False), ("low", GOOD, True), ("high", GOOD, True), ("low+high", GOOD, True)]


def test_status_shows_what_is_in_force_on_each_port_and_nothing_from_outside_reaches_the_terminal_raw(status):
    code, lines = status(OrderRead("mes", "a.json", "mark", {"part": "PH-200", "lot": "7\x1b[2J"}, T0))
    assert [line for line in lines if line.startswith("in force")] == [f"in force on {port}: part PH-200, lot 7\\x1b[2J" for port in ("bore", "face")]
    assert code == 1 and [line.split(";")[0] for line in needs(lines)] == ["master ring of bore (PH-200, bore): no-master-check"]
