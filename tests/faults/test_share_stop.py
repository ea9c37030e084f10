"""Stopping and starting: a stop waits for nothing that has no end, a person's word is followed once and never lost."""

import json
import os
import signal
import threading
from pathlib import Path

from collector.clock import SystemClock
from collector.files import Files
from collector.journal import Journal, Row
from collector.outputs.cursor import Cursor
from collector.outputs.delivery import Delivery, Signals
from collector.outputs.health import Health
from collector.outputs.refused import Refused
from tests.conftest import wait_for
from tests.faults.faulty_files import FaultyFiles
from tests.faults.handover_bench import WAYS, Bench, journal_of, row

UNWANTED = 1_000_000


class UnwantedRows:
    """A journal of a million rows of a kind that this output does not want; each statement takes 50 ms of its clock."""

    def __init__(self):
        self.statements, self.steady = 0, 0
        self.signals = Signals(threading.Event(), threading.Event())
        self.wall_ns = SystemClock.wall_ns

    def rows(self, after: int, most: int = 500) -> list[Row]:
        self.statements += 1
        self.steady += 50_000_000
        if self.statements == 3:
            self.signals.stop.set()
        return [Row(seq, seq, "reading", "", "", "", b"{}") for seq in range(after + 1, min(after + most, UNWANTED) + 1)]

    def count_after(self, seq: int) -> int:
        return UNWANTED - seq

    def steady_ns(self) -> int:
        return self.steady


def test_a_stop_does_not_wait_until_a_million_unwanted_rows_have_been_looked_at(tmp_path):
    bench = Bench(tmp_path, journal_of(tmp_path / "journal", [row(1)]), **WAYS["csv-sealed"])
    output = bench.build(FaultyFiles(), stop=False)._output
    journal, files = UnwantedRows(), Files()
    cursor = Cursor.open(tmp_path / "state", "mes", "ABCD1234", UNWANTED, files)
    Delivery("mes", ("event",), output, journal, cursor, Refused(tmp_path / "state", "mes", files),
             Health(tmp_path / "state", "mes", journal), journal.signals, journal).run()
    assert 3 < journal.statements < 50
    bench.reader.close()


def test_a_word_to_adopt_is_followed_once_though_it_comes_with_each_start(tmp_path):
    reader = journal_of(tmp_path / "journal", [row(1), row(2)])
    bench = Bench(tmp_path / "place", reader, **WAYS["csv-sealed"])
    bench.run_once()
    bench.folder.rename(tmp_path / "old")
    bench.folder.mkdir()
    journal = Journal.open(tmp_path / "journal")
    journal.append([row(3)])
    journal.close()
    for _ in range(2):
        delivery = bench.build(FaultyFiles(), stop=True)
        delivery._adopt = "the same word"
        delivery.run()
        assert (bench.found(), bench.error()) == ([3], "")
    bench.folder.rename(tmp_path / "away")
    bench.folder.mkdir()
    journal = Journal.open(tmp_path / "journal")
    journal.append([row(4)])
    journal.close()
    delivery = bench.build(FaultyFiles(), stop=True)
    delivery._adopt = "the same word"
    delivery.run()
    assert list(bench.folder.iterdir()) == [] and "is its share away?" in bench.error()
    reader.close()


ADOPTING = """
site: cell-4
ports: {one: {device: ./tty-one, format: line}}
formats: {line: {pattern: '^(?P<value>[0-9]+[.][0-9]+)$', unit: mm}}
parts: {housing: {bore: {channel: one, nominal: 12 mm, limits: {lower: 0 mm}}}}
outputs:
  line: {kind: jsonl, folder: ./inbox, publish: growing}
"""


def test_a_word_to_adopt_outlives_a_process_that_died_before_it_could_follow_it(cell):
    cell.configure(ADOPTING)
    cell.column("one")
    cell.start()
    cell.open()
    cell.wait_records(1)
    assert cell.stop() == 0
    cell.inbox.rename(cell.folder / "old")
    cell.start("--adopt", "line")
    cell.open()
    said = cell.folder / "state" / "outputs" / "line.status.json"
    wait_for(lambda: "is not there" in json.loads(said.read_bytes())["error"], "it waits for the folder")
    daemon = cell.daemon.pid
    child, = Path(f"/proc/{daemon}/task/{daemon}/children").read_text().split()
    os.kill(int(child), signal.SIGKILL)
    cell.inbox.mkdir()
    cell.wait_records(1)
    assert cell.stop() == 0
