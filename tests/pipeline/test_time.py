"""Clocks that are wrong, are set, or go to sleep: a real worker and journal under a held clock; a real daemon under a shim.

Changes of the hour in Europe/Berlin, 2026-03-29 and 2026-10-25 at 01:00 UTC: verified (zoneinfo with tzdata 2026.6).
"""

import json
import shutil
import struct
import subprocess
import time
from datetime import datetime, timedelta
from decimal import Decimal
from pathlib import Path

import pytest

from collector.config.plan import read_plan
from collector.journal import Journal, JournalReader
from collector.record import Chunk
from collector.service.handover import HandOver, PortQuiet
from collector.service.worker import Stop, Worker
from tests.faults.handover_bench import Bench


SECOND, HOUR, FLAG = 1_000_000_000, 3600, "clock-unsynchronised"
CONFIG = """
site: cell-4
ports: {p: {device: /dev/ttyS9, format: f}, g: {device: /dev/ttyS8, format: f, gap: 20 ms}}
formats: {f: {pattern: '^(?P<channel>[AB])? ?(?P<value>[0-9.]+)(?P<kind>M)?$', unit: mm, kinds: {M: master}}}
parts:
  housing:
    bore: {channel: p/A, nominal: 12 mm, limits: {lower: 0 mm, upper: 0.018 mm}}
    seat: {channel: p/B, nominal: 25 mm, limits: {lower: 0 mm, upper: 0.018 mm}}
    face: {channel: g, nominal: 9 mm, limits: {lower: 0 mm, upper: 0.018 mm},
           masters: [{name: ring, size: 9.005 mm, within: 1 um, every: 8 h}]}
outputs: {o: {kind: csv, folder: /srv/x}}
"""
TWO = CONFIG.replace("    face: {", "  cover:\n    face: {")


def ns(text):
    return int(datetime.fromisoformat(f"{text}+00:00").timestamp()) * SECOND


def when(record):
    return datetime.fromisoformat(record["time"])


class HeldClock:
    """Time goes on only when it is told to."""

    def __init__(self, wall, since_boot_s=30, synchronised=True):
        self.gone_ns, self.asleep_ns, self.synchronised = since_boot_s * SECOND, 0, synchronised
        self.apart_ns = ns(wall) - self.gone_ns

    def wall_ns(self):
        return self.since_boot_ns() + self.apart_ns

    def steady_ns(self):
        return self.gone_ns

    def since_boot_ns(self):
        return self.gone_ns + self.asleep_ns

    def boot(self):
        return "boot-1"

    def is_synchronised(self):
        return self.synchronised


class Script(HandOver):
    """A hand-over that gives one thing at a time, as told: what a line brings is stamped by the clock in that moment."""

    def __init__(self, clock, *steps):
        super().__init__()
        self.clock, self._steps = clock, [*steps, ("goes", 1)]     # a gap ends what is unfinished

    def take_all(self, timeout_s):
        while self._steps:
            what, *more = self._steps.pop(0)
            if what == "goes":
                self.clock.gone_ns += int(more[0] * SECOND)
                return [PortQuiet("g", self.clock.steady_ns())]
            elif what == "asleep":
                self.clock.asleep_ns += int(more[0] * SECOND)
            elif what == "step":
                self.clock.apart_ns += int(more[0] * SECOND)
            elif what == "synchronised":
                self.clock.synchronised = more[0]
            else:                                      # a tick, or what a line brings
                return [Chunk(what, more[0], self.clock.wall_ns(), self.clock.steady_ns())] if more else []
        return [Stop(self.clock.wall_ns(), self.clock.steady_ns())]


def worked(folder, clock, *steps, config=CONFIG):
    """All records in the journal after a worker has run through this."""
    (folder / "c.yaml").write_text(config)
    worker = Worker(read_plan(folder / "c.yaml"), lambda: Journal.open(folder / "state"), Script(clock, *steps), clock)
    worker.run()
    assert worker.failure is None
    reader = JournalReader.open(folder / "state")
    found = [json.loads(row.body, parse_float=Decimal) for row in reader.select()]
    reader.close()
    assert [one["seq"] for one in found] == list(range(1, len(found) + 1))
    return found


def named(records, name):
    return [one for one in records if one["kind"] == "event" and one["detail"]["event"] == name]


def test_a_step_stands_between_what_came_before_it_and_what_came_behind(tmp_path):
    clock = HeldClock("2026-03-02T08:00:00")
    found = worked(tmp_path, clock, ("p", b"A 12.001\r"), ("goes", 1), ("step", -HOUR), ("p", b"A 12.002\rA 12.003\r"), ("goes", 2),
                   ("tick",), ("step", 2 * HOUR), ("tick",), ("tick",), ("p", b"A 12.004\r"))
    said = [(one.get("value") or one["detail"].get("by") or one["detail"].get("event"), one["time"][11:19])
            for one in found if one["kind"] != "part"]
    assert said == [("started", "08:00:00"), (Decimal("12.001"), "08:00:00"), (-HOUR, "07:00:01"), (Decimal("12.002"), "07:00:01"),
                    (Decimal("12.003"), "07:00:01"), (2 * HOUR, "09:00:03"), (Decimal("12.004"), "09:00:03"), ("stopped", "09:00:04")]
    assert named(found, "clock-step")[0]["detail"] == {
        "event": "clock-step", "by": -HOUR, "before": "2026-03-02T08:00:01.000000Z", "after": "2026-03-02T07:00:01.000000Z",
        "boot": "boot-1", "since-boot": 31}


def test_a_machine_that_boots_in_1970_and_is_set_later_lets_every_time_be_put_right(tmp_path):
    clock = HeldClock("1970-01-01T00:00:30", synchronised=False)
    off = (ns("2026-03-02T08:00:00") - ns("1970-01-01T00:00:30")) // SECOND
    found = worked(tmp_path, clock, ("p", b"A 12.001\r"), ("goes", 100), ("p", b"B 25.001\r"), ("goes", 0.25), ("step", off),
                   ("synchronised", True), ("goes", 1), ("tick",), ("goes", 60), ("p", b"A 12.002\r"))
    step, = named(found, "clock-step")
    assert all((FLAG in one.get("flags", ())) == (one["seq"] < step["seq"]) for one in found)
    assert found[0]["detail"] == {"event": "started", "clock": "unsynchronised", "boot": "boot-1", "since-boot": 30}
    right = [when(one) + timedelta(seconds=float(step["detail"]["by"])) if one["seq"] < step["seq"] else when(one) for one in found]
    begun = datetime.fromisoformat("2026-03-02T08:00:00+00:00")
    since = {one.get("value"): (at - begun).total_seconds() for one, at in zip(found, right) if one["kind"] == "measurement"}
    assert since == {Decimal("12.001"): 0, Decimal("25.001"): 100, Decimal("12.002"): 161.25}


@pytest.mark.parametrize("step_s", [HOUR, -HOUR, 56 * 365 * 24 * HOUR])
def test_readings_of_one_part_stay_together_over_a_step_and_a_restart_and_those_too_far_apart_do_not(tmp_path, step_s):
    for gone_s, together in ((9 * 60, True), (11 * 60, False)):
        folder = tmp_path / str(gone_s)
        folder.mkdir()
        clock = HeldClock("1970-01-02T08:00:00")
        worked(folder, clock, ("p", b"A 12.001\r"), ("goes", 60), ("step", step_s), ("tick",), config=TWO)
        found = worked(folder, clock, ("goes", gone_s - 60), ("p", b"B 25.001\r"), config=TWO)
        parts = [one for one in found if one["kind"] == "part"]
        assert [list(one["detail"]["readings"]) for one in parts] == ([["bore", "seat"]] if together else [["bore"]])


@pytest.mark.parametrize("steps", [(24,), (-24,), (-4,), (-24, 12), (24, -36)])
def test_a_check_is_good_for_its_hours_however_the_clock_is_set_also_after_a_restart(tmp_path, steps):
    clock = HeldClock("2026-03-02T08:00:00")
    moves = [move for hours in steps for move in (("step", hours * HOUR), ("tick",))]
    worked(tmp_path, clock, ("g", b"9.005M"), ("goes", 1), ("g", b"9.004"), ("goes", 1), *moves, config=TWO)
    found = worked(tmp_path, clock, ("g", b"9.003"), ("goes", 7.9 * HOUR), ("g", b"9.002"), ("goes", 0.2 * HOUR), ("g", b"9.001"), config=TWO)
    assert [(one["value"], one.get("flags", [])) for one in found if one["kind"] == "measurement"] == [
        (Decimal("9.004"), []), (Decimal("9.003"), []), (Decimal("9.002"), []), (Decimal("9.001"), ["overdue-master"])]


def test_a_check_runs_out_on_time_after_a_step_back_within_its_hours(tmp_path):
    found = worked(tmp_path, HeldClock("2026-03-02T08:00:00"), ("g", b"9.005M"), ("goes", 1), ("g", b"9.004"), ("goes", 1), ("step", -4 * HOUR),
                   ("tick",), ("goes", 8.1 * HOUR), ("g", b"9.003"), config=TWO)
    assert [one.get("flags", []) for one in found if one["kind"] == "measurement"] == [[], ["overdue-master"]]


def test_a_check_of_before_a_boot_without_a_clock_is_doubted_until_the_clock_is_right(tmp_path):
    worked(tmp_path, HeldClock("2026-03-02T08:00:00"), ("g", b"9.005M"), config=TWO)
    off = (ns("2026-03-02T09:00:00") - ns("1970-01-01T00:00:30")) // SECOND
    found = worked(tmp_path, HeldClock("1970-01-01T00:00:30", synchronised=False), ("g", b"9.004"), ("goes", 1), ("tick",), ("step", off),
                   ("synchronised", True), ("goes", 1), ("tick",), ("g", b"9.003"), config=TWO)
    assert [one.get("flags", []) for one in found if one["kind"] == "measurement"] == [["overdue-master", FLAG], []]


def test_a_frame_that_a_gap_ends_is_whole_over_a_step(tmp_path):
    for step_s in (HOUR, -HOUR):
        folder = tmp_path / str(step_s)
        folder.mkdir()
        found = worked(folder, HeldClock("2026-03-02T08:00:00"), ("g", b"9.0"), ("goes", 0.005), ("step", step_s), ("g", b"05"),
                       ("goes", 0.021), ("tick",))
        assert [one["raw"] for one in found if "raw" in one] == ["9.005"] and len(named(found, "clock-step")) == 1


def test_a_night_asleep_is_no_step_and_a_check_runs_out_in_it(tmp_path):
    found = worked(tmp_path, HeldClock("2026-03-02T20:00:00"), ("g", b"9.005M"), ("goes", 1), ("tick",), ("asleep", 9 * HOUR),
                   ("g", b"9.004"), config=TWO)
    assert named(found, "clock-step") == [] and found[2]["flags"] == ["overdue-master"]


def test_growing_files_are_of_utc_days_over_changes_of_the_hour_and_a_step_back_goes_on_in_the_older_one(tmp_path, monkeypatch):
    monkeypatch.setenv("TZ", "Europe/Berlin")
    time.tzset()
    seen, script = [], [("p", b"A 12.0%02d\r" % at) if at % 2 else ("goes", HOUR / 2) for at in range(1, 16)]
    for begin in ("2026-03-28T22:30:00", "2026-10-24T21:30:00"):          # through the local midnight, UTC's, and the change
        folder = tmp_path / begin[:10]
        folder.mkdir()
        worked(folder, HeldClock(begin), *script, ("step", -8 * HOUR), ("p", b"A 12.099\r"))
        reader = JournalReader.open(folder / "state")
        bench = Bench(folder / "out", reader, kind="jsonl", publish="growing")
        for _ in range(40):
            bench.run_once()
        days = {name: [json.loads(line) for line in (bench.folder / name).read_text().splitlines()] for name in bench.names()}
        assert all({one["time"][:10] for one in lines} == {name[-16:-6]} for name, lines in days.items())
        assert all([one["seq"] for one in lines] == sorted(one["seq"] for one in lines) for lines in days.values())
        assert sorted(bench.found()) == list(range(1, reader.last() + 1))
        assert max(days[min(days)], key=lambda one: one["seq"])["seq"] == reader.last()
        seen.append([name[-16:-6] for name in days])
        reader.close()
    monkeypatch.undo()
    time.tzset()
    assert seen == [["2026-03-28", "2026-03-29"], ["2026-10-24", "2026-10-25"]]


# --- a real daemon, whose wall clock is not the machine's

SHIM = Path(__file__).parent.parent / "faults/clock_shim.c"
DAEMON = CONFIG.replace("/dev/ttyS9", "./tty-p").replace(", g: {device: /dev/ttyS8, format: f, gap: 20 ms}", "").replace(
    "{kind: csv, folder: /srv/x}", "{kind: jsonl, folder: ./inbox, publish: growing}")
DAEMON = DAEMON[:DAEMON.index("    face:")] + DAEMON[DAEMON.index("outputs:"):]


class Shim:
    """The daemon's wall clock."""

    def __init__(self, folder, monkeypatch):
        compiler = shutil.which("cc") or pytest.skip("no C compiler")
        subprocess.run([compiler, "-O1", "-shared", "-fPIC", "-o", folder / "shim.so", SHIM], check=True)
        self._said, self.off_ns = folder / "clock-shim", 0
        self._said.write_bytes(bytes(16))
        for name, value in (("LD_PRELOAD", folder / "shim.so"), ("CLOCK_SHIM", self._said), ("TZ", "Europe/Berlin")):
            monkeypatch.setenv(name, str(value))

    def show(self, wall, is_synchronised):
        """Set the clock."""
        self.off_ns = ns(wall) - time.time_ns()
        with open(self._said, "r+b") as file:
            file.write(struct.pack("qq", self.off_ns, 0 if is_synchronised else 16_000_000))


def test_a_daemon_goes_on_through_a_first_setting_and_a_step_back_over_a_change_of_the_hour(cell, monkeypatch, until):
    shim = Shim(cell.folder, monkeypatch)
    shim.show("1970-01-01T00:00:40", False)
    cell.configure(DAEMON)
    column = cell.column("p")
    cell.start()
    cell.open()
    column.send(b"A 12.001\r\nB 25.001\r\n")
    cell.wait_records(2, kind="measurement")
    shim.show("2026-10-25T00:59:50", True)
    cell.wait_records(3, kind="event")
    until(lambda: b'"synchronised"' in cell.log.read_bytes(), "the log says that the clock is right")
    column.send(b"A 12.002\r\nB 25.002\r\n")
    cell.wait_records(4, kind="measurement")
    shim.show("2026-10-24T23:59:50", True)
    column.send(b"A 12.003\r\nB 25.003\r\n")
    cell.wait_records(6, kind="measurement")
    assert cell.stop() == 0
    found = sorted(cell.records(), key=lambda one: one["seq"])
    assert [one["seq"] for one in found] == list(range(1, len(found) + 1))
    first, back = named(found, "clock-step")
    assert [one["detail"]["verdicts"] for one in found if one["kind"] == "part"] == [{"bore": "pass", "seat": "pass"}] * 3
    flagged = [one["seq"] for one in found if FLAG in one.get("flags", ())]
    assert flagged[:first["seq"] - 1] == list(range(1, first["seq"])) and max(flagged) <= first["seq"]
    assert abs(back["detail"]["by"] + HOUR) < 60 and back["detail"]["boot"] == found[0]["detail"]["boot"]
    days = [one["time"][:13] for one in found]
    assert [day for at, day in enumerate(days) if day != days[at - 1] or not at] == ["1970-01-01T00", "2026-10-25T00", "2026-10-24T23"]
    assert sorted(path.name[-16:-6] for path in cell.inbox.glob("*.jsonl")) == ["1970-01-01", "2026-10-24", "2026-10-25"]
    offsets = [when(one).timestamp() - one["detail"]["since-boot"] for one in (found[0], first, back)]
    steps = [one["detail"]["by"] for one in (first, back)]
    assert all(abs(after - before - by) < 1e-5 for before, after, by in zip(offsets, offsets[1:], steps))


def test_where_the_state_cannot_be_told_nothing_is_flagged(cell, monkeypatch):
    shim = Shim(cell.folder, monkeypatch)
    with open(cell.folder / "clock-shim", "r+b") as file:
        file.write(struct.pack("qq", shim.off_ns, -1))
    cell.configure(DAEMON)
    column = cell.column("p")
    cell.start()
    cell.open()
    column.send(b"A 12.001\r\n")
    cell.wait_records(1, kind="measurement")
    assert cell.stop() == 0
    assert cell.records()[0]["detail"]["clock"] == "unknown" and not any("flags" in one for one in cell.records())
