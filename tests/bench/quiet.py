"""One column that speaks now and then: how late its reading is durable, and when it can be seen in a growing file.

Both as a UART hands a frame over, in pieces at the pace of the wire, and with the whole frame at once.
"""

import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

from tests.bench.lateness import Disk
from tests.bench.stand import RUNS, Cell, folder, sized, wait
from tests.bench.table import Figure, at, median, say, spread

READINGS, PAUSE_S = sized(5, 50, 600), 0.3
_LOOK_S = 0                                   # a rest between two looks would be measured with the collector


def figures() -> Iterator[Figure]:
    runs = [one_run() for _ in range(RUNS)]
    pieces, whole, seen, disk = ([run[column] for run in runs] for column in range(4))
    stand = f"1 column, a reading each {PAUSE_S} s, {RUNS * READINGS} readings in {RUNS} runs"
    for name, found in (("last byte to durable", pieces), ("the same, the whole frame at once", whole)):
        for share, percent, most in ((0.5, "p50", 3), (0.99, "p99", 8)):
            probe = at(sum(disk, []), share)
            late = [at(run, share) for run in found]
            yield Figure(f"one column: {name}, {percent}", f"{most * probe:.2f} ms ({most} probes)", spread(late, "{:.2f} ms"),
                         f"{stand}; disk probe {percent} {probe:.2f} ms", median(late) <= most * probe)
    late = [at(run, 0.99) for run in seen]
    yield Figure("one column: last byte to visible in a growing file, p99", "100 ms", spread(late, "{:.0f} ms"),
                 f"{stand}; p50 {at(sum(seen, []), 0.5):.0f} ms", median(late) <= 100)


def one_run() -> tuple[list[float], list[float], list[float], list[float]]:
    """ms until a reading was durable, in pieces and at once, until it was in the file, and of each probe of the disk."""
    with folder() as place:
        (place / "out").mkdir()
        with Cell(place, 1, 0, f"  mes: {{kind: jsonl, folder: {place / 'out'}, publish: growing}}") as cell:
            wait(lambda: cell.delivered("mes") == cell.journal.last())
            path, = (place / "out").glob("*.jsonl")
            with Disk(place) as disk:
                pieces, seen = zip(*(one_reading(cell, path, cell.columns.frame) for _ in range(READINGS)))
                whole, seen_too = zip(*(one_reading(cell, path, partial(cell.columns.begin, 1)) for _ in range(READINGS)))
            cell.refuse_lost(2 * READINGS)
            seen += seen_too
            say(f"  durable p50 {at(pieces, 0.5):.2f} p99 {at(pieces, 0.99):.2f} ms; at once p50 {at(whole, 0.5):.2f} p99 "
                f"{at(whole, 0.99):.2f} ms; seen p50 {at(seen, 0.5):.1f} p99 {at(seen, 0.99):.1f} ms; probe p50 "
                f"{at(disk.ms, 0.5):.2f} p99 {at(disk.ms, 0.99):.2f} ms")
            return list(pieces), list(whole), list(seen), disk.ms


def one_reading(cell: Cell, path: Path, send: Callable[[], None]) -> tuple[float, float]:
    """ms until a reading is durable, and until its line is in the file."""
    time.sleep(PAUSE_S)
    last, size = cell.journal.last(), path.stat().st_size
    send()
    wait(lambda: cell.journal.last() > last, _LOOK_S)
    durable_ns = time.monotonic_ns()
    wait(lambda: path.stat().st_size > size, _LOOK_S)
    seen_ns, begun_ns = time.monotonic_ns(), cell.columns.ended()["begun_ns"]
    return (durable_ns - begun_ns) / 1e6, (seen_ns - begun_ns) / 1e6
