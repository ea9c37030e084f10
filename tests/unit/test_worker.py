"""The worker: what waits in the hand-over came before now; what a change of the configuration leaves as it was."""

import json
import time
from contextlib import contextmanager

import pytest

from collector.clock import SystemClock
from collector.config.plan import read_plan
from collector.journal import Journal, JournalReader
from collector.record import Chunk
from collector.service.handover import HandOver, PortAsked, PortClosed, PortOpened, PortQuiet
from collector.service.memory import Memory
from collector.service.worker import NewPlan, Stop, Worker

CONFIG = """
site: s
ports: {p: {device: /dev/ttyS9, format: f, gap: 20 ms}}
formats: {f: {pattern: '^(?P<value>[+-]?\\d+\\.?\\d*)$', unit: mm}}
parts: {A: {bore: {channel: p, nominal: 12 mm, limits: {lower: 0 mm, upper: 0.018 mm}}}}
outputs: {o: {kind: csv, folder: /srv/x}}
"""


def test_a_backlog_of_gap_framed_readings_is_never_cut_where_a_batch_ends(tmp_path):
    (tmp_path / "c.yaml").write_text(CONFIG)
    handover, frames, ms = HandOver(), 40_000, 1_000_000
    for number in range(frames):                       # more than one batch, whose end falls between the two halves
        at = number * 50 * ms
        handover.put(Chunk("p", b"+1", at, at))
        handover.put(Chunk("p", b"2.018", at + ms, at + ms))
        handover.put(PortQuiet("p", at + 21 * ms))
    handover.put(Stop(time.time_ns(), time.monotonic_ns()))
    worker = Worker(read_plan(tmp_path / "c.yaml"), lambda: Journal.open(tmp_path / "state"), handover, SystemClock())
    worker.run()
    assert worker.failure is None
    reader = JournalReader.open(tmp_path / "state")
    found = [json.loads(row.body) for row in reader.select(kinds=("measurement", "unread"))]
    reader.close()
    assert {(one["kind"], one["raw"]) for one in found[:-1]} == {("measurement", "+12.018")} and len(found) == frames


def new_plan(path):
    """The item that has this configuration in force from now on."""
    return NewPlan(read_plan(path), time.time_ns(), time.monotonic_ns())


@contextmanager
def at_work(folder, config):
    """A worker under this configuration, and its hand-over; behind it all is in the journal."""
    (folder / "c.yaml").write_text(config)
    handover = HandOver()
    worker = Worker(read_plan(folder / "c.yaml"), lambda: Journal.open(folder / "state"), handover, SystemClock())
    worker.start()
    yield worker, handover
    handover.put(Stop(time.time_ns(), time.monotonic_ns()))
    worker.join(10)
    assert worker.failure is None


def records(folder):
    """What is in the journal."""
    reader = JournalReader.open(folder / "state")
    found = [json.loads(row.body) for row in reader.select()]
    reader.close()
    return found


def events(folder):
    return [one["detail"]["event"] for one in records(folder) if one["kind"] == "event"]


def test_only_a_line_that_was_seen_to_be_quiet_ends_a_frame_however_long_its_rest_is_held_up(tmp_path):
    with at_work(tmp_path, CONFIG) as (_, handover):
        for data in (b"+1", b"2.0", b"18"):
            handover.put(Chunk("p", data, time.time_ns(), time.monotonic_ns()))
            time.sleep(0.15)                           # a worker that goes by its own clock sees quiet
        handover.put(PortQuiet("p", time.monotonic_ns()))
    assert [(one["kind"], one["raw"]) for one in records(tmp_path) if "raw" in one] == [("measurement", "+12.018")]


def test_half_a_frame_is_never_a_measurement_whatever_ends_the_line(tmp_path):
    (tmp_path / "c.yaml").write_text(CONFIG)
    (tmp_path / "other.yaml").write_text(CONFIG.replace("gap:", "baud: 19200, gap:"))
    plan, other = (new_plan(tmp_path / name) for name in ("c.yaml", "other.yaml"))
    half = Chunk("p", b"+12.0", 10**9, 10**9)            # long ago
    for name, ends in (("stop", ()), ("plan", (other,)), ("lost", (PortClosed("p", 2 * 10**9, "pulled"),))):
        (tmp_path / name).mkdir()
        found = worked(tmp_path / name, plan, half, *ends)
        assert [(one["kind"], one["raw"]) for one in found if "raw" in one] == [("unread", "+12.0")], name


def test_an_answer_that_has_come_is_not_missed_because_its_end_is_not_told_yet(tmp_path):
    with at_work(tmp_path, CONFIG.replace("gap:", 'request: {send: "?", every: 2 s, timeout: 50 ms}, gap:')) as (worker, handover):
        handover.put_all([PortOpened("p", time.time_ns(), time.monotonic_ns(), "a line"), PortAsked("p", time.monotonic_ns()),
                          Chunk("p", b"+12.018", time.time_ns(), time.monotonic_ns()), PortAsked("p", time.monotonic_ns())])
        time.sleep(0.3)
        used_s = time.process_time()
        time.sleep(0.3)
        assert time.process_time() - used_s < 0.15       # nor does it wait busily
        handover.put(PortQuiet("p", time.monotonic_ns()))
        time.sleep(0.1)
    assert "unanswered" not in events(tmp_path)
    assert worker.tallies["p"].unanswered == 0 and worker.tallies["p"].frames == 1


def test_a_line_that_never_rests_is_told_to_be_silent_for_no_frame_of_it_ends(tmp_path):
    with at_work(tmp_path, CONFIG.replace("gap:", "longest: 16, silent: 300 ms, gap:")) as (_, handover):
        handover.put(PortOpened("p", time.time_ns(), time.monotonic_ns(), "a line"))
        for _ in range(80):
            handover.put(Chunk("p", b"~~~", time.time_ns(), time.monotonic_ns()))
            time.sleep(0.01)
    assert "silent" in events(tmp_path)


@pytest.mark.parametrize("half, kinds", [((), ["sweep"]), ((9.9,), ["unread"])])
def test_a_turn_is_not_ended_by_quiet_where_something_came_that_is_cut_with_the_line(tmp_path, half, kinds):
    (tmp_path / "c.yaml").write_text(CONFIG.replace("lower: 0 mm, upper: 0.018 mm}", "max: 90 um}, evaluate: {sweep: {report: tir, until: quiet, quiet: 2 s}}"))
    wall_ns, steady_ns = time.time_ns() - 60 * 10**9, time.monotonic_ns() - 60 * 10**9

    def chunk(data, at_s):
        return Chunk("p", data, wall_ns + int(at_s * 1e9), steady_ns + int(at_s * 1e9))

    heard = [item for at_s in (4, 5, 6, 7, 8) for item in (chunk(b"+12.0%d" % at_s, at_s), PortQuiet("p", chunk(b"", at_s + 0.1).steady_ns))]
    found = worked(tmp_path, new_plan(tmp_path / "c.yaml"), PortOpened("p", wall_ns, steady_ns, "a line"), *heard,
                   *(chunk(b"+12.0", at_s) for at_s in half), PortClosed("p", wall_ns + 11 * 10**9, "pulled"))
    assert [one["kind"] for one in found if one["kind"] in ("sweep", "unread", "measurement")] == kinds
    assert ("interrupted" in [one["detail"].get("event") for one in found if one["kind"] == "event"]) == bool(half)


@pytest.mark.parametrize("ends", ["stop", "plan"])
@pytest.mark.parametrize("after_s, kinds", [(1.5, []), (2.5, ["sweep"])])
def test_a_turn_is_ended_by_the_quiet_before_a_stop_or_reload_not_by_a_backlog(tmp_path, ends, after_s, kinds):
    """Half a turn shows too small a TIR: it is never a measurement, however late the worker gets to know of the end."""
    (tmp_path / "c.yaml").write_text(CONFIG.replace("lower: 0 mm, upper: 0.018 mm}", "max: 90 um}, evaluate: {sweep: {report: tir, until: quiet, quiet: 2 s}}"))
    (tmp_path / "other.yaml").write_text((tmp_path / "c.yaml").read_text().replace("gap:", "baud: 19200, gap:"))
    wall_ns, steady_ns = time.time_ns() - 60 * 10**9, time.monotonic_ns() - 60 * 10**9
    heard = [item for at in (4, 5, 6, 7, 8) for item in (Chunk("p", b"+12.0%d" % at, wall_ns + at * 10**9, steady_ns + at * 10**9),
                                                   PortQuiet("p", steady_ns + at * 10**9 + 10**8))]
    at_ns = int((8 + after_s) * 1e9)
    end = {"stop": Stop(wall_ns + at_ns, steady_ns + at_ns),
           "plan": NewPlan(read_plan(tmp_path / "other.yaml"), wall_ns + at_ns, steady_ns + at_ns)}[ends]
    found = worked(tmp_path, new_plan(tmp_path / "c.yaml"), PortOpened("p", wall_ns, steady_ns, "a line"), *heard, end)
    assert [one["kind"] for one in found if one["kind"] in ("sweep", "measurement")] == kinds
    assert ("interrupted" in [one["detail"].get("event") for one in found if one["kind"] == "event"]) == (not kinds)


SETTLED = """
site: s
ports: {p: {device: /dev/ttyS9, format: f}}
formats: {f: {pattern: '^(?P<value>\\d+\\.\\d+)$', unit: mm, over-range: [OPEN]}}
parts: {A: {bore: {channel: p, nominal: 12 mm, limits: {lower: 0 mm, upper: UPPER}, evaluate: {settled: {band: 1 um, time: 100 ms}}}}}
outputs: {o: {kind: csv, folder: /srv/x}}
"""


def worked(folder, *items):
    """The records that a worker makes of these items."""
    handover = HandOver()
    for item in (*items, Stop(time.time_ns(), time.monotonic_ns())):
        handover.put(item)
    plan = next(item.plan for item in items if isinstance(item, NewPlan))
    worker = Worker(plan, lambda: Journal.open(folder / "state"), handover, SystemClock())
    worker.run()
    assert worker.failure is None
    return records(folder)


def test_a_part_that_was_measured_is_not_measured_again_when_limits_change_while_it_is_on(tmp_path):
    plans = []
    for upper in ("18 um", "9 um"):
        (tmp_path / "c.yaml").write_text(SETTLED.replace("UPPER", upper))
        plans.append(new_plan(tmp_path / "c.yaml"))
    values = [Chunk("p", b"12.0100\r", at * 10**9, at * 10**9) for at in range(1, 10)]
    found = worked(tmp_path, plans[0], *values[:5], plans[1], *values[5:], Chunk("p", b"OPEN\r12.0100\r", 10**10, 10**10),
                   Chunk("p", b"12.0100\r", 11 * 10**9, 11 * 10**9))
    assert [(one["verdict"], one["upper"]) for one in found if one["kind"] == "measurement"] == [("pass", 12.018), ("fail", 12.009)]


def test_the_ledger_balances_over_lines_that_change_and_what_is_cut(tmp_path):
    (tmp_path / "c.yaml").write_text(CONFIG)
    before = new_plan(tmp_path / "c.yaml")
    (tmp_path / "c.yaml").write_text(CONFIG.replace("gap: 20 ms", 'end: "\\r"'))
    after = new_plan(tmp_path / "c.yaml")
    worked(tmp_path, before, Chunk("p", b"+12.01", 1, 1), after, Chunk("p", b"12.0\r\r\xffx\r12.0", 2, 2), before, Chunk("p", b"1", 3, 3))
    journal = Journal.open(tmp_path / "state")
    account = Memory(journal.memory()).ledger.accounts["p"]
    journal.close()
    assert account.faults() == [] and account.waiting == 0
    assert (account.bytes, account.in_frames, account.marks, account.frames, account.read, account.unread) == (20, 17, 3, 5, 0, 5)


def test_the_rest_of_a_frame_that_a_reload_cut_is_no_reading(tmp_path):
    """The port is let go a moment later: what still comes of the line is read under the new configuration."""
    plans = []
    for end in ("\\r", "\\n"):
        (tmp_path / "c.yaml").write_text(CONFIG.replace("gap: 20 ms", f'end: "{end}"'))
        plans.append(new_plan(tmp_path / "c.yaml"))
    found = worked(tmp_path, plans[0], Chunk("p", b"12.0042\r1", 1, 1), plans[1], Chunk("p", b"2.0043\n12.0044\n", 2, 2))
    assert [one["value"] for one in found if one["kind"] == "measurement"] == [12.0042, 12.0044]
    assert [one["detail"]["reason"] for one in found if one["kind"] == "unread"] == ["cut", "cut"]
