"""A share that goes away in the middle of a batch, an empty folder in its place: nothing is lost to that folder."""

import itertools
import json
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import msgspec
import pytest

from collector.journal import Journal, JournalReader
from tests.faults.faulty_files import FaultyFiles
from tests.faults.handover_bench import WAYS, Bench, journal_of, row, rows_over_midnight

GROWING = [way for way in WAYS if "growing" in way]


class Share:
    """The bench's folder as a mounted share: `leave` lets an ordinary empty folder show, `come_back` ends that."""

    def __init__(self, bench: Bench):
        self._folder, self._away = bench.folder, bench.folder.with_name("away")

    def leave(self) -> None:
        self._folder.rename(self._away)
        self._folder.mkdir()

    def come_back(self) -> list[str]:
        """What had been written to the ordinary folder meanwhile."""
        if not self._away.exists():
            return []
        written = sorted(path.name for path in self._folder.iterdir())
        for name in written:
            (self._folder / name).unlink()
        self._folder.rmdir()
        self._away.rename(self._folder)
        return written


_watchers: list[Callable[[str], None]] = []


def _on_audit(event: str, arguments: tuple) -> None:
    if _watchers and event in ("open", "os.rename", "os.remove", "os.listdir", "os.scandir"):
        where = arguments[0]
        if isinstance(where, str | os.PathLike):
            _watchers[-1](os.fspath(where))


sys.addaudithook(_on_audit)            # tells of each access before it is made; it can never be taken out again


@contextmanager
def before_access(folder: Path, n: int, act: Callable[[], None]) -> Iterator[itertools.count]:
    """Acts just before the n-th access to something in the folder, a reading one or a writing one."""
    seen = itertools.count(1)

    def watch(where: str) -> None:
        if where.startswith((str(folder), "/proc/self/fd/")) and next(seen) == n:      # by its name, and while it is held open
            _watchers.pop()
            act()

    _watchers.append(watch)
    try:
        yield seen
    finally:
        _watchers.clear()


class SlowRendering:
    """Takes so long over a batch's lines that `meanwhile` happens."""

    def __init__(self, rendering, meanwhile):
        self._rendering, self._meanwhile = rendering, meanwhile
        self.suffix, self.header = rendering.suffix, rendering.header

    def lines(self, rows: tuple) -> bytes:
        self._meanwhile()
        return self._rendering.lines(rows)


def used(place: Path, way: str) -> Bench:
    """An output that has delivered record 1 to its folder and has 2 and 3 before it."""
    reader = journal_of(place / "journal", [row(1)])
    bench = Bench(place / "place", reader, **WAYS[way])
    bench.run_once()
    journal = Journal.open(place / "journal")
    journal.append([row(2), row(3)])
    journal.close()
    return bench


@pytest.mark.parametrize("way", WAYS)
def test_nothing_is_written_where_the_share_went_away_while_lines_were_made(tmp_path, way):
    bench = used(tmp_path, way)
    share = Share(bench)
    delivery = bench.build(FaultyFiles(), stop=True)
    place = delivery._output._place
    delivery._output._place = msgspec.structs.replace(place, rendering=SlowRendering(place.rendering, share.leave))
    delivery.run()
    assert share.come_back() == []                     # it went on in the folder that it had begun in
    bench.run_once()
    assert (bench.found(), bench.error()) == ([1, 2, 3], "")
    bench.reader.close()


@pytest.mark.parametrize("taken_before", [False, True])
@pytest.mark.parametrize("way", WAYS)
def test_a_share_that_goes_away_after_any_step_gets_each_record_once_when_it_is_back(tmp_path, steps, way, taken_before):
    for n in steps:
        bench = used(tmp_path / str(n), way)
        if taken_before:
            bench.take()
        share, done = Share(bench), itertools.count(1)
        bench.run_once(FaultyFiles(after_step=lambda: share.leave() if next(done) == n else None))
        assert share.come_back() == []
        bench.run_once()
        assert (n, bench.found(), bench.error(), bench.hidden()) == (n, [1, 2, 3], "", [])
        bench.reader.close()
        if next(done) <= n:
            return


@pytest.mark.parametrize("taken_before", [False, True])
@pytest.mark.parametrize("way", WAYS)
def test_a_share_that_goes_away_before_any_access_gets_each_record_once_when_it_is_back(tmp_path, steps, way, taken_before):
    for n in steps:
        bench = used(tmp_path / str(n), way)
        if taken_before:
            bench.take()
        share = Share(bench)
        with before_access(bench.folder, n, share.leave) as seen:
            bench.run_once()
        assert share.come_back() == []
        bench.run_once()
        assert (n, bench.found(), bench.error(), bench.hidden()) == (n, [1, 2, 3], "", [])
        bench.reader.close()
        if next(seen) <= n:
            assert n > 5
            return


@pytest.mark.parametrize("way", WAYS)
def test_a_share_that_goes_away_while_a_pending_batch_is_finished_loses_nothing(tmp_path, steps, way):
    reader = journal_of(tmp_path / "journal", rows_over_midnight(5))
    reached = 0
    for n in steps:
        was_reached = False
        for bench, _ in died_pending(tmp_path / str(n), reader, way):
            share = Share(bench)
            with before_access(bench.folder, n, share.leave) as seen:
                bench.run_once()
            was_reached |= next(seen) > n
            assert share.come_back() == []
            bench.run_once()
            assert (n, bench.found(), bench.error(), bench.hidden()) == (n, [1, 2, 3, 4, 5], "", [])
        reached = n if was_reached else reached
        if n >= 8:
            break
    assert reached >= 6
    reader.close()


def test_where_a_folder_is_found_by_its_name_only_a_witness_that_is_away_is_not_taken_for_named(tmp_path, monkeypatch):
    """As on systems without /proc, where each step may meet another folder under the same name."""
    is_folder = os.path.isdir
    monkeypatch.setattr(os.path, "isdir", lambda path: path != "/proc/self/fd" and is_folder(path))
    reader = journal_of(tmp_path / "journal", rows_over_midnight(5))
    for n in range(1, 9):
        for bench, _ in died_pending(tmp_path / str(n), reader, "csv-sealed"):
            share = Share(bench)
            with before_access(bench.folder, n, share.leave):
                bench.run_once()
            share.come_back()
            bench.run_once()
            assert (n, bench.found(), bench.error(), bench.hidden()) == (n, [1, 2, 3, 4, 5], "", [])
    reader.close()


def died_pending(place: Path, reader: JournalReader, way: str) -> Iterator[tuple[Bench, int]]:
    """This output after each death that left a batch pending in the cursor's file; and how far that file says it is."""
    for n in itertools.count(1):
        bench = Bench(place / str(n), reader, **WAYS[way])
        files = FaultyFiles(n, "dies-after")
        bench.run_once(files)
        cursor = bench.state / "outputs" / "mes.cursor"
        said = json.loads(cursor.read_bytes()) if cursor.exists() else {"pending": None}
        if said["pending"]:
            yield bench, said["delivered"]
        if not files.hit:
            return


@pytest.mark.parametrize("way", WAYS)
def test_adopting_the_folder_that_it_was_all_along_changes_nothing(tmp_path, way):
    reader, tried = journal_of(tmp_path / "journal", rows_over_midnight(5)), 0
    for bench, _ in died_pending(tmp_path, reader, way):
        bench.settings["records"] = "4"                # another batch would be cut now than the one that was begun
        bench.run_once(adopt=True)
        assert (bench.found(), bench.error()) == ([1, 2, 3, 4, 5], "")
        tried += 1
    assert tried > 3
    reader.close()


@pytest.mark.parametrize("way", WAYS)
def test_a_new_folder_gets_a_pending_batch_whole(tmp_path, way):
    reader = journal_of(tmp_path / "journal", rows_over_midnight(5))
    for bench, delivered in died_pending(tmp_path, reader, way):
        bench.folder.rename(bench.folder.with_name("old"))
        bench.folder.mkdir()
        bench.run_once(adopt=True)
        assert (bench.found(), bench.error()) == (list(range(delivered + 1, 6)), "")
    reader.close()


def test_a_folder_is_not_adopted_before_it_is_there(tmp_path):
    reader = journal_of(tmp_path / "journal", rows_over_midnight(5))
    for bench, _ in died_pending(tmp_path, reader, "csv-sealed"):
        away = bench.folder.rename(bench.folder.with_name("away"))
        bench.run_once(adopt=True)
        assert "is not there" in bench.error()
        away.rename(bench.folder)
        bench.settings["records"] = "4"
        bench.run_once()
        assert (bench.found(), bench.error()) == ([1, 2, 3, 4, 5], "")
    reader.close()


@pytest.mark.parametrize("changed", [{"columns": ["seq", "value", "id"]}, {"delimiter": ";"}, {"bom": "true"}])
def test_lines_of_other_columns_never_go_under_a_header_that_is_there(tmp_path, changed):
    bench = used(tmp_path, "csv-growing")
    name, = bench.names()
    before = (bench.folder / name).read_bytes()
    bench.settings |= changed
    bench.run_once()
    assert (bench.folder / name).read_bytes() == before
    assert "settings were changed" in bench.error()
    (bench.folder / name).rename(tmp_path / name)
    bench.run_once()
    assert bench.error() == "" and (bench.folder / name).read_bytes().count(b"\r\n") == 3
    bench.reader.close()
