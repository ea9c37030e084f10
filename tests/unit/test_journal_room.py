"""Room: the reserve on a full disk, the log beside the file, and what may be deleted."""

import os
import subprocess
import sys
import threading
import time
from contextlib import closing
from pathlib import Path

import pytest

from collector.errors import JournalFull
from collector.files import Files
from collector.journal import Journal, JournalReader, Row, log
from collector.journal.reserve import Reserve
from collector.outputs.cursor import Cursor
from collector.service.status import delivered_through

MB = 1024 * 1024
LONG_AGO, FAR_AHEAD = 0, 10**15


def rows(first: int, last: int, size: int = 10) -> list[Row]:
    return [Row(seq, seq, "measurement", "bore-column", "housing", "", b'{"seq":%d,"raw":"%s"}' % (seq, b"." * size))
            for seq in range(first, last + 1)]


@pytest.fixture
def disk(tmp_path):
    """A disk of 8 MB of its own."""
    place = tmp_path / "disk"
    place.mkdir()
    if os.getuid() != 0 or subprocess.run(["mount", "-t", "tmpfs", "-o", "size=8m", "tmpfs", str(place)],
                                          capture_output=True).returncode:
        pytest.skip("takes root, to mount a small disk")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


def fill(disk: Path) -> Path:
    other = disk / "other"
    with open(other, "wb", buffering=0) as file:
        try:
            while file.write(bytes(4096)) == 4096:
                pass
        except OSError:
            pass
    return other


# --- the reserve


def test_the_reserve_is_really_taken_from_the_disk(disk):
    free = os.statvfs(disk).f_bfree * os.statvfs(disk).f_frsize
    reserve = Reserve(disk / "reserve", 2 * MB)
    reserve.fill()
    assert reserve.state == "whole"
    assert free - os.statvfs(disk).f_bfree * os.statvfs(disk).f_frsize >= 2 * MB


def test_a_reserve_is_not_taken_where_that_would_leave_no_more_free_than_it_is(disk):
    reserve = Reserve(disk / "reserve", 5 * MB)
    reserve.fill()
    assert (reserve.state, list(disk.iterdir())) == ("given up", [])


def test_a_reserve_is_found_whole_by_the_next_start_and_one_that_is_short_is_not(tmp_path):
    Reserve(tmp_path / "reserve", MB).fill()
    assert Reserve(tmp_path / "reserve", MB).state == "whole"
    assert Reserve(tmp_path / "reserve", 2 * MB).state == "given up"
    assert Reserve(tmp_path / "none", 0).state == "whole"


@pytest.fixture
def no_length(monkeypatch):
    """The log is not made long at the start: as where it has become full."""
    monkeypatch.setattr(log, "LOG_BYTES", 0)


def test_collecting_goes_on_in_the_reserve_when_the_disk_is_full(disk, no_length):
    journal = Journal.open(disk / "state", reserve_bytes=2 * MB)
    journal.append(rows(1, 10))
    other = fill(disk)
    assert journal.reserve == "whole"
    kept = 10
    with pytest.raises(JournalFull):
        while True:
            journal.append(rows(kept + 1, kept + 10, 1000))
            kept += 10
    assert journal.reserve == "given up" and 0.5 * MB < (kept - 10) * 1000 < 2 * MB
    other.unlink()
    journal.append(rows(kept + 1, kept + 10))
    journal.tidy()
    assert journal.reserve == "whole"
    reader = JournalReader.open(disk / "state")
    assert [row.seq for row in reader.select()] == list(range(1, kept + 11))
    reader.close()
    journal.close()


def test_on_a_full_disk_nothing_is_deleted_and_nobody_is_stopped_by_that(disk, no_length):
    journal = Journal.open(disk / "state")
    journal.append(rows(1, 10))
    other = fill(disk)
    assert journal.trim(5, FAR_AHEAD) == 0
    other.unlink()
    assert journal.trim(5, FAR_AHEAD) == 5
    journal.close()


def test_on_a_full_disk_what_fits_into_the_length_of_the_log_is_kept_and_deleted(disk):
    journal = Journal.open(disk / "state")
    fill(disk)
    journal.append(rows(1, 100))
    assert journal.trim(50, FAR_AHEAD) == 50 and journal.reserve == "whole"
    journal.close()


def test_a_collector_that_starts_on_a_full_disk_goes_on_in_the_reserve(disk):
    journal = Journal.open(disk / "state", reserve_bytes=2 * MB)
    journal.append(rows(1, 10))
    journal.close()
    fill(disk)
    journal = Journal.open(disk / "state", reserve_bytes=2 * MB)
    journal.append(rows(11, 20, 1000))
    assert journal.reserve == "given up"
    journal.close()


def test_a_new_file_is_begun_in_the_reserve_when_the_disk_is_full(disk):
    journal = Journal.open(disk / "state", reserve_bytes=2 * MB)
    journal.append(rows(1, 100, 1000))
    fill(disk)
    journal._failed = "disk I/O error"
    anew = journal.begin_anew(0)
    assert (anew.next_seq, anew.reserve, anew.renewed[0].kept) == (101, "given up", 100)
    anew.append(rows(101, 110))
    anew.close()


def test_without_any_room_a_new_file_can_be_begun_later(disk):
    journal = Journal.open(disk / "state")
    journal.append(rows(1, 100, 1000))
    other = fill(disk)
    journal._failed = "disk I/O error"
    for _ in range(2):
        with pytest.raises(JournalFull):
            journal.begin_anew(0)
    assert not list((disk / "state").glob("*.part*"))
    other.unlink()
    anew = journal.begin_anew(0)
    assert (anew.next_seq, anew.renewed[0].kept) == (101, 100)
    anew.close()


# --- the log


def log_bytes(folder: Path) -> int:
    return os.stat(folder / "journal.sqlite-wal").st_size


@pytest.fixture
def short_log(monkeypatch):
    """A log that is copied every 100 kB, and begun anew behind 1 MB."""
    monkeypatch.setattr(log, "COPIED_BYTES", 100_000)
    monkeypatch.setattr(log, "LONG_BYTES", MB)


def test_the_log_stays_small_with_a_reader_that_never_rests(tmp_path, short_log):
    journal, done, largest = Journal.open(tmp_path), threading.Event(), 0

    def read() -> None:
        reader = JournalReader.open(tmp_path)
        while not done.is_set():
            for _ in reader.select():
                pass
        reader.close()

    threads = [threading.Thread(target=read) for _ in range(2)]
    for thread in threads:
        thread.start()
    for first in range(1, 40_001, 400):
        journal.append(rows(first, first + 399, 1000))
        largest = max(largest, log_bytes(tmp_path))
    done.set()
    for thread in threads:
        thread.join()
    assert journal.size_bytes() > 40 * MB and largest <= 8 * MB
    journal.close()


def test_the_log_stays_small_with_a_reader_that_sleeps_between_two_calls(tmp_path, short_log):
    journal, largest = Journal.open(tmp_path), 0
    journal.append(rows(1, 1))
    code = ("import sys; from pathlib import Path; from collector.journal import JournalReader\n"
            "reader = JournalReader.open(Path(sys.argv[1]))\n"
            "for line in sys.stdin: print(len(reader.rows(0)), flush=True)")
    with subprocess.Popen([sys.executable, "-c", code, str(tmp_path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                          text=True) as child:
        child.stdin.write("\n")
        child.stdin.flush()
        assert child.stdout.readline() == "1\n"                # it has read, and holds its connection from here on
        for first in range(2, 40_001, 400):
            journal.append(rows(first, first + 399, 1000))
            largest = max(largest, log_bytes(tmp_path))
        child.stdin.close()
    assert largest <= 8 * MB
    journal.close()


@pytest.mark.punctual
def test_a_reader_in_the_middle_of_a_statement_never_holds_up_tidying(tmp_path):
    with closing(Journal.open(tmp_path)) as journal:
        journal.append(rows(1, 1000))
        with closing(JournalReader.open(tmp_path)) as reader:
            held = reader._db.execute("SELECT seq FROM record")
            held.fetchone()
            journal.append(rows(1001, 2000))
            begun = time.monotonic()
            journal.tidy()
            assert time.monotonic() - begun < 4, "it waited for the 5 s that a transaction may"
            size = os.stat(tmp_path / "journal.sqlite").st_size
            journal.append(rows(2001, 2001))
            held.close()
            journal.tidy()
            assert os.stat(tmp_path / "journal.sqlite").st_size > size, "what the reader held went into the file the next time"


def test_the_size_counts_the_log(tmp_path):
    journal = Journal.open(tmp_path)
    journal.append(rows(1, 1000, 1000))
    with_log = journal.size_bytes()
    log = log_bytes(tmp_path)
    journal.tidy()
    assert log > MB and with_log >= log and journal.size_bytes() > MB
    journal.close()


# --- retention: nothing goes that an output still needs


def cursor(state: Path, output: str, journal: Journal, through: int) -> None:
    (state / "outputs").mkdir(exist_ok=True)
    one = Cursor.open(state, output, journal.name, journal.next_seq - 1, Files())
    one.settle()
    one.deliver(through)


@pytest.mark.parametrize(("outputs", "goes"), [(["mes", "board"], 30), (["mes"], 100), (["mes", "new"], 0)])
def test_nothing_is_deleted_that_an_output_still_needs(tmp_path, outputs, goes):
    """`board` is far behind; `new` has said nothing yet; without `board` in the configuration nobody waits for it."""
    journal = Journal.open(tmp_path)
    journal.append(rows(1, 120))
    cursor(tmp_path, "mes", journal, 100)
    cursor(tmp_path, "board", journal, 30)
    assert journal.trim(delivered_through(tmp_path, outputs), FAR_AHEAD) == goes
    reader = JournalReader.open(tmp_path)
    assert [row.seq for row in reader.rows(0)] == list(range(goes + 1, 121))
    reader.close()
    journal.close()


def test_what_is_not_old_enough_stays_although_everybody_has_it(tmp_path):
    journal = Journal.open(tmp_path)
    journal.append(rows(1, 10))
    assert journal.trim(10, LONG_AGO) == 0
    journal.close()
