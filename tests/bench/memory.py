"""Whether memory stays flat while columns speak and files grow: the collector's and that of its outputs, each second."""

import threading
from collections.abc import Iterator

from tests.bench.columns import LINE_BYTES
from tests.bench.delivered import behind, outputs
from tests.bench.stand import WIRE_BYTES, Cell, folder, memory_mb, option, sized, wait
from tests.bench.table import Figure, median, say

PORTS, SECONDS = sized(4, 64), option("--seconds", sized(3, 120, 3600))
PACE_BYTES = WIRE_BYTES // 16                  # an hour at the full rate would be 70 GB of journal
_FLAT_MB = 2.0
_PARTS = 6


def figures() -> Iterator[Figure]:
    seen = one_run()
    rate = PORTS * PACE_BYTES / LINE_BYTES
    stand = f"{PORTS} ports, {rate:,.0f} frames/s, CSV and JSON lines growing, {SECONDS} s; medians of the second sixth and of the last"
    for name, early, late, most in map(told, ("the collector", "CSV", "JSON lines"), seen):
        yield Figure(f"memory of {name}, early and late", f"flat (within {_FLAT_MB:g} MB)", f"{early:.1f} and {late:.1f} MB",
                     f"{stand}; at most {most:.1f} MB", late - early <= _FLAT_MB)


def told(name: str, mb: list[float]) -> tuple[str, float, float, float]:
    part = max(1, len(mb) // _PARTS)
    return name, median(mb[part:2 * part]), median(mb[-part:]), max(mb)


def one_run() -> list[list[float]]:
    """MB each second, of the collector and of its two outputs."""
    with folder() as place, Cell(place, PORTS, PACE_BYTES, outputs(place, "growing")) as cell:
        wait(lambda: behind(cell) == 0)
        pids = [cell.daemon.pid, *cell.daemon.children()]        # the outputs in the order of the configuration
        over, seen = threading.Event(), [[] for _ in pids]

        def look() -> None:
            while not over.wait(1):
                for pid, mb in zip(pids, seen):
                    mb.append(memory_mb(pid))
                if len(seen[0]) % 600 == 0:
                    say(f"  {len(seen[0])} s: {', '.join(f'{mb[-1]:.1f}' for mb in seen)} MB")

        watching = threading.Thread(target=look)
        watching.start()
        try:
            poured = cell.pour(SECONDS * PACE_BYTES // LINE_BYTES)
        finally:
            over.set()
            watching.join()
        wait(lambda: behind(cell) == 0)
        assert cell.daemon.children() == pids[1:] and len(pids) == 3, "an output was begun anew"
        say(f"  {poured.records:,} records, {poured.shares()}")
        return seen
