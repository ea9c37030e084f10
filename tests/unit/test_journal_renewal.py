"""A file that failed is never written again: a new one carries on, and the old one is set aside whole."""

import os
import re
import signal
import sqlite3
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from tests.unit.test_journal_salvage import damaged, leaves, made

from collector.errors import JournalFailed, StoppedByIO
from collector.files import Files
from collector.journal import Journal, JournalReader, Lost, Row, open_salvage, set_aside


class Wall:
    """A clock that stands."""

    def wall_ns(self) -> int:
        return 1_772_435_700_000_000_000                       # 2026-03-02T07:15:00Z

    def steady_ns(self) -> int:
        return 0


def rows(first: int, last: int) -> list[Row]:
    return [Row(seq, seq, "measurement", "bore-column", "housing", "", b'{"seq":%d}' % seq)
            for seq in range(first, last + 1)]


def seqs(folder: Path) -> list[int]:
    reader = JournalReader.open(folder)
    found = [row.seq for row in reader.select()]
    reader.close()
    return found


def failing(journal: Journal) -> None:
    """As after an error of the disk: from here on the journal refuses its file."""
    journal._failed = "disk I/O error"


@pytest.fixture
def journal(tmp_path):
    journal = Journal.open(tmp_path, clock=Wall())
    yield journal
    journal.close()


def test_a_new_file_carries_on_with_name_seq_memory_and_what_is_still_needed(journal, tmp_path):
    journal.append(rows(1, 1000), {"context": "lot 9", "gone": "x"})
    journal.append(rows(1001, 1200), {"gone": None})
    failing(journal)
    with pytest.raises(JournalFailed):
        journal.append(rows(1201, 1201))
    anew = journal.begin_anew(keep_after=700)
    assert (anew.name, anew.next_seq, anew.memory()) == (journal.name, 1201, {"context": "lot 9"})
    renewed, = anew.renewed
    assert (renewed.kept, renewed.lost, renewed.memory_whole, renewed.carries_on) == (500, Lost(), True, True)
    assert renewed.cause == "disk I/O error" and renewed.aside == "journal.sqlite.failed-20260302T071500Z"
    anew.append(rows(1201, 1203))
    assert seqs(tmp_path) == list(range(701, 1204))
    anew.close()


def test_a_long_copy_is_seen_to_move_at_runtime_and_at_a_start(tmp_path):
    at_runtime, at_start = [], []
    journal = Journal.open(tmp_path, clock=Wall())
    journal.append(rows(1, 3500))
    failing(journal)
    anew = journal.begin_anew(0, lambda: at_runtime.append(1))
    anew.close()
    with open(tmp_path / "journal.sqlite", "r+b") as file:       # the way to the newest record
        file.seek(-4096, os.SEEK_END)
        file.write(b"\xff" * 4096)
    Journal.open(tmp_path, seen=3500, clock=Wall(), moved=lambda: at_start.append(1)).close()
    assert len(at_runtime) == 4 and 3 <= len(at_start) <= 4


def test_the_old_file_is_set_aside_with_its_log_and_all_of_it_can_be_salvaged(journal, tmp_path):
    journal.append(rows(1, 50))
    before = {suffix: (tmp_path / f"journal.sqlite{suffix}").read_bytes() for suffix in ("", "-wal")}
    failing(journal)
    journal.begin_anew(keep_after=50).close()
    aside, = set_aside(tmp_path)
    for suffix, content in before.items():
        assert Path(f"{aside}{suffix}").read_bytes() == content, "it was written to once more"
    with open_salvage(aside) as found:
        assert [row.seq for row in found.rows()] == list(range(1, 51))


def test_closing_a_journal_that_failed_does_not_write_to_its_file(tmp_path):
    journal = Journal.open(tmp_path)
    journal.append(rows(1, 50))
    before = {suffix: (tmp_path / f"journal.sqlite{suffix}").read_bytes() for suffix in ("", "-wal")}
    failing(journal)
    journal.close()
    assert before == {suffix: (tmp_path / f"journal.sqlite{suffix}").read_bytes() for suffix in ("", "-wal")}


def test_no_seq_is_used_again_where_nothing_had_to_be_carried_over(journal, tmp_path):
    journal.append(rows(1, 10))
    failing(journal)
    anew = journal.begin_anew(keep_after=10)
    assert (anew.next_seq, seqs(tmp_path)) == (11, [])
    anew.close()


def test_what_befell_the_file_is_told_until_records_were_kept_and_no_longer(journal, tmp_path):
    journal.append(rows(1, 10))
    failing(journal)
    first = journal.begin_anew(0)
    first.append([], {"context": "{}"})
    failing(first)
    second = first.begin_anew(0)
    assert [one.aside for one in second.renewed] == ["journal.sqlite.failed-20260302T071500Z",
                                                     "journal.sqlite.failed-20260302T071501Z"]
    second.close()
    again = Journal.open(tmp_path)
    assert len(again.renewed) == 2
    again.append(rows(11, 11))
    assert again.renewed == []
    again.close()
    again = Journal.open(tmp_path)
    assert again.renewed == []
    again.close()


def test_rows_that_can_not_be_read_are_said_exactly(tmp_path):
    path = made(tmp_path, 2000)
    hit = leaves(path.read_bytes())[40]
    journal = Journal.open(tmp_path)
    damaged(path, path.read_bytes(), [hit], b"\xff")
    failing(journal)
    anew = journal.begin_anew(0)
    lost = anew.renewed[0].lost
    assert lost.count == lost.last - lost.first + 1 > 0 and lost.is_exact
    assert sorted([*seqs(tmp_path), *range(lost.first, lost.last + 1)]) == list(range(1, 2001))
    anew.append(rows(2001, 2001))
    anew.close()


# --- damage that is found when the journal is opened


def test_a_journal_whose_newest_page_is_damaged_is_replaced_at_open_and_no_seq_comes_again(tmp_path):
    path = made(tmp_path, 2000)
    name = sqlite3.connect(path)
    drawn = name.execute("SELECT value FROM meta WHERE key = 'name'").fetchone()[0]
    name.close()
    damaged(path, path.read_bytes(), leaves(path.read_bytes())[-1:], b"\0")
    journal = Journal.open(tmp_path, keep_after=1500, seen=1700)
    renewed, = journal.renewed
    assert (journal.name, renewed.carries_on, journal.memory()) == (drawn, True, {"context": "{}"})
    kept = seqs(tmp_path)
    assert kept == list(range(1501, kept[-1] + 1)) and 1980 < kept[-1] < 2000
    assert journal.next_seq > 2000 and not renewed.lost.is_exact and renewed.lost.first == kept[-1] + 1
    journal.append(rows(journal.next_seq, journal.next_seq))
    journal.close()


def test_a_damaged_page_in_the_middle_is_found_after_an_unclean_end_only(tmp_path):
    path = made(tmp_path, 2000)
    hit = leaves(path.read_bytes())[40]
    damaged(path, path.read_bytes(), [hit], b"\xff")
    journal = Journal.open(tmp_path)
    assert journal.renewed == []
    journal.close()
    (tmp_path / "journal.lock").write_bytes(b"open")           # as a process that was killed leaves it
    journal = Journal.open(tmp_path)
    assert journal.renewed[0].lost.count > 0 and "damaged" in journal.renewed[0].cause
    journal.close()


def test_a_process_that_was_killed_leaves_the_mark_and_one_that_closed_does_not(tmp_path):
    code = ("import sys, os, signal; from pathlib import Path; from collector.journal import Journal\n"
            "journal = Journal.open(Path(sys.argv[1]))\n"
            "os.kill(os.getpid(), signal.SIGKILL) if sys.argv[2] == 'kill' else journal.close()")
    for how, mark in (("kill", b"open"), ("close", b"")):
        done = subprocess.run([sys.executable, "-c", code, str(tmp_path), how])
        assert done.returncode == (-signal.SIGKILL if how == "kill" else 0)
        assert (tmp_path / "journal.lock").read_bytes() == mark


def test_a_log_beside_an_empty_file_is_not_thrown_away(tmp_path):
    journal = Journal.open(tmp_path)
    journal.append(rows(1, 10))
    log = (tmp_path / "journal.sqlite-wal").read_bytes()
    journal.close()
    (tmp_path / "journal.sqlite").write_bytes(b"")
    (tmp_path / "journal.sqlite-wal").write_bytes(log)
    journal = Journal.open(tmp_path)
    assert (tmp_path / f"{journal.renewed[0].aside}-wal").read_bytes() == log
    journal.close()


def test_rows_that_were_seen_and_are_not_in_the_file_are_said_to_be_lost(tmp_path):
    path = made(tmp_path, 2000)
    damaged(path, path.read_bytes(), [leaves(path.read_bytes())[5]], b"\xff")
    (tmp_path / "journal.lock").write_bytes(b"open")
    journal = Journal.open(tmp_path, keep_after=1990, seen=2010)
    assert (journal.next_seq, journal.renewed[0].lost) == (2011, Lost(10, 2001, 2010, True))
    journal.close()


def test_where_no_new_file_can_be_begun_either_that_is_the_end_of_it(tmp_path):
    class NoRename(Files):
        def _move(self, old: Path, new: Path) -> None:
            raise OSError(5, os.strerror(5))

    (tmp_path / "journal.sqlite").write_bytes(bytes(8192))
    with pytest.raises(StoppedByIO, match="no new journal can be begun"):
        Journal.open(tmp_path, files=NoRename())
    Journal.open(tmp_path).close()


# --- a kill in the middle


class Killed(BaseException):
    pass


class DyingFiles(Files):
    """Dies before, or right after, the n-th rename."""

    def __init__(self, at: int, late: bool):
        self.at, self.late = at, late

    def _move(self, old: Path, new: Path) -> None:
        self.at -= 1
        if self.at == 0 and not self.late:
            raise Killed
        super()._move(old, new)
        if self.at == 0:
            raise Killed


@pytest.mark.parametrize("late", [False, True])
@pytest.mark.parametrize("at", [1, 2, 3, 4, 5])
def test_a_kill_at_any_rename_leaves_the_old_or_the_new_one_in_force(tmp_path, at, late):
    journal = Journal.open(tmp_path, files=DyingFiles(at, late), clock=Wall())
    journal.append(rows(1, 20), {"context": "lot 9"})
    failing(journal)
    with pytest.raises(Killed):
        journal.begin_anew(10)
        raise AssertionError("there are more renames than were tried" if at < 5 else Killed)
    os.close(journal._lock_fd)
    journal._lock_fd = -1
    again = Journal.open(tmp_path)
    is_old = at == 1 and not late
    assert (again.name, again.next_seq, again.memory()) == (journal.name, 21, {"context": "lot 9"})
    assert seqs(tmp_path) == list(range(1 if is_old else 11, 21))
    assert bool(again.renewed) != is_old and len(set_aside(tmp_path)) == (not is_old)
    assert not list(tmp_path.glob("*.part*")) and not list(tmp_path.glob("*.next-*"))
    again.append(rows(21, 21))
    again.close()


# --- readers of the old file


def test_a_reader_goes_on_in_the_new_file_by_itself(journal, tmp_path):
    journal.append(rows(1, 10))
    reader = JournalReader.open(tmp_path)
    assert [row.seq for row in reader.rows(8)] == [9, 10]
    failing(journal)
    anew = journal.begin_anew(8)
    anew.append(rows(11, 12))
    assert [row.seq for row in reader.rows(8)] == [9, 10, 11, 12]
    assert (reader.last(), reader.name) == (12, anew.name)
    reader.close()
    anew.close()


def test_a_reader_does_not_go_on_in_another_journal(journal, tmp_path):
    journal.append(rows(1, 10))
    reader = JournalReader.open(tmp_path)
    journal.close()
    (tmp_path / "journal.sqlite").rename(tmp_path / "elsewhere")
    Journal.open(tmp_path).close()
    with pytest.raises(StoppedByIO, match="is another one now"):
        reader.rows(8)
    reader.close()


def test_readers_see_every_row_once_while_the_file_is_replaced_again_and_again(tmp_path):
    journal = Journal.open(tmp_path)
    journal.append(rows(1, 1))
    seen: list[int] = []
    faults: list[BaseException] = []

    def read() -> None:
        try:
            reader = JournalReader.open(tmp_path)
            while not seen or seen[-1] < 400:
                seen.extend(row.seq for row in reader.rows(seen[-1] if seen else 0))
            reader.close()
        except BaseException as fault:
            faults.append(fault)

    thread = threading.Thread(target=read)
    thread.start()
    for seq in range(2, 401):
        journal.append(rows(seq, seq))
        if seq % 10 == 0:
            failing(journal)
            journal = journal.begin_anew(0)
    thread.join()
    assert faults == [] and seen == list(range(1, 401))
    journal.close()


def test_a_reader_in_another_process_goes_on_too(journal, tmp_path):
    code = ("import sys; from pathlib import Path; from collector.journal import JournalReader\n"
            "reader, last = JournalReader.open(Path(sys.argv[1])), 0\n"
            "for line in sys.stdin:\n"
            "    print(*(row.seq for row in reader.rows(int(line))), flush=True)")
    journal.append(rows(1, 3))
    with subprocess.Popen([sys.executable, "-c", code, str(tmp_path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                          text=True) as child:
        def asked(after: int) -> str:
            child.stdin.write(f"{after}\n")
            child.stdin.flush()
            return child.stdout.readline().strip()

        assert asked(0) == "1 2 3"
        failing(journal)
        anew = journal.begin_anew(1)
        anew.append(rows(4, 5))
        assert asked(1) == "2 3 4 5"
        child.stdin.close()
    anew.close()


def test_the_name_of_a_set_aside_file_is_the_time_in_utc(journal, tmp_path):
    journal.append(rows(1, 1))
    failing(journal)
    journal.begin_anew(0).close()
    assert [re.fullmatch(r"journal\.sqlite\.failed-\d{8}T\d{6}Z", one.name)[0] for one in set_aside(tmp_path)]
