"""The journal: what was acknowledged is there, seqs have no gaps, nobody but the writer writes."""

import os
import shutil
import sqlite3
import subprocess
import sys
import threading

import pytest

from collector.errors import JournalFailed, JournalFull, StoppedByIO
from collector.journal import Journal, JournalReader, Row, set_aside
from collector.journal.place import is_removable, unfit
from collector.journal.sqlite_faults import SCHEMA

MOUNTS = r"""
22 1 254:0 / / rw,relatime shared:1 - ext4 /dev/vda rw
23 22 0:21 / /proc rw,nosuid - proc proc rw
24 22 0:40 / /srv/mes rw,relatime shared:2 - cifs //files/mes rw
25 22 8:17 / /media/stick\040one rw - vfat /dev/sdb1 rw
26 22 0:41 / /srv/over rw - fuse.sshfs far:/ rw
27 24 254:1 / /srv/mes/local rw - xfs /dev/vdb rw
28 22 254:2 / /srv/twice rw - ext4 /dev/vdc rw
29 28 0:42 / /srv/twice rw - nfs4 far:/x rw
30 22 0:43 / /srv/run rw optional:1 other:2 - tmpfs tmpfs rw
""".strip()


def row(seq: int, at_us: int = 0, **fields: str) -> Row:
    return Row(seq, at_us or seq * 1000, fields.get("kind", "measurement"), "bore-column", fields.get("part", "housing"),
               fields.get("lot", ""), b'{"seq":%d}' % seq)


def append(journal: Journal, first: int, last: int) -> None:
    journal.append([row(seq) for seq in range(first, last + 1)])


@pytest.fixture
def journal(tmp_path):
    journal = Journal.open(tmp_path)
    yield journal
    journal.close()


@pytest.fixture
def reader(journal, tmp_path):
    reader = JournalReader.open(tmp_path)
    yield reader
    reader.close()


def test_rows_come_back_as_they_were_and_in_order(journal, reader):
    rows = [row(1), row(2, part="4711", lot="L 9"), row(3, kind="event")]
    journal.append(rows)
    assert reader.rows(0) == rows
    assert reader.rows(1, most=1) == rows[1:2]
    assert (journal.next_seq, reader.last(), reader.count_after(1)) == (4, 3, 2)


def test_a_name_is_drawn_once_and_for_good(tmp_path):
    names = set()
    for place in ("one", "other"):
        first, again = Journal.open(tmp_path / place), None
        first.close()
        again = Journal.open(tmp_path / place)
        assert first.name == again.name
        assert len(again.name) == 8 and set(again.name) <= set("0123456789ABCDEFGHJKMNPQRSTVWXYZ")
        names.add(again.name)
        again.close()
    assert len(names) == 2


def test_a_seq_that_does_not_follow_is_refused_and_nothing_is_kept(journal, reader):
    append(journal, 1, 2)
    for rows in ([row(4)], [row(2)], [row(3), row(5)]):
        with pytest.raises(ValueError, match="do not follow 2"):
            journal.append(rows)
    append(journal, 3, 3)
    assert reader.last() == 3


def test_a_gap_inside_a_batch_keeps_nothing_of_it(journal, reader):
    with pytest.raises(sqlite3.IntegrityError):
        journal.append([row(1), row(1), row(3)])
    append(journal, 1, 1)
    assert [one.seq for one in reader.rows(0)] == [1]


def test_trimming_deletes_only_what_is_delivered_and_old(journal, reader):
    append(journal, 1, 10)
    assert journal.trim(through=4, before_us=10**9) == 4
    assert journal.trim(through=9, before_us=7000) == 2
    assert [one.seq for one in reader.rows(0)] == [7, 8, 9, 10]
    assert reader.count_after(0) == 4
    assert journal.trim(through=10, before_us=10**9, most=3) == 3


def test_no_seq_is_used_again_even_if_every_row_is_gone(tmp_path):
    journal = Journal.open(tmp_path)
    append(journal, 1, 5)
    assert journal.trim(5, 10**9) == 5
    journal.close()
    again, reader = Journal.open(tmp_path), JournalReader.open(tmp_path)
    assert (again.next_seq, reader.last(), reader.count_after(5), reader.rows(0)) == (6, 5, 0, [])
    again.close()
    reader.close()


def test_select_finds_by_time_part_lot_and_kind_across_pages(journal, reader):
    journal.append([row(seq, kind="event" if seq % 400 == 0 else "measurement", lot="A" if seq <= 600 else "B")
                    for seq in range(1, 1301)])
    assert [one.seq for one in reader.select(kinds=("event",))] == [400, 800, 1200]
    assert [one.seq for one in reader.select(lot="B", since_us=700_000, until_us=702_000)] == [700, 701]
    assert len(list(reader.select(part="housing"))) == 1300
    assert list(reader.select(part="other")) == []


def test_no_statement_of_a_reader_takes_more_than_500_rows(journal, reader):
    append(journal, 1, 700)
    assert len(reader.rows(0, most=10_000)) == 500


def test_trimming_leaves_no_hole_where_old_times_stand_behind_young_ones(journal, reader):
    """The machine booted without a clock: its rows are stamped 1970, and the clock was set later."""
    journal.append([row(seq, at_us) for seq, at_us in enumerate((5000, 5001, 1, 2, 5002), start=1)])
    assert journal.trim(through=5, before_us=100) == 0
    assert journal.trim(through=5, before_us=5001) == 1 and [one.seq for one in reader.rows(0)] == [2, 3, 4, 5]


def test_select_begins_behind_what_was_trimmed(journal, reader):
    append(journal, 1, 1500)
    for _ in range(2):
        journal.trim(1000, 10**9)
    assert [one.seq for one in reader.select()] == list(range(1001, 1501))


def test_a_second_writer_is_refused_in_words(journal, tmp_path):
    with pytest.raises(StoppedByIO, match="in use by another collector"):
        Journal.open(tmp_path)


def test_a_reader_can_not_write(journal, reader, tmp_path):
    append(journal, 1, 1)
    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        reader._db.execute("DELETE FROM record")


def test_the_settings_are_the_ones_that_keep_what_was_acknowledged(journal):
    found = {name: journal._db.execute(f"PRAGMA {name}").fetchone()[0]
             for name in ("journal_mode", "synchronous", "locking_mode", "user_version")}
    assert found == {"journal_mode": "wal", "synchronous": 2, "locking_mode": "normal", "user_version": SCHEMA}


@pytest.mark.parametrize("content", [b"not a database, however long it may be" * 40, b"x", bytes(8192)])
def test_a_file_that_is_no_database_is_set_aside_as_it_is_and_a_new_journal_begins_at_1(tmp_path, content):
    (tmp_path / "journal.sqlite").write_bytes(content)
    with pytest.raises(JournalFailed):
        JournalReader.open(tmp_path)
    journal = Journal.open(tmp_path)
    renewed, = journal.renewed
    assert (journal.next_seq, renewed.carries_on, renewed.kept) == (1, False, 0)
    assert (tmp_path / renewed.aside).read_bytes() == content
    assert set_aside(tmp_path) == [tmp_path / renewed.aside]
    journal.close()


def test_another_programs_database_is_refused(tmp_path):
    db = sqlite3.connect(tmp_path / "journal.sqlite")
    db.execute("CREATE TABLE theirs (x)")
    db.close()
    for kind in (Journal, JournalReader):
        with pytest.raises(StoppedByIO, match="not a journal"):
            kind.open(tmp_path)


def test_a_newer_schema_is_refused_in_words(tmp_path):
    Journal.open(tmp_path).close()
    db = sqlite3.connect(tmp_path / "journal.sqlite")
    db.execute(f"PRAGMA user_version={SCHEMA + 1}")
    db.close()
    with pytest.raises(StoppedByIO, match="newer collector"):
        Journal.open(tmp_path)


def test_a_damaged_journal_is_said_to_be_damaged_by_a_reader_and_replaced_by_the_writer(tmp_path):
    journal = Journal.open(tmp_path)
    append(journal, 1, 2000)
    journal.close()
    path = tmp_path / "journal.sqlite"
    content = bytearray(path.read_bytes())
    content[4096:] = b"\xff" * (len(content) - 4096)
    path.write_bytes(content)
    with pytest.raises(JournalFailed):
        JournalReader.open(tmp_path)
    for _ in range(2):
        journal = Journal.open(tmp_path)
        assert (journal.next_seq, [one.carries_on for one in journal.renewed]) == (1, [False])
        journal.close()
    assert len(set_aside(tmp_path)) == 1


def test_there_is_nothing_to_read_before_the_first_start(tmp_path):
    with pytest.raises(StoppedByIO, match="there is no journal"):
        JournalReader.open(tmp_path)


def test_the_folder_and_the_file_are_private(tmp_path):
    Journal.open(tmp_path / "state").close()
    assert (tmp_path / "state").stat().st_mode & 0o777 == 0o700
    assert (tmp_path / "state" / "journal.sqlite").stat().st_mode & 0o777 == 0o600


def test_reading_goes_on_while_the_writer_writes(journal, tmp_path):
    seen: list[list[int]] = []

    def read() -> None:
        reader = JournalReader.open(tmp_path)
        after = 0
        while after < 300:
            rows = [one.seq for one in reader.rows(after)]
            seen.append(rows)
            after = rows[-1] if rows else after
        reader.close()

    thread = threading.Thread(target=read)
    thread.start()
    for seq in range(1, 301):
        append(journal, seq, seq)
    thread.join()
    assert [seq for rows in seen for seq in rows] == list(range(1, 301))


def test_a_closed_journal_can_be_read_and_a_reader_changes_nothing_in_it(tmp_path):
    journal = Journal.open(tmp_path)
    append(journal, 1, 3)
    journal.close()
    before = (tmp_path / "journal.sqlite").read_bytes()
    reader = JournalReader.open(tmp_path)
    assert reader.last() == 3
    reader.close()
    assert (tmp_path / "journal.sqlite").read_bytes() == before


@pytest.mark.skipif(os.name == "nt" or os.getuid() != 0 or not shutil.which("setpriv"), reason="takes root and setpriv")
def test_a_user_without_the_right_to_write_is_told_so(tmp_path):
    Journal.open(tmp_path / "state").close()
    for folder in (tmp_path, *(one for one in tmp_path.parents if one.name.startswith(("pytest-", "popen-")))):
        folder.chmod(0o755)
    (tmp_path / "state").chmod(0o755)
    (tmp_path / "state" / "journal.sqlite").chmod(0o644)
    code = ("import sys; from pathlib import Path; from collector.journal import JournalReader\n"
            "try: JournalReader.open(Path(sys.argv[1]))\n"
            "except Exception as error: print(type(error).__name__, error)")
    done = subprocess.run(["setpriv", "--reuid=65534", "--regid=65534", "--clear-groups", sys.executable, "-c", code,
                           str(tmp_path / "state")], capture_output=True, text=True)
    assert "StoppedByIO" in done.stdout and "right to write" in done.stdout, done.stdout + done.stderr


@pytest.mark.skipif(os.name == "nt" or os.getuid() != 0, reason="takes root, to mount a small disk")
def test_a_full_disk_keeps_nothing_of_the_batch_and_goes_on_when_there_is_room(tmp_path):
    disk = tmp_path / "disk"
    disk.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=600k", "tmpfs", str(disk)], capture_output=True).returncode:
        pytest.skip("no right to mount")
    try:
        journal = Journal.open(disk / "state")
        ballast = disk / "ballast"
        ballast.write_bytes(b"\0" * 300_000)
        kept = 0
        with pytest.raises(JournalFull):
            while True:
                append(journal, kept + 1, kept + 100)
                kept += 100
        assert (journal.next_seq, kept > 0) == (kept + 1, True)
        ballast.unlink()
        append(journal, kept + 1, kept + 100)
        reader = JournalReader.open(disk / "state")
        assert [one.seq for one in reader.select()] == list(range(1, kept + 101))
        reader.close()
        journal.close()
    finally:
        subprocess.run(["umount", str(disk)], check=True)


# --- the place


@pytest.mark.parametrize(("folder", "says"), [
    ("/var/lib/collector", ""), ("/srv/mes/state", "network file system (cifs)"), ("/srv/mesh", ""),
    ("/srv/over/x", "network file system (fuse.sshfs)"), ("/srv/mes/local/state", ""), ("/srv/twice", "network file system (nfs4)"),
    ("/media/stick one/state", "taken out"), ("/srv/run", "")])
def test_a_place_is_judged_by_the_mount_it_lies_on(folder, says):
    why = unfit(folder, MOUNTS, lambda device: device == "8:17")
    assert says in why and bool(says) == bool(why)


def test_a_disk_is_removable_where_the_kernel_says_so_of_it_or_of_the_whole_disk(tmp_path):
    stick = tmp_path / "devices" / "sdb"
    (stick / "sdb1").mkdir(parents=True)
    (stick / "removable").write_text("1\n")
    blocks = tmp_path / "block"
    blocks.mkdir()
    (blocks / "8:16").symlink_to(stick)
    (blocks / "8:17").symlink_to(stick / "sdb1")
    assert is_removable("8:16", blocks) and is_removable("8:17", blocks)
    assert not is_removable("0:40", blocks)
    (stick / "removable").write_text("0\n")
    assert not is_removable("8:17", blocks)


_FEW_DESCRIPTORS = """
import os, resource, sys
from pathlib import Path
from collector.errors import StoppedByIO
from collector.journal import Journal

def open_now():
    return len(os.listdir("/proc/self/fd"))

hard = resource.getrlimit(resource.RLIMIT_NOFILE)[1]
free = max(map(int, os.listdir("/proc/self/fd"))) + 1
below = [os.open("/dev/null", os.O_RDONLY) for _ in range(free)]      # no number is free below the last of them
outcomes = []
for more in range(15):
    before = open_now()
    resource.setrlimit(resource.RLIMIT_NOFILE, (below[-1] + 1 + more, hard))
    try:
        journal = Journal.open(Path(sys.argv[1]))
    except StoppedByIO:
        outcomes.append("stopped")
        journal = None
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))
    if journal:
        outcomes.append("opened")
        journal.close()
    assert open_now() == before, (more, outcomes)
print(*outcomes)
"""


def test_where_descriptors_run_out_at_any_step_of_opening_it_says_so_and_holds_none(tmp_path):
    Journal.open(tmp_path).close()
    done = subprocess.run([sys.executable, "-W", "error::ResourceWarning", "-c", _FEW_DESCRIPTORS, str(tmp_path)],
                          capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "")
    outcomes = done.stdout.split()
    stopped = outcomes.count("stopped")
    assert stopped > 5 and outcomes == ["stopped"] * stopped + ["opened"] * (15 - stopped)
