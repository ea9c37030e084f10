"""What every output promises, whatever its kind and way of publishing."""

import errno
import importlib
import json
import time
from pathlib import Path

import pytest

from collector.errors import StoppedByIO
from collector.journal import Journal, JournalReader, Row
from collector.outputs import OUTPUTS
from collector.outputs.csv_file import csv_header, csv_lines
from collector.outputs.folder import in_words
from collector.record import FIELDS
from tests.faults.faulty_files import FaultyFiles
from tests.faults.handover_bench import DAY_US, WAYS, Bench, journal_of, row, rows_over_midnight

GROWING = [way for way in WAYS if "growing" in way]
SEALED = [way for way in WAYS if "sealed" in way]


@pytest.fixture
def reader(tmp_path):
    reader = journal_of(tmp_path / "journal", rows_over_midnight(5))
    yield reader
    reader.close()


@pytest.mark.parametrize("way", WAYS)
def test_each_record_is_there_once_and_in_order_over_restarts_while_more_come(tmp_path, way):
    journal = Journal.open(tmp_path / "journal")
    journal.append([row(1)])
    reader = JournalReader.open(tmp_path / "journal")
    bench = Bench(tmp_path / "place", reader, **WAYS[way])
    for first in range(2, 40, 5):
        bench.run_once()
        journal.append([row(seq) for seq in range(first, first + 5)])
        bench.run_once()
        bench.run_once()
        assert bench.found() == list(range(1, first + 5))
        assert bench.cursor.delivered == first + 4
    reader.close()
    journal.close()


@pytest.mark.parametrize("way", WAYS)
def test_a_file_holds_the_journals_own_digits_and_nothing_else(tmp_path, reader, way):
    bench = Bench(tmp_path / "place", reader, **WAYS[way])
    bench.run_once()
    content = b"".join((bench.folder / name).read_bytes() for name in bench.names() if not name.endswith(".sha256"))
    if bench.kind == "jsonl":
        assert content == b"".join(one.body + b"\n" for one in reader.rows(0))
        return
    header, lines = csv_header(FIELDS), [b"".join(csv_lines([one.body], FIELDS)) for one in reader.rows(0)]
    assert content == header + b"".join(lines[:3]) + header + b"".join(lines[3:])
    assert b",12.000005," in content


@pytest.mark.parametrize("way", WAYS)
def test_only_the_kinds_asked_for_are_delivered_and_the_cursor_steps_over_the_rest(tmp_path, way):
    rows = [row(seq, kind="event" if seq % 3 == 0 else "measurement") for seq in range(1, 11)]
    reader = journal_of(tmp_path / "journal", rows)
    bench = Bench(tmp_path / "place", reader, **WAYS[way], kinds=["event"])
    bench.run_once()
    assert (bench.found(), bench.cursor.delivered) == ([3, 6, 9], 10)
    reader.close()


@pytest.mark.parametrize("way", WAYS)
def test_a_folder_without_its_sentinel_is_left_alone_until_a_person_says_that_it_is_new(tmp_path, reader, way):
    bench = Bench(tmp_path / "place", reader, **WAYS[way])
    bench.run_once()
    journal = Journal.open(tmp_path / "journal")
    journal.append([row(6, 20_009 * DAY_US)])
    journal.close()
    bench.folder.rename(tmp_path / "away")
    bench.folder.mkdir()
    bench.run_once()
    assert list(bench.folder.iterdir()) == []
    assert "is its share away?" in bench.error() and "--adopt mes" in bench.error()
    (bench.folder / ".cell-4-mes.sentinel").write_text("0" * 32 + "\n")
    bench.run_once()
    assert bench.names() == [] and "another sentinel" in bench.error()
    bench.run_once(adopt=True)
    assert (bench.found(), bench.error()) == ([6], "")


@pytest.mark.parametrize("way", WAYS)
def test_a_share_that_comes_back_gets_what_has_waited(tmp_path, reader, way):
    bench = Bench(tmp_path / "place", reader, **WAYS[way])
    bench.folder.rename(tmp_path / "away")
    bench.run_once()
    assert "is not there" in bench.error() and not bench.folder.exists()
    (tmp_path / "away").rename(bench.folder)
    bench.run_once()
    assert (bench.found(), bench.error()) == ([1, 2, 3, 4, 5], "")


@pytest.mark.parametrize("way", WAYS)
def test_without_a_sentinel_setting_none_is_made(tmp_path, reader, way):
    bench = Bench(tmp_path / "place", reader, **WAYS[way], sentinel="false")
    bench.run_once()
    assert bench.found() == [1, 2, 3, 4, 5]
    assert [path for path in bench.folder.iterdir() if path.name.startswith(".")] == []


@pytest.mark.parametrize("way", WAYS)
def test_a_record_that_can_never_be_written_is_set_aside_once_and_stepped_past(tmp_path, way):
    bad = Row(2, row(2).at_us, "event", "", "", "", b"{\n")
    reader = journal_of(tmp_path / "journal", [row(1), bad, row(3), row(4)])
    bench = Bench(tmp_path / "place", reader, **WAYS[way])
    for _ in range(2):
        bench.run_once()
    set_aside = [json.loads(line) for line in (bench.state / "outputs" / "mes.refused.jsonl").read_text().splitlines()]
    assert [(one["seq"], one["record"]) for one in set_aside] == [(2, "{\n")]
    assert (bench.found(), bench.cursor.delivered) == ([1, 3, 4], 4)
    assert json.loads((bench.state / "outputs" / "mes.status.json").read_bytes())["refused"] == 1
    reader.close()


@pytest.mark.parametrize("way", WAYS)
def test_a_record_is_set_aside_once_whatever_step_fails(tmp_path, way):
    reader = journal_of(tmp_path / "journal", [row(1), Row(2, row(2).at_us, "event", "", "", "", b"{\n"), row(3)])
    for n in range(1, 200):
        bench = Bench(tmp_path / str(n), reader, **WAYS[way])
        files = FaultyFiles(n, "dies-half-way")
        bench.run_once(files)
        bench.run_once()
        set_aside = (bench.state / "outputs" / "mes.refused.jsonl").read_text().splitlines()
        assert (n, bench.found(), [json.loads(line)["seq"] for line in set_aside]) == (n, [1, 3], [2])
        if not files.hit:
            reader.close()
            return
    raise AssertionError("the end was never reached")


@pytest.mark.punctual
@pytest.mark.parametrize("way", WAYS)
def test_stopping_takes_no_time_while_the_output_is_down(tmp_path, reader, way):
    bench = Bench(tmp_path / "place", reader, **WAYS[way])
    bench.folder.rmdir()
    began = time.monotonic()
    bench.run_once()
    assert time.monotonic() - began < 1


@pytest.mark.parametrize("way", WAYS)
def test_settings_come_out_the_same_when_they_are_handed_to_the_process(tmp_path, reader, way):
    bench = Bench(tmp_path / "place", reader, **WAYS[way])
    settings = importlib.import_module(OUTPUTS[bench.kind]).Settings
    one = settings.model_validate(bench.settings)
    sent = json.loads(json.dumps(one.model_dump(mode="json", by_alias=True, exclude_unset=True)))
    assert settings.model_validate(sent) == one


# --- sealed


@pytest.mark.parametrize("way", SEALED)
def test_a_sealed_file_is_named_by_its_first_and_last_seq(tmp_path, reader, way):
    bench = Bench(tmp_path / "place", reader, **WAYS[way])
    bench.run_once()
    stems = {name.partition(".")[0] for name in bench.names()}
    assert stems == {"cell-4-mes-000000000001-000000000003", "cell-4-mes-000000000004-000000000005"}


@pytest.mark.parametrize("way", SEALED)
def test_a_file_that_is_there_already_is_never_replaced(tmp_path, reader, way):
    bench = Bench(tmp_path / "place", reader, **WAYS[way])
    taken = bench.folder / f"cell-4-mes-000000000001-000000000003.{bench.kind}"
    taken.write_bytes(b"somebody else's\n")
    bench.run_once()
    assert taken.read_bytes() == b"somebody else's\n"
    assert "nothing is ever replaced" in bench.error()
    assert bench.cursor.delivered == 0


@pytest.mark.parametrize("way", SEALED)
def test_only_our_own_leftovers_are_removed(tmp_path, reader, way):
    bench = Bench(tmp_path / "place", reader, **WAYS[way])
    theirs = [".cell-4-mes-2-000000000001-000000000003.csv.part", ".cell-4-mess-000000000001-000000000003.csv.part",
              ".cell-4-mes-notes.csv.part"]
    for name in [*theirs, ".cell-4-mes-000000000001-000000000004.csv.part"]:
        (bench.folder / name).write_bytes(b"")
    bench.run_once()
    assert bench.hidden() == sorted(theirs)


def test_a_sealed_file_waits_until_its_oldest_record_has_waited(tmp_path, reader):
    bench = Bench(tmp_path / "place", reader, **WAYS["csv-sealed"])
    bench.settings |= {"records": "100", "every": "400 ms"}
    began = time.monotonic()
    bench.run_until_delivered(FaultyFiles())
    assert time.monotonic() - began > 0.4
    assert bench.names() == ["cell-4-mes-000000000001-000000000005.csv"]


# --- growing


@pytest.mark.parametrize("way", GROWING)
def test_a_growing_file_has_the_records_of_one_utc_day(tmp_path, reader, way):
    bench = Bench(tmp_path / "place", reader, **WAYS[way])
    bench.run_once()
    assert [name.rpartition(".")[0] for name in bench.names()] == ["cell-4-mes-2024-10-04", "cell-4-mes-2024-10-05"]


@pytest.mark.parametrize("way", GROWING)
def test_where_the_reader_has_taken_the_file_a_new_one_is_begun_whatever_step_dies(tmp_path, way):
    for n in range(1, 200):
        place = tmp_path / str(n)
        reader = journal_of(place / "journal", [row(1), row(2)])
        bench = Bench(place / "place", reader, **WAYS[way])
        bench.run_once()
        bench.take()
        journal = Journal.open(place / "journal")
        journal.append([row(3)])
        journal.close()
        files = FaultyFiles(n, "power-after")
        bench.run_once(files)
        bench.run_once()
        reader.close()
        assert (n, bench.found(), bench.error()) == (n, [1, 2, 3], "")
        if not files.hit:
            return
    raise AssertionError("the end was never reached")


def _grown(place: Path, way: str, change) -> Bench:
    """A growing output whose file was changed by someone between two batches."""
    reader = journal_of(place / "journal", [row(1), row(2)])
    bench = Bench(place / "place", reader, **WAYS[way])
    bench.run_once()
    change(bench.folder / bench.names()[0])
    journal = Journal.open(place / "journal")
    journal.append([row(3)])
    journal.close()
    bench.run_once()
    reader.close()
    return bench


@pytest.mark.parametrize("way", GROWING)
def test_a_file_that_someone_else_has_written_to_is_left_alone(tmp_path, way):
    bench = _grown(tmp_path, way, lambda path: path.write_bytes(path.read_bytes() + b"more\n"))
    assert "bytes that this output did not write" in bench.error()
    assert (bench.folder / bench.names()[0]).read_bytes().endswith(b"more\n")


@pytest.mark.parametrize("way", GROWING)
def test_a_file_that_someone_has_cut_is_left_alone(tmp_path, way):
    bench = _grown(tmp_path, way, lambda path: path.write_bytes(path.read_bytes()[:10]))
    assert "who has cut it?" in bench.error()
    assert (bench.folder / bench.names()[0]).stat().st_size == 10


def _dead_while_pending(place: Path, way: str) -> Bench:
    """A growing output that died with a batch pending, nothing of it in the file."""
    reader = journal_of(place / "journal", [row(1), row(2)])
    for n in range(1, 200):
        bench = Bench(place / str(n), reader, **WAYS[way])
        bench.run_once(FaultyFiles(n, "dies-before"))
        if bench.cursor.pending is not None:
            return bench
    raise AssertionError("it never died with a batch pending")


@pytest.mark.parametrize("way", GROWING)
def test_a_file_taken_while_a_batch_was_pending_takes_a_person(tmp_path, way):
    bench = _dead_while_pending(tmp_path, way)
    (bench.folder / bench.names()[0]).unlink()
    bench.run_once()
    assert bench.names() == [] and "--adopt mes" in bench.error()
    bench.run_once(adopt=True)
    assert (bench.found(), bench.error()) == ([1, 2], "")
    bench.reader.close()


@pytest.mark.parametrize("way", GROWING)
def test_another_way_of_publishing_after_a_death_repeats_nothing(tmp_path, way):
    bench = _dead_while_pending(tmp_path, way)
    bench.settings["publish"] = "sealed"
    bench.run_once()
    assert (bench.found(), bench.hidden()) == ([1, 2], [])
    bench.reader.close()


# --- a cursor that can't be right


def test_a_cursor_ahead_of_the_journal_is_refused(tmp_path, reader):
    bench = Bench(tmp_path / "place", reader, **WAYS["csv-sealed"])
    bench.run_once()
    path = bench.state / "outputs" / "mes.cursor"
    path.write_text(path.read_text().replace('"delivered":5', '"delivered":6'))
    with pytest.raises(StoppedByIO, match="is at 6, the journal only at 5"):
        bench.run_once()


def test_a_cursor_of_another_journal_is_refused(tmp_path, reader):
    bench = Bench(tmp_path / "place", reader, **WAYS["csv-sealed"])
    bench.run_once()
    other = journal_of(tmp_path / "other", rows_over_midnight(9))
    bench.reader = other
    with pytest.raises(StoppedByIO, match="was it replaced"):
        bench.run_once()
    other.close()


@pytest.mark.parametrize(("number", "says"), [
    (errno.ENOSPC, "is full"), (errno.EDQUOT, "quota"), (errno.EROFS, "read-only"), (errno.EACCES, "written to by this user"),
    (errno.ESTALE, "share away"), (errno.ENOTCONN, "share away"), (errno.EIO, "share away"), (errno.ENOENT, "not there"),
    (errno.EXDEV, "gave an error")])
def test_a_fault_of_the_folder_is_told_in_words(number, says):
    assert says in in_words(OSError(number, "so says the kernel"), Path("/srv/mes/inbox"))
