"""A journal whose file fails, or whose disk is full, under the real daemon: nothing is lost, nothing comes twice, a person is told.

The failing system calls are injected by strace; SQLite alone calls fdatasync here, outputs call fsync.
"""

import json
import shutil
import subprocess

import pytest

from collector.journal import Journal, JournalReader
from collector.service.ledger import Account

needs_strace = pytest.mark.skipif(shutil.which("strace") is None, reason="strace is not installed here")
CONFIG = """
site: s
journal: {reserve: 100 kB}
ports: {p: {device: ./tty-p, format: f}}
formats: {f: {pattern: '^(?P<value>\\d+\\.\\d+)$', unit: mm}}
parts: {A: {bore: {channel: p, nominal: 12 mm, limits: {lower: 0 mm, upper: 0.018 mm}, masters: [{name: R, size: 12 mm, within: 1 um}]}}}
outputs: {line: {kind: jsonl, folder: ./inbox, publish: growing}}
"""


def sync_fails(cell, until, times):
    """The next syncs of the journal fail, so many of them."""
    words = ["strace", "-f", "-o", str(cell.folder / "trace"), "-p", str(cell.daemon.pid), "-e", "trace=fdatasync",
             "-e", f"inject=fdatasync:error=EIO:when=1..{times}"]
    with open(cell.folder / "strace.log", "wb") as log:
        tracing = subprocess.Popen(words, stdin=subprocess.DEVNULL, stdout=log, stderr=log)
    until(lambda: b"attached" in (cell.folder / "strace.log").read_bytes(), "strace")
    return tracing


def sent_one_by_one(cell, numbers):
    for number in numbers:
        cell.columns["p"].send(f"12.{number:04d}\r".encode())
        cell.wait_records(number + 1, 30, kind="measurement")


@needs_strace
@pytest.mark.parametrize("times", [1, 2])
def test_a_sync_that_fails_begins_a_new_file_and_costs_nothing(cell, until, times):
    cell.configure(CONFIG)
    cell.column("p")
    cell.start()
    cell.open()
    sent_one_by_one(cell, range(3))
    tracing = sync_fails(cell, until, times)
    try:
        sent_one_by_one(cell, range(3, 8))
    finally:
        tracing.terminate()
        tracing.wait(10)
    assert b"INJECTED" in (cell.folder / "trace").read_bytes()
    status = json.loads(cell.command("status", str(cell.config), "--json").stdout)
    assert any("lies aside" in one for one in status["needs"])
    assert cell.stop() == 0
    records = cell.records()
    assert [one["seq"] for one in records] == list(range(1, len(records) + 1)) and len({one["id"] for one in records}) == len(records)
    assert [one["raw"] for one in records if one["kind"] == "measurement"] == [f"12.{number:04d}" for number in range(8)]
    renewed = [one["detail"] for one in records if one.get("detail", {}).get("event") == "journal-renewed"]
    assert renewed and all(one["carries-on"] for one in renewed) and len(list((cell.folder / "state").glob("*.failed-*Z"))) >= 1
    balanced(cell, len(records))


def balanced(cell, last):
    journal = Journal.open(cell.folder / "state")
    try:
        accounts = {key: json.loads(text) for key, text in journal.memory().items() if key.startswith("account:")}
        assert [fault for one in accounts.values() for fault in Account(**one).faults()] == []
        assert sum(sum(one["kinds"].values()) for one in accounts.values()) == last == journal.next_seq - 1
    finally:
        journal.close()


def test_a_journal_that_was_destroyed_is_set_aside_and_a_new_one_begun(cell):
    cell.configure(CONFIG)
    cell.column("p")
    (cell.folder / "state").mkdir()
    (cell.folder / "state/journal.sqlite").write_bytes(b"no database at all, " * 1000)
    cell.start()
    cell.open()
    cell.columns["p"].send(b"12.0001\r")
    cell.wait_records(1, kind="measurement")
    assert cell.stop() == 0
    reader = JournalReader.open(cell.folder / "state")
    told = [json.loads(row.body).get("detail", {}).get("event") for row in reader.select(kinds=("event",))]
    reader.close()
    assert told[:2] == ["started", "journal-renewed"] and list((cell.folder / "state").glob("journal.sqlite.failed-*"))


@pytest.fixture
def small_disk(cell):
    """The state folder on a disk of 3 MB of its own."""
    state = cell.folder / "state"
    state.mkdir()
    made = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=3m", "none", state], capture_output=True, text=True)
    if made.returncode:
        pytest.skip(f"no small disk can be mounted here: {made.stderr.strip()}")
    yield state
    subprocess.run(["umount", "-l", state], check=True)


def test_a_full_disk_is_told_while_the_reserve_is_used_then_waited_for_and_costs_nothing(cell, until, small_disk):
    cell.configure(CONFIG.replace("reserve: 100 kB", "reserve: 500 kB"))
    cell.column("p")
    cell.start()
    cell.open()
    sent_one_by_one(cell, range(3))
    ballast = small_disk / "ballast"
    with open(ballast, "wb", buffering=0) as file:
        with pytest.raises(OSError, match="No space"):
            while True:
                file.write(b"\0" * 4096)
    count = 3
    while not cell.status()["journal"]["full"]:        # each line makes a record: the reserve ends some time
        cell.columns["p"].send(b"".join(b"12.%04d\r" % (number % 10000) for number in range(count, count + 200)))
        count += 200
        assert count < 40_000
        until(lambda: cell.status()["last-seq"] >= count + 2 or cell.status()["journal"]["full"], "the worker")
    assert count > 400 and cell.status()["ports"]["p"]["state"] == "open"        # it went on for a while in the reserve
    said = cell.command("status", str(cell.config), "--json").stdout
    assert any("full" in one for one in json.loads(said)["needs"])
    ballast.unlink()
    until(lambda: len(cell.records(kind="measurement")) == count, f"all {count} records", 60)
    assert cell.stop() == 0
    found = cell.records(kind="measurement")
    assert [one["raw"] for one in found] == [f"12.{number % 10000:04d}" for number in range(count)]
