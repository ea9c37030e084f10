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
