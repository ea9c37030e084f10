"""One output, its journal and its folder, run as often as a test likes; and what a reader of the folder has got."""

import csv
import hashlib
import importlib
import io
import json
import secrets
import threading
import time
from decimal import Decimal
from pathlib import Path

from collector.clock import SystemClock
from collector.files import Files
from collector.journal import Journal, JournalReader, Row
from collector.outputs import OUTPUTS
from collector.outputs.cursor import Cursor
from collector.outputs.delivery import Delivery, Signals, Waits
from collector.outputs.health import Health
from collector.outputs.refused import Refused
from collector.record import Record, encode, number
from tests.faults.faulty_files import Died, FaultyFiles

DAY_US = 86_400_000_000
WAYS = {
    "csv-sealed": {"kind": "csv"},
    "csv-sealed-checksum": {"kind": "csv", "checksum-file": "true"},
    "csv-growing": {"kind": "csv", "publish": "growing"},
    "jsonl-sealed": {"kind": "jsonl"},
    "jsonl-growing": {"kind": "jsonl", "publish": "growing"},
}


def row(seq: int, at_us: int = 0, kind: str = "measurement", **fields: object) -> Row:
    """A journal row of a small record."""
    record = Record(seq=seq, id=f"cell-4-TEST0001-{seq}", time="2026-03-02T07:15:00.000000Z", kind=kind, site="cell-4",
                    port="bore-column", value=number(Decimal(f"12.{seq:06d}")), **fields)
    return Row(seq, at_us or 1_772_000_000_000_000 + seq, kind, "bore-column", "", "", encode(record))


def rows_over_midnight(count: int) -> list[Row]:
    """Records of which the last two came after midnight, UTC."""
    day = 20_000 * DAY_US
    return [row(seq, day + seq + (DAY_US if seq > count - 2 else 0)) for seq in range(1, count + 1)]


def journal_of(folder: Path, rows: list[Row]) -> JournalReader:
    """A journal with these rows, closed, and a reader of it."""
    journal = Journal.open(folder)
    journal.append(rows)
    journal.close()
    return JournalReader.open(folder)


class Unhurried(SystemClock):
    """Its steady time stands still: what a stop has two seconds for has all the time there is, however busy the machine."""

    @staticmethod
    def steady_ns() -> int:
        return 0


class Bench:
    """The output `mes` of site `cell-4` in a folder of its own."""

    def __init__(self, place: Path, reader: JournalReader, cursor: type[Cursor] = Cursor, **settings: object):
        """`settings` as in the configuration, and `kind`."""
        self.state, self.folder, self.reader, self._cursor = place / "state", place / "inbox", reader, cursor
        for folder in (self.state / "outputs", self.folder):
            folder.mkdir(parents=True, exist_ok=True)
        self.kind = settings.pop("kind")
        self.settings = {"folder": str(self.folder), "records": "3", "every": "0 s", **settings}
        self.taken: list[bytes] = []

    def build(self, files: Files, stop: bool, adopt: bool = False) -> Delivery:
        """A process of this output, as it starts.  `stop`: it tries each batch once and ends."""
        module = importlib.import_module(OUTPUTS[self.kind])
        settings = module.Settings.model_validate(self.settings)
        self.cursor = self._cursor.open(self.state, "mes", self.reader.name, self.reader.last(), files)
        output = module.build("mes", "cell-4", settings, self.cursor, files)
        self.signals = Signals(threading.Event(), threading.Event())
        if stop:
            self.signals.stop.set()
        clock = Unhurried() if stop else SystemClock()
        return Delivery("mes", settings.kinds, output, self.reader, self.cursor, Refused(self.state, "mes", files),
                        Health(self.state, "mes", clock), self.signals, clock, Waits(0.001, 0.001),
                        secrets.token_hex(8) if adopt else "")

    def run_once(self, files: Files | None = None, adopt: bool = False) -> None:
        """From a start to a stop, or to the death that `files` has in store."""
        try:
            self.build(files or FaultyFiles(), stop=True, adopt=adopt).run()
        except Died:
            return

    def run_until_delivered(self, files: Files) -> None:
        """One process, that goes on after faults by itself."""
        delivery = self.build(files, stop=False)
        thread = threading.Thread(target=self._stop_when_delivered, args=(self.reader.last(),))
        thread.start()
        delivery.run()
        thread.join()

    def _stop_when_delivered(self, last: int) -> None:
        deadline = time.monotonic() + 10
        while self.cursor.delivered < last and time.monotonic() < deadline:
            self.signals.wake.set()
            time.sleep(0.0005)
        self.signals.stop.set()
        self.signals.wake.set()

    def error(self) -> str:
        """What the output says is wrong."""
        return json.loads((self.state / "outputs" / "mes.status.json").read_bytes())["error"]

    def names(self) -> list[str]:
        return sorted(path.name for path in self.folder.iterdir() if not path.name.startswith("."))

    def hidden(self) -> list[str]:
        return sorted(path.name for path in self.folder.iterdir() if path.name.endswith(".part"))

    def take(self) -> None:
        """A reader that takes each finished file at once, and deletes it."""
        for name in self.names():
            path = self.folder / name
            if path.suffix == ".sha256":
                continue
            content = path.read_bytes()
            if "checksum-file" in self.settings:
                beside = self.folder / f"{name}.sha256"
                assert beside.read_text() == f"{hashlib.sha256(content).hexdigest()}  {name}\n"
                beside.unlink()
            path.unlink()
            self.taken.append(content)

    def found(self) -> list[int]:
        """The seqs that the reader has got, in the order in which it got them."""
        left = [(self.folder / name).read_bytes() for name in self.names() if not name.endswith(".sha256")]
        return [seq for content in [*self.taken, *left] for seq in self._seqs(content)]

    def _seqs(self, content: bytes) -> list[int]:
        if self.kind == "jsonl":
            assert not content or content.endswith(b"\n")
            return [json.loads(line)["seq"] for line in content.splitlines()]
        if not content:
            return []
        assert content.endswith(b"\r\n")
        lines = list(csv.reader(io.StringIO(content.decode(), newline=""), strict=True))
        assert lines[0][:2] == ["seq", "id"]
        assert {len(line) for line in lines} == {len(lines[0])}
        return [int(line[0]) for line in lines[1:]]
