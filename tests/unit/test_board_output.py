"""The output kind `board`: its file, when it is written, what a folder that is away costs, how it is configured."""

import json
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from collector.clock import SystemClock
from collector.config.explain import explain
from collector.config.plan import read_plan
from collector.config.schema import configuration_schema
from collector.errors import ConfigError, OutputDown
from collector.files import Files
from collector.journal import Journal, JournalReader
from collector.outputs import OUTPUTS, Batch, board
from collector.outputs.board_known import Known
from collector.outputs.cursor import Cursor
from collector.outputs.delivery import Delivery, Signals, Waits
from collector.outputs.health import Health
from collector.outputs.refused import Refused
from tests.conftest import wait_for
from tests.faults.handover_bench import journal_of, row

CONFIG = """\
site: cell-4
ports:
  bore: {{device: /dev/ttyS9, format: line}}
formats:
  line: {{pattern: '(?P<value>[+-]?\\d+\\.\\d+)', unit: mm}}
parts:
  housing:
    bore: {{channel: bore, nominal: 12 mm, limits: {{lower: 0 mm, upper: +0.018 mm}}}}
outputs:
  wall: {{kind: board, {keys}}}
"""


class Bench:
    """The output `wall` of site `cell-4` over a journal, as its process runs it."""

    def __init__(self, place: Path, reader: JournalReader, **keys: object):
        self.state, self.folder, self.reader = place / "state", place / "inbox", reader
        (self.state / "outputs").mkdir(parents=True, exist_ok=True)
        self.folder.mkdir(exist_ok=True)
        self.file = self.folder / "cell-4-wall.html"
        self.keys = {"folder": str(self.folder), "every": "200 ms", **keys}
        self.signals, self.thread = Signals(threading.Event(), threading.Event()), None

    def build(self) -> board.Board:
        self.cursor = Cursor.open(self.state, "wall", self.reader.name, self.reader.last(), Files())
        self.cursor.settle()
        made = board.build("wall", "cell-4", board.Settings.model_validate(self.keys), self.cursor, Files())
        made.recall(self.state, self.reader)
        return made

    def start(self, adopt: str = "") -> None:
        made, clock = self.build(), SystemClock()
        self.delivery = Delivery("wall", (), made, self.reader, self.cursor, Refused(self.state, "wall", Files()),
                                 Health(self.state, "wall", clock), self.signals, clock, Waits(0.01, 0.01), adopt)
        self.thread = threading.Thread(target=self.delivery.run)
        self.thread.start()

    def stop(self) -> None:
        self.signals.stop.set()
        self.signals.wake.set()
        self.thread.join(10)
        self.signals = Signals(threading.Event(), threading.Event())

    def said(self) -> dict:
        return json.loads((self.state / "outputs" / "wall.status.json").read_bytes())

    def stamp(self) -> str:
        return self.file.read_text("utf-8").partition('data-stamp="')[2].partition('"')[0] if self.file.exists() else ""


@pytest.fixture
def bench(tmp_path):
    """Over a journal file with five records, opened by the thread that reads it."""
    journal_of(tmp_path / "journal", [row(seq) for seq in range(1, 6)]).close()
    made = Bench(tmp_path, Threaded(tmp_path / "journal"))
    yield made
    if made.thread and made.thread.is_alive():
        made.stop()


class Threaded:
    """A reader for each thread: SQLite's connections stay where they were made."""

    def __init__(self, folder: Path):
        self._folder, self._own = folder, threading.local()

    def __getattr__(self, name: str):
        if not hasattr(self._own, "reader"):
            self._own.reader = JournalReader.open(self._folder)
        return getattr(self._own.reader, name)


def test_the_file_is_written_anew_while_nothing_comes(bench):
    bench.start()
    wait_for(bench.stamp, "a board")
    first = bench.stamp()
    wait_for(lambda: bench.stamp() != first, "the next one")
    assert "12.000005" in bench.file.read_text("utf-8")
    assert bench.cursor.delivered == 5
    assert [path.name for path in bench.folder.iterdir() if not path.name.startswith(".")] == ["cell-4-wall.html"]


def test_it_is_written_no_oftener_than_it_should_be(bench):
    bench.keys |= {"every": "1 h", "stale": "3 h"}
    made = bench.build()
    made.idle()
    first = bench.stamp()
    for _ in range(10):
        made.write(Batch(1, 1, 1, (row(1),)))
        made.idle()
    assert bench.stamp() == first


def test_a_folder_that_is_away_holds_no_record_back_is_told_and_comes_back(bench, tmp_path):
    bench.folder.rename(tmp_path / "away")
    bench.start()
    wait_for(lambda: (bench.state / "outputs" / "wall.status.json").exists() and bench.said()["error"], "the fault")
    assert bench.said()["error"] == (f"output wall: the folder {bench.folder} is not there; is its share away? "
                                     "It is never made by us")
    wait_for(lambda: bench.cursor.delivered == 5, "all taken up")
    assert bench.said()["waiting"] == 0
    (tmp_path / "away").rename(bench.folder)
    wait_for(bench.stamp, "the board again")
    wait_for(lambda: not bench.said()["error"], "that all is well")


def test_a_folder_that_is_another_one_gets_nothing_until_a_person_adopts_it(bench, tmp_path):
    bench.start()
    wait_for(bench.stamp, "a board")
    bench.stop()
    bench.folder.rename(tmp_path / "away")
    bench.folder.mkdir()
    made = bench.build()
    for _ in range(2):                                   # also where it was not time to try again
        with pytest.raises(OutputDown, match="--adopt wall"):
            made.idle()
    assert list(bench.folder.iterdir()) == []
    bench.start(adopt="word")
    wait_for(bench.stamp, "the board in the new folder")


def test_a_link_where_the_file_is_made_is_not_followed(bench, tmp_path):
    (tmp_path / "other").write_text("mine")
    (bench.folder / ".cell-4-wall.html.part").symlink_to(tmp_path / "other")
    bench.file.symlink_to(tmp_path / "other")
    bench.build().idle()
    assert (tmp_path / "other").read_text() == "mine" and not bench.file.is_symlink()


def test_after_a_restart_it_knows_again_what_it_knew_without_reading_all(bench, tmp_path):
    asked = []

    class Counting(Threaded):
        def rows(self, after, most=500):
            asked.append(after)
            return self.__getattr__("rows")(after, most)

    journal = Journal.open(tmp_path / "journal")
    journal.append([row(seq) for seq in range(6, 12_001)])
    bench.reader = Counting(tmp_path / "journal")
    known = board.followed(Known(), bench.reader)
    assert known.seq == 12_000 and min(asked) == 12_000 - board.RECALLED and len(asked) == 4
    circuit, = known.circuits.values()
    assert circuit.newest.seq == 12_000 and len(circuit.last) == 20
    journal.append([row(seq) for seq in range(12_001, 12_011)])
    journal.close()
    asked.clear()
    assert board.followed(known, bench.reader) is known and known.seq == 12_010 and asked == [12_000]
    assert known.counts["bore-column"].found.total() == board.RECALLED + 10


# --- configuration


def plan_of(tmp_path, keys: str):
    (tmp_path / "c.yaml").write_text(CONFIG.format(keys=keys), encoding="utf-8")
    return read_plan(tmp_path / "c.yaml")


def test_check_says_where_the_board_is(tmp_path):
    plan = plan_of(tmp_path, "folder: /srv/wall")
    assert "Writes wall: a board to look at, anew each 1 s, to /srv/wall/cell-4-wall.html." in explain(plan)["words"]
    assert plan.outputs["wall"].settings.kinds == ()


@pytest.mark.parametrize("keys, says", [
    ("folder: /srv/wall, every: 50 ms", "every is 50 ms"),
    ("folder: /srv/wall, every: 5 s", "write stale: 15000 ms or more"),
    ("folder: srv", "is not a whole path"),
    ("folder: /srv/wall, kinds: [measurement]", "kinds"),
    ("every: 1 s", "folder"),
])
def test_settings_that_can_not_be_meant_are_refused_in_words(tmp_path, keys, says):
    with pytest.raises(ConfigError) as refused:
        plan_of(tmp_path, keys)
    assert says in str(refused.value)


def test_without_its_extra_the_kind_is_refused_with_what_to_install(tmp_path, monkeypatch):
    monkeypatch.setattr(board, "_NEEDS", ("no_such_library",))
    with pytest.raises(ConfigError) as refused:
        plan_of(tmp_path, "folder: /srv/wall")
    assert "pip install 'CHECKOUT[report]'" in str(refused.value)


def test_the_kind_is_in_the_schema():
    kinds = configuration_schema(OUTPUTS)["properties"]["outputs"]["additionalProperties"]["oneOf"]
    one, = [kind for kind in kinds if kind["properties"]["kind"] == {"const": "board"}]
    assert set(one["properties"]) == {"kind", "folder", "every", "stale", "sentinel", "group"}
    assert one["required"] == ["kind", "folder"]


def test_reading_a_configuration_with_a_board_loads_no_template_engine(tmp_path):
    plan_of(tmp_path, "folder: /srv/wall")
    code = ("import sys; from pathlib import Path; from collector.config.plan import read_plan; "
            "import collector.outputs.board_page; "
            "read_plan(Path(sys.argv[1])); sys.exit('jinja2' in sys.modules)")
    assert subprocess.run([sys.executable, "-c", code, str(tmp_path / "c.yaml")]).returncode == 0


@pytest.mark.parametrize("count", [20_000, pytest.param(1_000_000, marks=pytest.mark.long)])
def test_many_records_that_wait_are_no_reason_to_show_an_old_one(tmp_path, count):
    journal = Journal.open(tmp_path / "journal")
    for first in range(1, count + 1, 5000):
        journal.append([row(seq) for seq in range(first, first + 5000)])
    bench = Bench(tmp_path, Threaded(tmp_path / "journal"))
    began = time.monotonic()
    bench.start()
    try:
        newest = f"12.{count:06d}"
        wait_for(bench.stamp, "a board", 60)
        shown_s = time.monotonic() - began
        assert f"last: {newest}" in bench.file.read_text("utf-8")                     # the very first page has it
        journal.append([row(count + 1)])
        wait_for(lambda: f"12.{count + 1:06d}" in bench.file.read_text("utf-8"), "the next one")
        wait_for(lambda: bench.cursor.delivered == count + 1, "all stepped through", 120)
        print(f"first page {shown_s:.2f} s, all through {time.monotonic() - began:.1f} s")
    finally:
        bench.stop()
        journal.close()
