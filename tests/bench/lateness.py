"""How late a record is durable, and what a sync of the same disk takes at the same time."""

import bisect
import os
import threading
import time
from collections.abc import Iterator
from pathlib import Path

from collector.journal import JournalReader
from tests.bench.stand import Cell

_EACH_RECORDS, _ROWS = 400, 4


class Durable(threading.Thread):
    """Writes down how far the journal had got, and when, each millisecond; in a thread of the benchmark."""

    def __init__(self, folder: Path):
        super().__init__(daemon=True)
        self._folder, self._over = folder, threading.Event()
        self.at_ns: list[int] = []
        self.seq: list[int] = []

    def run(self) -> None:
        journal, last = JournalReader.open(self._folder / "state"), 0
        while not self._over.wait(0.001):
            found = journal.last()
            if found != last:
                last = found
                self.at_ns.append(time.monotonic_ns())
                self.seq.append(found)
        journal.close()

    def __enter__(self) -> "Durable":
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        time.sleep(0.01)                      # the last commit is seen too
        self._over.set()
        self.join()

    def when_ns(self, seq: int) -> int:
        """When a record was first seen to be durable."""
        return self.at_ns[bisect.bisect_left(self.seq, seq)]


class Disk(threading.Thread):
    """Probes the disk while a benchmark runs: a small append and fdatasync ten times a second; `ms` of each."""

    def __init__(self, folder: Path, each_s: float = 0.1):
        super().__init__(daemon=True)
        self._folder, self._over, self._each_s = folder, threading.Event(), each_s
        self.ms: list[float] = []

    def run(self) -> None:
        fd = os.open(self._folder / "probe", os.O_CREAT | os.O_WRONLY | os.O_APPEND, 0o600)
        while True:
            begun = time.perf_counter()
            os.write(fd, b"x" * 512)
            os.fdatasync(fd)
            self.ms.append((time.perf_counter() - begun) * 1000)
            if self._over.wait(self._each_s):
                break
        os.close(fd)

    def __enter__(self) -> "Disk":
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self.join()


def latencies(cell: Cell, told: dict, durable: Durable) -> Iterator[float]:
    """ms from giving a line's last byte to the kernel to its record being durable, for every hundredth record."""
    ticks, reached = told["ticks"][0::2], told["ticks"][1::2]
    for first in range(cell.before + 1, cell.journal.last(), _EACH_RECORDS):
        for row in cell.journal.select(kinds=("measurement",), first=first, through=first + _ROWS):
            number = int(row.body.split(b'"serial":"')[1][:6]) - told["from"]
            tick = bisect.bisect_right(reached, number)         # the first tick at which more lines than `number` were whole
            yield (durable.when_ns(row.seq) - ticks[tick]) / 1e6
