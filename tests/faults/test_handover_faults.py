"""Whatever step of a handover fails, or kills the process, or is where the power goes: every record exactly once."""

import itertools
import shutil
from functools import partial
from pathlib import Path

import pytest

from collector.journal import JournalReader
from collector.outputs.cursor import Cursor, Pending
from tests.faults.faulty_files import DEATHS, ERRORS, Died, FaultyFiles
from tests.faults.handover_bench import WAYS, Bench, journal_of, rows_over_midnight

ROWS = 5
EVERY_SEQ = list(range(1, ROWS + 1))
SEALED = [way for way in WAYS if "sealed" in way]
KILLS = [fault for fault in DEATHS if fault.startswith("dies")]


@pytest.fixture
def reader(tmp_path):
    reader = journal_of(tmp_path / "journal", rows_over_midnight(ROWS))
    yield reader
    reader.close()


@pytest.mark.parametrize("fault", ERRORS + DEATHS)
@pytest.mark.parametrize("way", WAYS)
def test_each_record_is_delivered_once_though_any_step_fails_and_the_process_starts_anew(tmp_path, reader, steps, way, fault):
    for n in steps:
        bench = Bench(tmp_path / str(n), reader, **WAYS[way])
        files = FaultyFiles(n, fault)
        bench.run_once(files)
        bench.settings["records"] = "4"                # another batch would be cut now than the one that was begun
        bench.run_once()
        assert (n, bench.found(), bench.hidden()) == (n, EVERY_SEQ, [])
        if not files.hit:
            assert n > 30
            return


@pytest.mark.parametrize("fault", ERRORS)
@pytest.mark.parametrize("way", WAYS)
def test_each_record_is_delivered_once_though_any_step_fails_and_the_process_goes_on(tmp_path, reader, steps, way, fault):
    for n in steps:
        bench = Bench(tmp_path / str(n), reader, **WAYS[way])
        files = FaultyFiles(n, fault)
        bench.run_until_delivered(files)
        bench.run_once()
        assert (n, bench.found(), bench.hidden()) == (n, EVERY_SEQ, [])
        if not files.hit:
            return


@pytest.mark.parametrize("fault", ERRORS + tuple(KILLS))
@pytest.mark.parametrize("way", SEALED)
def test_a_reader_that_takes_each_sealed_file_at_once_gets_each_record_once(tmp_path, reader, steps, way, fault):
    for n in steps:
        bench = Bench(tmp_path / str(n), reader, **WAYS[way])
        files = FaultyFiles(n, fault, after_step=bench.take)
        bench.run_once(files)
        bench.take()
        bench.run_once(FaultyFiles(after_step=bench.take))
        bench.take()
        assert (n, bench.found(), bench.names()) == (n, EVERY_SEQ, [])
        if not files.hit:
            return


@pytest.mark.parametrize("way", ["csv-sealed-checksum", "csv-growing"])
def test_power_that_goes_while_recovering_from_a_kill_changes_nothing(tmp_path, reader, way):
    for n in itertools.count(1):
        for m in range(2, 15, 3):
            bench = Bench(tmp_path / f"{n}-{m}", reader, **WAYS[way])
            files = FaultyFiles(n, "dies-after")
            bench.run_once(files)
            bench.run_once(FaultyFiles(m, "power-before", before=files))
            bench.run_once()
            assert (n, m, bench.found(), bench.hidden()) == (n, m, EVERY_SEQ, [])
        if not files.hit:
            return


def dead_while_pending(place: Path, reader: JournalReader, way: str, n: int) -> Bench | None:
    """An output that died at step n, where it had a batch pending then."""
    bench = Bench(place, reader, **WAYS[way])
    bench.run_once(FaultyFiles(n, "dies-before"))
    return bench if bench.cursor.pending else None


def pending_from(place: Path, reader: JournalReader, way: str) -> int:
    """The first step at which its death leaves a batch pending: nothing of that has its name yet."""
    return next(n for n in itertools.count(1) if dead_while_pending(place / f"dead-{n}", reader, way, n))


@pytest.mark.parametrize("fault", ["power-before", "dies-after"])
@pytest.mark.parametrize("way", WAYS)
def test_bytes_that_the_power_has_torn_are_written_again_whatever_happens_meanwhile(tmp_path, reader, way, fault):
    died_at = pending_from(tmp_path, reader, way)
    for n in itertools.count(1):
        bench = dead_while_pending(tmp_path / str(n), reader, way, died_at)
        pending = bench.cursor.pending
        path = bench.folder / (f".{pending.file}.part" if way in SEALED else pending.file)
        path.write_bytes(b"\0" * (pending.length // 2))
        files = FaultyFiles(n, fault)
        bench.run_once(files)
        bench.run_once()
        assert (n, bench.found(), bench.hidden()) == (n, EVERY_SEQ, [])
        if not files.hit:
            return


@pytest.mark.parametrize("way", SEALED)
def test_a_name_beside_the_hidden_file_is_durable_before_the_batch_counts_as_delivered(tmp_path, reader, way):
    """A share that renames by copying was cut off in the middle: both are there, and the name may go with the power."""
    died_at = pending_from(tmp_path, reader, way)
    for n in itertools.count(1):
        bench = dead_while_pending(tmp_path / str(n), reader, way, died_at)
        pending, dead = bench.cursor.pending, FaultyFiles()
        name = bench.folder / pending.file
        shutil.copyfile(bench.folder / f".{pending.file}.part", name)
        dead._undo.append((bench.folder, partial(name.unlink, missing_ok=True)))
        files = FaultyFiles(n, "power-before", before=dead)
        bench.run_once(files)
        bench.run_once()
        assert (n, bench.found(), bench.hidden()) == (n, EVERY_SEQ, [])
        if not files.hit:
            return


def test_the_power_cut_of_this_harness_empties_no_file_that_has_the_number_of_one_that_is_gone(tmp_path):
    for n in range(20):                                # any process beside us may take the number first
        folder = tmp_path / str(n)
        folder.mkdir()
        gone, filler, kept = (folder / name for name in ("gone", "filler", "kept"))
        killed = FaultyFiles(4, "dies-before")
        with pytest.raises(Died):
            killed.write_new(gone, b"not synced")
        gone.unlink()
        filler.touch()                                 # has the number now, until there is a new content
        kept.write_bytes(b"as it was")

        def free_the_number() -> None:
            if kept.read_bytes() != b"as it was":
                filler.unlink()
        with pytest.raises(Died):
            FaultyFiles(6, "power-before", free_the_number, before=killed).replace(kept, b"as it will be")
        assert kept.read_bytes() == b"as it was"


class Forgetful(Cursor):
    """A cursor without step 2: it does not say what is about to be handed over."""

    def hold(self, pending: Pending) -> None:
        return


@pytest.mark.parametrize("way", ["csv-sealed", "jsonl-growing"])
def test_without_the_pending_batch_in_the_cursor_this_harness_finds_a_fault(tmp_path, reader, way):
    wrong = []
    for n in itertools.count(1):
        bench = Bench(tmp_path / str(n), reader, Forgetful, **WAYS[way])
        files = FaultyFiles(n, "dies-after", after_step=bench.take if way in SEALED else lambda: None)
        bench.run_once(files)
        if way in SEALED:
            bench.take()
        bench.run_once()
        if bench.found() != EVERY_SEQ:
            wrong.append(n)
        if not files.hit:
            break
    assert wrong
