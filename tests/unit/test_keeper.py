"""What is synced aside: many rows are made durable while more gather, and whatever befalls them, they come first."""

import json
import sqlite3
import sys
import threading
import time
from contextlib import closing

import msgspec
import pytest

from collector.aside import Aside
from collector.clock import SystemClock
from collector.config.plan import read_plan
from collector.errors import JournalFailed
from collector.journal import Journal, JournalReader
from collector.journal.sqlite_faults import FILE_NAME
from collector.record import Chunk
from collector.service.handover import HandOver
from collector.service.ledger import Account
from collector.service.orders import OrderRead
from collector.service.worker import Outward, Stop, Worker

CONFIG = """
site: s
ports: {p: {device: /dev/ttyS9, format: f}}
formats: {f: {pattern: '^(?P<serial>\\d+) (?P<value>\\d+\\.\\d+)$', unit: mm}}
parts: {A: {bore: {channel: p, nominal: 12 mm, limits: {lower: 0 mm, upper: 0.018 mm}}}}
context: {orders: {folder: FOLDER, sets: [lot], applies-to: [p]}}
outputs: {o: {kind: csv, folder: /srv/x}}
"""


class Disk:
    """What befalls the syncs of a journal, by their number from 1; `asides` are those in a thread of their own."""

    def __init__(self):
        self.faults, self.syncs, self.asides, self.slow_s = {}, 0, 0, 0.0
        self.go = threading.Event()
        self.go.set()

    def open(self, folder):
        disk = self

        class Befallen(Journal):
            def finish(self):
                disk.syncs += 1
                disk.asides += threading.current_thread().name == "commit"
                time.sleep(disk.slow_s)
                disk.go.wait(10)
                if disk.syncs in disk.faults:
                    with self._or_rolled_back():
                        error = sqlite3.OperationalError("as injected")
                        error.sqlite_errorcode = disk.faults[disk.syncs]
                        raise error
                super().finish()

            def begin_anew(self, keep_after, moved):
                anew = super().begin_anew(keep_after, moved)
                anew.__class__ = Befallen
                return anew

        return Befallen.open(folder)


@pytest.fixture
def cell(tmp_path):
    """A worker that runs; `cell.end()` stops it and gives its records."""
    class Cell:
        def __init__(self):
            (tmp_path / "c.yaml").write_text(CONFIG.replace("FOLDER", str(tmp_path)))
            self.disk, self.handover, self.told, self.woken = Disk(), HandOver(), [], 0
            outward = Outward(committed=self.committed, in_force=lambda source, mark: self.told.append((mark, self.durable())))
            self.worker = Worker(read_plan(tmp_path / "c.yaml"), lambda: self.disk.open(tmp_path / "state"), self.handover,
                                 SystemClock(), outward)
            self.worker.start()
            self.worker.opened.wait()

        def committed(self):
            self.woken += 1

        def durable(self):
            return self.worker.keeper.last_seq

        def sent(self, first, last):
            data = b"".join(b"%d 12.%03d\r" % (number, number % 19) for number in range(first, last))
            self.handover.put(Chunk("p", data, time.time_ns(), time.monotonic_ns()))

        def until(self, condition):
            end = time.monotonic() + 30
            while not condition() and time.monotonic() < end:
                time.sleep(0.002)
            assert condition()

        def end(self):
            self.handover.stopped.set()
            self.handover.put(Stop(time.time_ns(), time.monotonic_ns()))
            self.worker.join(20)
            assert not self.worker.is_alive()
            reader = JournalReader.open(tmp_path / "state")
            found = [json.loads(row.body) for row in reader.select()]
            reader.close()
            return found

    return Cell()


def serials(found):
    return [int(one["serial"]) for one in found if one["kind"] == "measurement"]


def test_what_comes_while_rows_are_synced_is_read_meanwhile_and_becomes_one_transaction(cell):
    cell.disk.go.clear()
    cell.sent(0, 100)
    cell.until(lambda: cell.disk.asides == 1)
    before = cell.disk.syncs
    for number in range(100, 2000, 100):
        cell.sent(number, number + 100)
        cell.until(lambda: not cell.handover.waiting)
    assert cell.disk.syncs == before and cell.worker.keeper.is_syncing
    cell.disk.go.set()
    cell.until(lambda: cell.durable() >= 2000)
    assert cell.disk.syncs == before + 1 and serials(cell.end()) == list(range(2000))


def test_a_sync_that_hangs_is_no_progress_whatever_is_read_meanwhile(cell):
    cell.disk.go.clear()
    cell.sent(0, 100)
    cell.until(lambda: cell.disk.asides == 1)
    cell.sent(100, 200)
    cell.until(lambda: not cell.handover.waiting)                 # taken behind the end of the commit, which is progress
    moved_ns = cell.worker.moved_ns
    for number in range(200, 400, 100):
        cell.sent(number, number + 100)
        cell.until(lambda: not cell.handover.waiting)
    assert cell.worker.moved_ns == moved_ns
    cell.disk.go.set()
    cell.until(lambda: cell.worker.moved_ns > moved_ns)
    assert serials(cell.end()) == list(range(400))


def test_a_transaction_stays_small_however_long_a_sync_takes(cell):
    cell.disk.go.clear()
    cell.sent(0, 100)
    cell.until(lambda: cell.disk.asides == 1)
    for number in range(1000):                        # frames that can't be read: few rows, many bytes
        cell.handover.put(Chunk("p", b"?" * 1000 + b"\r", time.time_ns(), time.monotonic_ns()))
    cell.until(lambda: sys._current_frames()[cell.worker.ident].f_code.co_name == "end")      # it waits for the sync
    assert cell.handover.waiting
    cell.disk.go.set()
    assert len(cell.end()) == 1102


def test_nothing_is_deleted_from_the_journal_while_rows_are_synced(cell):
    cell.disk.slow_s = 0.1
    cell.worker.keeper._next_trim_ns = 0
    cell.sent(0, 100)
    cell.until(lambda: cell.worker.keeper._next_trim_ns > 0)
    found = cell.end()
    assert serials(found) == list(range(100)) and cell.worker.failure is None
    assert [one["detail"]["event"] for one in found if one["kind"] == "event"] == ["started", "stopped"]


def test_how_long_a_sync_takes_is_the_shortest_of_the_last_few(cell):
    """One that waited for a copy of the log, or for another's sync, says nothing of the disk."""
    def synced(slow_s, many=100):
        before, cell.disk.slow_s = cell.durable(), slow_s
        cell.sent(before, before + many)
        cell.until(lambda: cell.durable() >= before + many and not cell.worker.keeper.is_syncing)
        return cell.worker.keeper.sync_s

    found = [synced(0.05) for _ in range(8)]
    assert found[0] == 0 and 0.05 < found[-1] < 0.5
    assert synced(0) < 0.05 and synced(0.05) < 0.05
    assert 0.05 < [synced(0.05) for _ in range(8)][-1]
    assert synced(0, many=2) < 0.05                # few rows tell it too: they may be all that still comes
    assert 0.05 < [synced(0.05, many=2) for _ in range(8)][-1]
    cell.end()


def test_few_rows_are_synced_at_once(cell):
    woken = cell.woken
    for number in range(20):
        cell.sent(number, number + 1)
        cell.until(lambda: cell.woken == woken + number + 1)
    assert serials(cell.end()) == list(range(20)) and cell.disk.asides == 0


@pytest.mark.parametrize("fault", [sqlite3.SQLITE_IOERR_FSYNC, sqlite3.SQLITE_FULL])
@pytest.mark.parametrize("more", [0, 500], ids=["nothing-more", "more-gathers"])
def test_rows_whose_sync_fails_aside_are_kept_once_before_what_came_after_them(cell, fault, more):
    cell.disk.slow_s = 0.1
    cell.disk.faults = {cell.disk.syncs + 1: fault}
    cell.sent(0, 500)
    cell.until(lambda: cell.disk.asides == 1)
    cell.sent(500, 500 + more)
    cell.until(lambda: cell.durable() >= 500 + more)
    found = cell.end()
    assert serials(found) == list(range(500 + more)) and [one["seq"] for one in found] == list(range(1, len(found) + 1))
    renewed = [one for one in found if one["kind"] == "event" and one["detail"]["event"] == "journal-renewed"]
    assert len(renewed) == (fault != sqlite3.SQLITE_FULL)


def test_what_befell_two_files_in_a_row_is_told_once_each(cell, tmp_path):
    cell.disk.faults = dict.fromkeys((cell.disk.syncs + 1, cell.disk.syncs + 2), sqlite3.SQLITE_IOERR_FSYNC)
    cell.sent(0, 500)
    cell.until(lambda: cell.durable() >= 500)
    found = cell.end()
    renewed = [one["detail"]["aside"] for one in found if one["kind"] == "event" and one["detail"]["event"] == "journal-renewed"]
    assert len(renewed) == len(set(renewed)) == 2 and serials(found) == list(range(500))
    assert [one["seq"] for one in found] == list(range(1, len(found) + 1))
    assert cell.worker.keeper.moved_ns > 0             # a long copy is no standstill


@pytest.mark.parametrize("fault", [sqlite3.SQLITE_IOERR_FSYNC, sqlite3.SQLITE_FULL])
def test_the_ledger_counts_once_what_was_synced_twice(cell, tmp_path, fault):
    cell.disk.slow_s = 0.1
    cell.disk.faults = {cell.disk.syncs + 1: fault}
    cell.sent(0, 500)
    cell.until(lambda: cell.disk.asides == 1)
    cell.sent(500, 1000)
    cell.until(lambda: cell.durable() >= 1000)
    with closing(sqlite3.connect(f"{(tmp_path / 'state' / FILE_NAME).as_uri()}?mode=ro", uri=True)) as beside:   # as after a kill
        kept, = beside.execute("SELECT value FROM meta WHERE key = 'memory/account:p'").fetchone()
    account = msgspec.json.decode(kept, type=Account)
    assert account.faults() == [] and account.kinds == {"measurement": 1000}
    assert len(serials(cell.end())) == 1000


@pytest.mark.parametrize("fault", [None, sqlite3.SQLITE_IOERR_FSYNC])
def test_an_order_is_said_to_be_in_force_only_when_it_is_durable(cell, fault):
    cell.disk.slow_s = 0.1
    cell.disk.faults = {cell.disk.syncs + 2: fault} if fault else {}
    order = OrderRead("orders", "one.json", "MARK", {"lot": "L7"}, time.time_ns())
    cell.sent(0, 100)
    cell.until(lambda: cell.disk.asides == 1)
    cell.handover.put(order)
    cell.sent(100, 200)
    cell.until(lambda: cell.disk.asides == 2)
    cell.handover.put(order)                          # the same again, while it is on its way to the disk
    cell.until(lambda: len(cell.told) == 2)
    found = cell.end()
    seq = next(one["seq"] for one in found if one["kind"] == "event" and one["detail"].get("event") == "context")
    assert [mark for mark, _ in cell.told] == ["MARK", "MARK"] and all(durable >= seq for _, durable in cell.told)
    assert {one.get("lot", "") for one in found if one["kind"] == "measurement"} == {"", "L7"}


def test_a_journal_that_fails_for_good_while_it_is_synced_aside_ends_the_worker(cell):
    cell.disk.faults = dict.fromkeys(range(cell.disk.syncs + 1, cell.disk.syncs + 100), sqlite3.SQLITE_IOERR_FSYNC)
    cell.sent(0, 100)
    cell.until(lambda: cell.worker.failure is not None)
    assert isinstance(cell.worker.failure, JournalFailed)


def test_what_a_step_aside_raises_is_raised_where_its_end_is_waited_for():
    ended, go = threading.Event(), threading.Event()

    def step():
        go.wait()
        raise ValueError("as it was")

    aside = Aside("aside", ended.set)
    aside.end()                                       # nothing was begun
    aside.begin(step)
    assert aside.is_busy
    go.set()
    ended.wait(5)
    assert not aside.is_busy
    with pytest.raises(ValueError, match="as it was"):
        aside.end()
    aside.end()
