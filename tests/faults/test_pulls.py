"""A cable that is pulled at every byte of a frame, again and again: nothing is merged, nothing leaks, every byte is accounted for.

The real reader and worker, a real journal, a new pseudo-terminal for each replug.
"""

import json
import os
import threading
import time
import tty

import pytest

from collector.clock import SystemClock
from collector.config.plan import read_plan
from collector.journal import Journal, JournalReader
from collector.ports import LineSettings, open_port
from collector.service.handover import HandOver
from collector.service.reader import Reader
from collector.service.worker import Outward, Stop, Worker
from tests.conftest import wait_for

CONFIG = """
site: brunnenhof
ports: {column: {device: ./tty-column, format: line}}
formats: {line: {pattern: '^P (?P<value>\\d+\\.\\d+)$', unit: mm}}
parts: {PH-200: {bore: {channel: column, nominal: 12 mm, limits: {lower: 0 mm, upper: +0.9 mm}}}}
outputs: {line: {kind: jsonl, folder: ./inbox}}
"""
WHOLE = len(b"P 12.000000\r\n")


def frame(number: int) -> bytes:
    return b"P 12.%06d\r\n" % number


@pytest.mark.parametrize("pulls", [90, pytest.param(10_000, marks=pytest.mark.long)])
def test_a_pull_at_every_byte_merges_no_frames_and_leaks_nothing(tmp_path, pulls):
    (tmp_path / "cell.yaml").write_text(CONFIG)
    handover = HandOver()
    reader = Reader(handover, SystemClock())
    worker = Worker(read_plan(tmp_path / "cell.yaml"), lambda: Journal.open(tmp_path / "state"), handover, SystemClock(), Outward())
    worker.start()
    assert worker.opened.wait(10)
    reader.start()
    tally, sent, wanted = worker.tallies["column"], 0, []
    began, settled = time.monotonic(), (0, 0)
    for number in range(pulls):
        cut = number % (WHOLE + 1)                             # so many bytes of a frame; none, and all of it, too
        data = frame(2 * number) + frame(2 * number + 1)[:cut]
        master, slave = os.openpty()
        tty.setraw(slave)
        reader.adopt("column", open_port("column", LineSettings(device=os.ttyname(slave))))
        os.write(master, data)
        sent += len(data)
        wait_for(lambda: tally.bytes == sent, "what was sent")
        os.close(slave)
        os.close(master)
        wait_for(lambda: tally.losses == number + 1, "the pull")
        wanted += [("measurement", frame(2 * number)[:-2])]
        if cut >= WHOLE - 1:                                   # CR ends a frame; its LF is the same end
            wanted.append(("measurement", frame(2 * number + 1)[:-2]))
        elif cut:
            wanted.append(("unread", frame(2 * number + 1)[:cut]))
        if number == 10:
            settled = len(os.listdir("/proc/self/fd")), threading.active_count()
    assert (len(os.listdir("/proc/self/fd")), threading.active_count()) <= settled
    reader.stop()
    handover.put(Stop(time.time_ns(), time.monotonic_ns()))
    worker.join(10)
    assert worker.failure is None and not worker.is_alive()
    journal = JournalReader.open(tmp_path / "state")
    records = [json.loads(row.body) for row in journal.select()]
    journal.close()
    found = [(one["kind"], one["raw"].encode()) for one in records if one["kind"] in ("measurement", "unread")]
    assert found == wanted
    assert {one["detail"]["reason"] for one in records if one["kind"] == "unread"} == {"cut"}
    causes = [one["detail"]["cause"] for one in records if one["kind"] == "event" and one["detail"]["event"] == "port-lost"]
    assert len(causes) == pulls and all(cause.startswith("unplugged: ") for cause in causes)
    assert worker.cell.memory.ledger.account("column").faults() == []
    print(f"{pulls} pulls, {len(found)} frames, in {time.monotonic() - began:.0f} s")
