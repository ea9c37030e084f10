"""Real processes killed at any moment: the journal keeps what it acknowledged, the outputs deliver each record once."""

import json
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from collector.files import Files
from collector.journal import Journal, JournalReader
from collector.outputs.csv_file import csv_lines
from collector.outputs.cursor import lock_output
from collector.record import FIELDS
from tests.faults.handover_bench import Bench, row

KILLS = 10

WRITER = """
import sys
from pathlib import Path
from collector.journal import Journal, Row
journal = Journal.open(Path(sys.argv[1]))
while True:
    first = journal.next_seq
    journal.append([Row(seq, seq, "event", "", "", "", b'{"seq":%d}' % seq) for seq in range(first, first + first % 7 + 1)])
    print(journal.next_seq - 1, flush=True)
"""


def test_a_killed_journal_has_all_it_acknowledged_and_no_gap(tmp_path):
    dice, acknowledged = random.Random(4), 0
    for _ in range(KILLS):
        writer = subprocess.Popen([sys.executable, "-c", WRITER, str(tmp_path)], stdout=subprocess.PIPE)
        for _ in range(dice.randrange(1, 200)):
            acknowledged = int(writer.stdout.readline())
        writer.send_signal(signal.SIGKILL)
        said = writer.stdout.read().split(b"\n")[:-1]              # what it had still said before it died
        acknowledged = int(said[-1]) if said else acknowledged
        writer.wait()
        writer.stdout.close()
        reader = JournalReader.open(tmp_path)                      # before anyone has recovered it
        seqs = [one.seq for one in reader.select()]
        assert reader.rows(reader.last() - 1)[0].body == b'{"seq":%d}' % reader.last()
        reader.close()
        assert seqs == list(range(1, len(seqs) + 1))
        assert acknowledged <= len(seqs)
    journal = Journal.open(tmp_path)
    assert journal.next_seq == len(seqs) + 1
    journal.close()


class Runner:
    """The process of one output, as the daemon starts it."""

    def __init__(self, state: Path, kind: str, settings: dict):
        order = {"name": "mes", "kind": kind, "site": "cell-4", "state": str(state), "settings": settings, "adopt": False}
        self._process = subprocess.Popen([sys.executable, "-m", "collector.service.output_runner"], stdin=subprocess.PIPE,
                                         stderr=subprocess.DEVNULL)
        self._process.stdin.write(json.dumps(order).encode() + b"\n")
        self._process.stdin.flush()

    def wake(self) -> None:
        os.write(self._process.stdin.fileno(), b".")

    def kill(self) -> None:
        self._process.kill()
        self._process.wait()
        self._process.stdin.close()

    def stop(self) -> int:
        self._process.stdin.close()
        return self._process.wait(10)


def delivered(state: Path) -> int:
    """How far the cursor file says that delivery has come."""
    try:
        return json.loads((state / "outputs" / "mes.cursor").read_bytes())["delivered"]
    except FileNotFoundError:
        return 0


@pytest.mark.parametrize(("kind", "publish"), [("csv", "sealed"), ("jsonl", "growing")])
def test_a_killed_output_process_delivers_each_record_once(tmp_path, kind, publish):
    dice, state, last = random.Random(5), tmp_path / "state", 0
    journal = Journal.open(state)
    reader = JournalReader.open(state)
    bench = Bench(tmp_path, reader, kind=kind, publish=publish)

    def write_some() -> None:
        nonlocal last
        journal.append([row(last + 1 + more) for more in range(5)])
        last += 5

    sent = {"folder": str(bench.folder), "publish": publish, "every": 0, "records": 20}
    for _ in range(KILLS):
        runner, before = Runner(state, kind, sent), delivered(state)
        deadline = time.monotonic() + 30
        write_some()
        while delivered(state) == before and time.monotonic() < deadline:       # until it has come to work
            time.sleep(0.002)
        until = time.monotonic() + dice.random() * 0.05
        while time.monotonic() < until:
            write_some()
            runner.wake()
            if publish == "sealed":
                bench.take()
        runner.kill()
    runner = Runner(state, kind, sent)
    write_some()
    deadline = time.monotonic() + 20
    while delivered(state) < last - 5 and time.monotonic() < deadline:      # stopping delivers for 2 s at most
        time.sleep(0.01)
    write_some()
    assert runner.stop() == 0
    assert bench.found() == list(range(1, last + 1))
    assert delivered(state) == last
    if kind == "csv":
        text = b"".join([*bench.taken, *((bench.folder / name).read_bytes() for name in bench.names())])
        assert all(b"".join(csv_lines([one.body], FIELDS)) in text for one in reader.rows(0))
    reader.close()
    journal.close()


def test_a_new_process_waits_until_the_old_one_has_let_go(tmp_path):
    state, inbox = tmp_path / "state", tmp_path / "inbox"
    inbox.mkdir()
    journal = Journal.open(state)
    journal.append([row(1)])
    held = lock_output(state, "mes", Files(), lambda: True)
    runner = Runner(state, "jsonl", {"folder": str(inbox), "publish": "growing"})
    time_to_have_written = time.monotonic() + 0.8
    while time.monotonic() < time_to_have_written:
        assert list(inbox.iterdir()) == []
        time.sleep(0.02)
    os.close(held)
    deadline = time.monotonic() + 30
    while delivered(state) < 1 and time.monotonic() < deadline:
        time.sleep(0.01)
    assert runner.stop() == 0
    assert len([path for path in inbox.iterdir() if path.suffix == ".jsonl"]) == 1
    journal.close()
