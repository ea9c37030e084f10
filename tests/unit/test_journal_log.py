"""The log beside the journal's file: made long at the start, copied into the file aside, begun anew."""

import os
import shutil
import sqlite3
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from collector.errors import JournalFailed
from collector.journal import Journal, JournalReader, log
from collector.journal.schema import LOG_BYTES
from tests.unit.test_journal_room import MB, disk, fill, log_bytes, rows, short_log

HEAD_BYTES = 32


def file_bytes(folder: Path) -> int:
    return os.stat(folder / "journal.sqlite").st_size


def salts(folder: Path) -> bytes:
    """What a log that is begun anew has another of (sqlite.org/fileformat2.html, 4.1: bytes 16 to 23; from memory)."""
    with open(folder / "journal.sqlite-wal", "rb") as file:
        return file.read(HEAD_BYTES)[16:24]


def at_rest(journal: Journal) -> None:
    """No copy is under way."""
    while journal._log._aside.is_busy:
        time.sleep(0.01)


def fill_up(journal: Journal, count: int, size: int = 1000) -> None:
    """So many rows, 20 a commit."""
    last = journal.next_seq + count - 1
    while journal.next_seq <= last:
        first = journal.next_seq
        journal.append(rows(first, min(last, first + 19), size))


def test_the_log_is_long_from_the_start_and_commits_do_not_lengthen_it(tmp_path):
    journal = Journal.open(tmp_path)
    assert log_bytes(tmp_path) == LOG_BYTES == MB
    fill_up(journal, 20)
    assert log_bytes(tmp_path) == MB
    journal.close()


def test_what_a_kill_leaves_in_a_long_log_is_found_and_the_log_goes_on_behind_it(tmp_path):
    journal = Journal.open(tmp_path / "one")
    fill_up(journal, 30)
    shutil.copytree(tmp_path / "one", tmp_path / "two")               # as a kill leaves it
    journal.close()
    journal = Journal.open(tmp_path / "two")
    assert journal.next_seq == 31 and log_bytes(tmp_path / "two") == MB
    fill_up(journal, 2000)
    journal.close()
    reader = JournalReader.open(tmp_path / "two")
    assert [row.seq for row in reader.select()] == list(range(1, 2031))
    reader.close()


def test_without_room_the_log_is_as_long_as_it_must_be(disk):          
    Journal.open(disk / "state").close()
    other = fill(disk)
    with open(other, "r+b") as file:
        file.truncate(other.stat().st_size - MB // 2)
    journal = Journal.open(disk / "state")
    assert log_bytes(disk / "state") < MB // 4
    fill_up(journal, 20)
    journal.close()


def test_what_was_committed_goes_into_the_file_while_commits_go_on(tmp_path, short_log):
    journal = Journal.open(tmp_path)
    before = file_bytes(tmp_path)
    fill_up(journal, 2000)
    assert file_bytes(tmp_path) > before + MB
    journal.close()


@pytest.fixture
def held(monkeypatch):
    """A copy aside that has begun ends only when it may."""
    begun, may_end, real = threading.Event(), threading.Event(), log.Log._copy_aside

    def copy(self: log.Log) -> None:
        begun.set()
        assert may_end.wait(20)
        real(self)

    monkeypatch.setattr(log.Log, "_copy_aside", copy)
    return begun, may_end


def test_a_commit_does_not_wait_for_a_copy(tmp_path, short_log, held):
    begun, may_end = held
    journal = Journal.open(tmp_path)
    fill_up(journal, 200)
    assert begun.wait(20)
    salt, size = salts(tmp_path), file_bytes(tmp_path)
    fill_up(journal, 500)
    journal.tidy()
    assert (salts(tmp_path), file_bytes(tmp_path)) == (salt, size), "something else has copied meanwhile"
    may_end.set()
    fill_up(journal, 2000)
    assert salts(tmp_path) != salt and file_bytes(tmp_path) > size + MB
    journal.close()


def test_behind_a_copy_that_hangs_the_log_does_not_grow_for_ever(tmp_path, short_log, held):
    begun, may_end = held
    journal = Journal.open(tmp_path)
    filling = threading.Thread(target=fill_up, args=(journal, 5000))
    filling.start()
    assert begun.wait(20)
    filling.join(1)
    assert filling.is_alive() and log_bytes(tmp_path) < 3 * MB
    may_end.set()
    filling.join(20)
    assert journal.next_seq == 5001
    journal.close()


def test_a_long_log_is_begun_anew_and_cut_when_it_is_quiet(tmp_path, short_log, monkeypatch):
    monkeypatch.setattr(log, "LONG_BYTES", 2 * MB)
    journal, largest, begun = Journal.open(tmp_path), 0, set()
    for _ in range(300):
        fill_up(journal, 100)
        largest = max(largest, log_bytes(tmp_path))
        begun.add(salts(tmp_path))
    assert len(begun) > 5 and largest < 6 * MB
    assert log_bytes(tmp_path) >= 2 * MB, "it is not cut, to grow again at once"
    at_rest(journal)
    journal.tidy()
    fill_up(journal, 1)
    assert log_bytes(tmp_path) == MB
    journal.close()
    assert not (tmp_path / "journal.sqlite-wal").exists()


def test_a_slow_column_writes_within_the_length_for_ever(tmp_path):
    """A minute's readings go into the file each minute; then the log is begun anew."""
    journal = Journal.open(tmp_path)
    begun = set()
    for _ in range(20):
        for _ in range(60):
            journal.append(rows(journal.next_seq, journal.next_seq, 500), {"round": "x" * 500})
        journal.tidy()
        begun.add(salts(tmp_path))
        assert log_bytes(tmp_path) == MB
    assert len(begun) == 20
    journal.close()


def failing(monkeypatch, code: int) -> None:
    """From now on a copy aside fails so."""
    def fails(self: log.Log) -> None:
        error = sqlite3.OperationalError("disk I/O error" if code == sqlite3.SQLITE_IOERR else "database or disk is full")
        error.sqlite_errorcode = code
        raise error

    monkeypatch.setattr(log.Log, "_copy_aside", fails)


def test_a_copy_that_fails_fails_the_next_append_and_a_new_file_has_all(tmp_path, short_log, monkeypatch):
    """The rows that were committed meanwhile are durable in the log."""
    journal = Journal.open(tmp_path)
    failing(monkeypatch, sqlite3.SQLITE_IOERR)
    with pytest.raises(JournalFailed, match="disk I/O error"):
        fill_up(journal, 1000)
    kept = journal.next_seq - 1
    assert kept >= 100
    monkeypatch.undo()
    anew = journal.begin_anew(0)
    assert (anew.next_seq, anew.renewed[0].kept, anew.renewed[0].lost.count) == (kept + 1, kept, 0)
    fill_up(anew, 100)
    anew.close()


@pytest.mark.parametrize("code", [sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR])
def test_a_journal_whose_last_copy_fails_is_closed_all_the_same(tmp_path, short_log, monkeypatch, code):
    """Everything was durable before."""
    journal = Journal.open(tmp_path)
    failing(monkeypatch, code)
    while not journal._log._is_begun:
        fill_up(journal, 20)
    kept = journal.next_seq - 1
    journal.close()
    monkeypatch.undo()
    journal = Journal.open(tmp_path)
    assert (journal.next_seq, journal.renewed) == (kept + 1, [])
    journal.close()


def test_a_copy_without_room_is_made_another_time(tmp_path, short_log, monkeypatch):
    journal = Journal.open(tmp_path, reserve_bytes=MB)
    failing(monkeypatch, sqlite3.SQLITE_FULL)
    fill_up(journal, 500)
    assert journal.reserve == "given up"
    size = file_bytes(tmp_path)
    monkeypatch.undo()
    monkeypatch.setattr(log, "COPIED_BYTES", 100_000)
    fill_up(journal, 500)
    assert file_bytes(tmp_path) > size
    journal.close()


def test_a_copy_begins_only_behind_a_commit_with_rows(tmp_path, short_log, monkeypatch):
    """Behind another all of the log may be in the file, and SQLite begin it anew meanwhile."""
    begun, real = [], log.Log._copy_aside
    monkeypatch.setattr(log.Log, "_copy_aside", lambda self: (begun.append(journal.next_seq), real(self)))
    journal = Journal.open(tmp_path)
    while not begun:
        fill_up(journal, 20)
    at_rest(journal)
    before = len(begun)
    for _ in range(30):                                 # 8 kB each, as it reckons: one copy is due
        journal.append([], {"gone": None})
    at_rest(journal)
    assert len(begun) == before
    fill_up(journal, 1)
    journal.close()
    assert len(begun) == before + 1


@contextmanager
def that_cannot_be_synced(journal: Journal) -> Iterator[None]:
    out, into = os.pipe()
    os.close(into)
    file, journal._log._file = journal._log._file, open(out, "rb", buffering=0)
    try:
        yield
    finally:
        file.close()


def test_behind_each_copy_the_file_is_synced(tmp_path, short_log):
    """Of a pipe there is nothing to sync: so that is tried, and what it says is not passed over."""
    journal = Journal.open(tmp_path)
    with that_cannot_be_synced(journal):
        with pytest.raises(JournalFailed, match="Invalid argument"):
            fill_up(journal, 1000)
        kept = journal.next_seq - 1
        anew = journal.begin_anew(0)
    assert (anew.next_seq, anew.renewed[0].kept, anew.renewed[0].lost.count) == (kept + 1, kept, 0)
    fill_up(anew, 1000)
    anew.close()


def test_a_last_copy_that_cannot_be_synced_stops_neither_an_end_nor_a_new_file(tmp_path, short_log):
    journal = Journal.open(tmp_path)
    with that_cannot_be_synced(journal):
        while not journal._log._is_begun:
            fill_up(journal, 20)
        journal._failed = "something else"
        anew = journal.begin_anew(0)
    with that_cannot_be_synced(anew):
        while not anew._log._is_begun:
            fill_up(anew, 20)
        kept = anew.next_seq - 1
        anew.close()
    again = Journal.open(tmp_path)
    assert (again.next_seq, again.renewed) == (kept + 1, [])
    again.close()


def open_files(folder: Path) -> list[str]:
    """What this process has open in it; a file that has been deleted is told so."""
    found = []
    for fd in os.listdir("/proc/self/fd"):
        with suppress(OSError):
            found.append(os.readlink(f"/proc/self/fd/{fd}"))
    return [one for one in found if one.startswith(str(folder))]


def test_the_file_is_let_go_of_behind_the_last_connection(tmp_path, short_log, monkeypatch):
    """A file that a process closes loses all locks of that process: SQLite's too."""
    left, real = [], log.Log.forget
    monkeypatch.setattr(log.Log, "forget", lambda self: (left.append(len(open_files(tmp_path))), real(self)))
    journal = Journal.open(tmp_path)
    fill_up(journal, 500)
    failing(monkeypatch, sqlite3.SQLITE_IOERR)
    with pytest.raises(JournalFailed):
        fill_up(journal, 1000)
    monkeypatch.undo()
    monkeypatch.setattr(log.Log, "forget", lambda self: (left.append(len(open_files(tmp_path))), real(self)))
    anew = journal.begin_anew(0)
    assert left == [2], "the lock and the file itself"
    fill_up(anew, 500)
    anew.close()
    assert left == [2, 2]
    assert open_files(tmp_path) == []


def copying() -> int:
    return sum(thread.name == "copy" for thread in threading.enumerate())


def test_closing_waits_for_the_copy_that_is_under_way_and_ends_its_thread(tmp_path, short_log):
    before, journal = copying(), Journal.open(tmp_path)
    while not journal._log._is_begun:
        fill_up(journal, 20)
    journal.close()
    end = time.monotonic() + 30
    while copying() > before and time.monotonic() < end:
        time.sleep(0.01)
    assert copying() == before
    assert not (tmp_path / "journal.sqlite-wal").exists(), "another connection was open when the last was closed"
