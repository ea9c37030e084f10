"""A log that is copied aside while commits go on, readers beside it, and the process is killed again and again: what was
acknowledged is there, and the file is sound."""

import random
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from contextlib import suppress
from pathlib import Path

import pytest

from collector.errors import StoppedByIO
from collector.journal import JournalReader
from tests.faults.log_writer import LONG_BYTES


def read_on(folder: Path, over: threading.Event, wrong: list[object]) -> None:
    """Read the newest rows, again and again, as outputs do: readers in the way of copies."""
    reader = None
    try:
        while not over.is_set():
            with suppress(StoppedByIO):                # there is none yet
                reader = reader or JournalReader.open(folder)
                wrong += [row for row in reader.select(first=max(1, reader.last() - 5000))
                          if not row.body.startswith(b'{"seq":%d,' % row.seq)]
    except Exception as error:
        wrong.append(error)
    if reader is not None:
        reader.close()


def one_life(folder: Path, seconds: float) -> int:
    """The last seq that was acknowledged before the kill."""
    with subprocess.Popen([sys.executable, "-m", "tests.faults.log_writer", str(folder)], stdout=subprocess.PIPE) as writer:
        told = [writer.stdout.readline()]              # it has begun, however slow the machine is
        listening = threading.Thread(target=lambda: told.extend(writer.stdout))
        listening.start()
        time.sleep(seconds)
        assert writer.poll() is None, "it ended by itself"
        writer.send_signal(signal.SIGKILL)
        writer.wait()
        listening.join()
    return int([line for line in told if line.endswith(b"\n")][-1])


def refuse_unsound(folder: Path, acknowledged: int) -> None:
    db = sqlite3.connect(folder / "journal.sqlite")
    try:
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        count, last = db.execute("SELECT count(*), max(seq) FROM record").fetchone()
        assert count == last >= acknowledged
        told, = db.execute("SELECT value FROM meta WHERE key = 'memory/round'").fetchone()
        assert int(told) == last
    finally:
        db.close()


def lives(folder: Path, many: int, draw: random.Random) -> None:
    over, wrong = threading.Event(), []
    readers = [threading.Thread(target=read_on, args=(folder, over, wrong)) for _ in range(2)]
    for one in readers:
        one.start()
    try:
        for _ in range(many):
            refuse_unsound(folder, one_life(folder, draw.uniform(0.5, 1.5)))
    finally:
        over.set()
        for one in readers:
            one.join()
    assert wrong == []


def test_nothing_acknowledged_is_lost_at_a_kill(tmp_path):
    lives(tmp_path, 4, random.Random(7))
    assert (tmp_path / "journal.sqlite").stat().st_size > 3 * LONG_BYTES


@pytest.mark.long
def test_nothing_acknowledged_is_lost_at_many_kills(tmp_path):
    for number in range(20):
        (tmp_path / str(number)).mkdir()
        lives(tmp_path / str(number), 10, random.Random(number))
