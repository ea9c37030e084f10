"""A journal of another version: a newer one is refused in words, an older one is made over with a copy kept."""

import os
import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from collector.clock import SystemClock
from collector.errors import JournalFailed, JournalFull, StoppedByIO
from collector.files import Files
from collector.journal import Journal, JournalReader, Renewed, Row, open_salvage
from collector.journal.backup import put_back, read_backup, write_backup
from collector.journal.migration import STEPS, migrate
from collector.journal.schema import connect
from collector.journal.sqlite_faults import SCHEMA

COUNT = 400
CONFIG = """
site: gehaeuse-2
ports: {p: {device: ./tty-p, format: f}}
formats: {f: {pattern: '^(?P<value>\\d+)$', unit: mm}}
outputs: {line: {kind: jsonl, folder: ./inbox, publish: growing}}
"""


def rows(first: int, last: int) -> list[Row]:
    return [Row(seq, seq, "measurement", "bore-column", "housing", "", b'{"seq":%d,"raw":"%s"}' % (seq, b"." * 200))
            for seq in range(first, last + 1)]


def made(folder: Path, version: int = SCHEMA) -> str:
    """A journal that was closed in order, of this version; its name.  Schema 1 has no forms."""
    journal = Journal.open(folder)
    journal.append(rows(1, COUNT), {"context": "lot 9"})
    journal.close()
    (folder / "outputs").mkdir()
    (folder / "outputs" / "line.cursor").write_text("a cursor")
    db = sqlite3.connect(folder / "journal.sqlite")
    if version == 1:
        db.executescript("ALTER TABLE record DROP COLUMN form; DROP TABLE forms; DROP TABLE forms_again")
    db.execute(f"PRAGMA user_version={version}")
    db.close()
    return journal.name


def made_over(folder: Path, steps: dict = STEPS) -> None:
    db = connect(folder / "journal.sqlite")
    try:
        migrate(db, folder / "journal.sqlite", Files(), SystemClock(), steps)
    except sqlite3.Error as error:
        raise AssertionError("untranslated") from error
    finally:
        db.close()


def whole(folder: Path, name: str) -> None:
    """The journal goes on as it was."""
    journal = Journal.open(folder)
    assert (journal.name, journal.next_seq, journal.renewed) == (name, COUNT + 1, [])
    assert journal.memory() == {"context": "lot 9"}
    journal.append(rows(COUNT + 1, COUNT + 1))
    journal.close()
    reader = JournalReader.open(folder)
    assert list(reader.select()) == rows(1, COUNT + 1)
    reader.close()


def content(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()
            if path.is_file() and not path.name.endswith(("-shm", "-wal", ".lock"))}


# --- newer


def test_every_command_refuses_a_newer_journal_in_one_line(tmp_path):
    state = tmp_path / "state"
    made(state, SCHEMA + 1)
    (tmp_path / "cell.yaml").write_text(CONFIG)
    (tmp_path / "inbox").mkdir()
    before = content(state)
    for words in (["run"], ["export"], ["export", "--ledger"], ["backup"], ["salvage"]):
        more = [str(tmp_path / "backup")] if words == ["backup"] else []
        command = [sys.executable, "-m", "collector", words[0], str(tmp_path / "cell.yaml"), *words[1:], *more]
        done = subprocess.run(command, capture_output=True, text=True, timeout=60)
        assert done.returncode == 74, words
        assert done.stderr.count("\n") == 1 and "made by a newer collector" in done.stderr
    assert {name: data for name, data in content(state).items() if name in before} == before


def test_the_words_name_the_copy_that_one_can_go_back_to(tmp_path):
    made(tmp_path, SCHEMA + 1)
    with pytest.raises(StoppedByIO, match=r"run the newer one$"):
        JournalReader.open(tmp_path)
    (tmp_path / f"journal.sqlite.schema-{SCHEMA}").touch()
    with pytest.raises(StoppedByIO, match=rf"or go back to .*sqlite.schema-{SCHEMA}.*collector restore --aside"):
        Journal.open(tmp_path)


# --- older


def test_an_older_journal_is_made_over_and_nothing_of_it_is_lost(tmp_path):
    name = made(tmp_path, 1)
    made_over(tmp_path)
    whole(tmp_path, name)
    copy = tmp_path / "journal.sqlite.schema-1"
    assert copy.stat().st_mode & 0o777 == 0o600
    kept = read_backup(copy)
    assert (kept.name, kept.last, kept.records) == (name, COUNT, COUNT)
    assert kept.beside == {"outputs/line.cursor": b"a cursor"}


def test_one_can_go_back_by_the_copy_under_a_new_name_behind_a_gap(tmp_path):
    old, new = tmp_path / "old", tmp_path / "new"
    made(old, 1)
    made_over(old)
    new.mkdir()
    put_back(old / "journal.sqlite.schema-1", new, "NEWNAME0", 9000, Renewed("back", ""), (), Files())
    db = sqlite3.connect(new / "journal.sqlite")
    assert db.execute("PRAGMA user_version").fetchone() == (1,)
    assert "form" not in [column for _, column, *_ in db.execute("PRAGMA table_info(record)")]
    db.close()
    made_over(new)                                             # and forward once more
    journal = Journal.open(new)
    assert (journal.name, journal.next_seq, [one.cause for one in journal.renewed]) == ("NEWNAME0", 9000, ["back"])
    journal.close()


def test_a_journal_of_today_is_left_alone_and_no_copy_is_made(tmp_path):
    name = made(tmp_path)
    made_over(tmp_path)
    assert not list(tmp_path.glob("*.schema-*"))
    whole(tmp_path, name)


def test_an_older_journal_without_a_way_is_refused_and_not_touched(tmp_path):
    made(tmp_path, 0)
    before = content(tmp_path)
    with pytest.raises(StoppedByIO, match="no way from that"):
        Journal.open(tmp_path)
    assert content(tmp_path) == before


def test_who_only_reads_says_that_run_makes_an_older_journal_over(tmp_path):
    made(tmp_path, 1)
    with pytest.raises(StoppedByIO, match="the next `collector run` makes it over"):
        JournalReader.open(tmp_path)


def test_salvage_reads_an_older_journal_too_for_one_that_was_set_aside_is_never_made_over(tmp_path):
    made(tmp_path, 1)
    with open_salvage(tmp_path / "journal.sqlite") as found:
        assert list(found.rows()) == rows(1, COUNT)


def test_a_step_that_fails_changes_nothing(tmp_path):
    name = made(tmp_path, 1)

    def fails(db):
        STEPS[1](db)
        raise ZeroDivisionError

    for _ in range(2):                                         # the second copy takes the first one's place
        with pytest.raises(ZeroDivisionError):
            made_over(tmp_path, {1: fails})
    assert sorted(path.name for path in tmp_path.glob("*schema*")) == ["journal.sqlite.schema-1"]
    made_over(tmp_path)
    whole(tmp_path, name)


def test_a_damaged_older_journal_is_refused_and_stays_for_the_older_collector(tmp_path):
    made(tmp_path, 1)
    path = tmp_path / "journal.sqlite"
    data = bytearray(path.read_bytes())
    data[8192:20480] = b"\xff" * 12288
    path.write_bytes(data)
    before = content(tmp_path)
    with pytest.raises(StoppedByIO, match="nothing has changed, the older collector can go on"):
        made_over(tmp_path)
    assert content(tmp_path) == before


def fill(disk: Path) -> Path:
    """Leave no room for a copy; gives what takes it."""
    told = os.statvfs(disk)
    (disk / "ballast").write_bytes(b"\0" * (told.f_bavail * told.f_frsize - 60_000))
    return disk / "ballast"


@pytest.fixture
def small_disk(tmp_path):
    """A disk of its own with room for the journal, not for two."""
    folder = tmp_path / "small"
    folder.mkdir()
    words = ["mount", "-t", "tmpfs", "-o", "size=800k", "none", folder]
    mounted = subprocess.run(words, capture_output=True, text=True)
    if mounted.returncode:
        pytest.skip(f"no small disk can be mounted here: {mounted.stderr.strip()}")
    yield folder
    subprocess.run(["umount", "-l", folder], check=True)


def test_without_room_for_the_copy_nothing_is_changed_and_room_is_asked_for(small_disk):
    name = made(small_disk, 1)
    before = content(small_disk)
    ballast = fill(small_disk)
    with pytest.raises(StoppedByIO, match="no room; nothing has changed"):
        made_over(small_disk)
    ballast.unlink()
    assert content(small_disk) == before
    made_over(small_disk)
    whole(small_disk, name)


def test_a_backup_without_room_leaves_nothing_behind(tmp_path, small_disk):
    made(tmp_path / "state")
    fill(small_disk)
    with pytest.raises(JournalFull, match="can't be made: no room"):
        write_backup(tmp_path / "state", small_disk / "backup", Files(), SystemClock())
    assert [path.name for path in small_disk.iterdir()] == ["ballast"]


def test_a_damaged_journal_is_no_backup(tmp_path):
    made(tmp_path)
    path = tmp_path / "journal.sqlite"
    data = bytearray(path.read_bytes())
    data[8192:20480] = b"\xff" * 12288
    path.write_bytes(data)
    with pytest.raises(JournalFailed, match="malformed"):
        write_backup(tmp_path, tmp_path / "backup", Files(), SystemClock())
    assert not (tmp_path / "backup").exists() and not list(tmp_path.glob(".*"))


# --- killed at any moment

_ONCE = f"""
import sys
from pathlib import Path
sys.path.insert(0, {str(Path(__file__).parent.parent.parent)!r})
from tests.unit.test_journal_versions import made_over
made_over(Path(sys.argv[1]))
"""


def struck(folder: Path, trace: Path, call: str, at: int) -> bool:
    """Make it over in a process that is killed at the n-th such call; whether there was one."""
    copy = ".journal.sqlite.schema-1.part"
    watched = ("", "journal.sqlite", "journal.sqlite-wal", "journal.sqlite.schema-1", copy, f"{copy}-journal")
    words = ["strace", "-f", "-o", str(trace), *(word for name in watched for word in ("-P", str(folder / name))),
             "-e", f"trace={call}", "-e", f"inject={call}:signal=KILL:when={at}",
             sys.executable, "-c", _ONCE, str(folder)]
    done = subprocess.run(words, capture_output=True, text=True, timeout=60)
    if done.returncode == 0:
        return False
    assert "killed by SIGKILL" in trace.read_text(), done.stderr
    return True


@pytest.mark.skipif(shutil.which("strace") is None, reason="takes strace")
@pytest.mark.parametrize("call", ["fsync", "fdatasync", "rename", "unlink", "pwrite64"])
def test_killed_at_any_call_it_begins_again_and_nothing_is_lost(tmp_path, call):
    name, at, hit = made(tmp_path / "before", 1), 1, 0
    while True:
        folder = tmp_path / str(at)
        shutil.copytree(tmp_path / "before", folder)
        is_struck = struck(folder, tmp_path / "trace", call, at)
        made_over(folder)
        assert read_backup(folder / "journal.sqlite.schema-1").records == COUNT
        assert not list(folder.glob(".*"))
        whole(folder, name)
        shutil.rmtree(folder)
        hit += is_struck
        if not is_struck:
            break
        at += 1 if at < 6 or call != "pwrite64" else 29
    assert hit >= 1
