"""One column that speaks now and then: how late its reading is durable, and when it can be seen in a growing file."""

import time
from collections.abc import Iterator
from pathlib import Path

from tests.bench.lateness import Disk
from tests.bench.stand import RUNS, Cell, folder, sized, wait
from tests.bench.table import Figure, at, median, say, spread

READINGS, PAUSE_S = sized(5, 50, 600), 0.3
_LOOK_S = 0.00005


def figures() -> Iterator[Figure]:
    runs = [one_run() for _ in range(RUNS)]
    durable, seen, disk = ([one for run in runs for one in run[column]] for column in range(3))
    stand = f"1 column, a reading each {PAUSE_S} s, {len(durable)} readings in {RUNS} runs"
    for share, name, most in ((0.5, "p50", 3), (0.99, "p99", 8)):
        goal, found = most * at(disk, share), [at(run[0], share) for run in runs]
        yield Figure(f"one column: last byte to durable, {name}", f"{goal:.1f} ms ({most} probes)", spread(found, "{:.1f} ms"),
                     f"{stand}; disk probe {name} {at(disk, share):.2f} ms", median(found) <= goal)
    found = [at(run[1], 0.99) for run in runs]
    yield Figure("one column: last byte to visible in a growing file, p99", "100 ms", spread(found, "{:.0f} ms"),
                 f"{stand}; p50 {at(seen, 0.5):.0f} ms", median(found) <= 100)


def one_run() -> tuple[list[float], list[float], list[float]]:
    """ms of each reading until it was durable, until it was in the file, and of each probe of the disk."""
    with folder() as place:
        (place / "out").mkdir()
        with Cell(place, 1, 0, f"  mes: {{kind: jsonl, folder: {place / 'out'}, publish: growing}}") as cell:
            wait(lambda: cell.delivered("mes") == cell.journal.last())
            path, = (place / "out").glob("*.jsonl")
            with Disk(place) as disk:
                durable, seen = zip(*(one_reading(cell, path) for _ in range(READINGS)))
            cell.refuse_lost(READINGS)
            say(f"  durable p50 {at(durable, 0.5):.2f} p99 {at(durable, 0.99):.2f} ms; seen p50 {at(seen, 0.5):.1f} p99 "
                f"{at(seen, 0.99):.1f} ms; probe p50 {at(disk.ms, 0.5):.2f} p99 {at(disk.ms, 0.99):.2f} ms")
            return durable, seen, disk.ms


def one_reading(cell: Cell, path: Path) -> tuple[float, float]:
    """ms until a reading is durable, and until its line is in the file."""
    time.sleep(PAUSE_S)
    last, size = cell.journal.last(), path.stat().st_size
    cell.columns.begin(1)
    wait(lambda: cell.journal.last() > last, _LOOK_S)
    durable_ns = time.monotonic_ns()
    wait(lambda: path.stat().st_size > size, _LOOK_S)
    seen_ns, begun_ns = time.monotonic_ns(), cell.columns.ended()["begun_ns"]
    return (durable_ns - begun_ns) / 1e6, (seen_ns - begun_ns) / 1e6
