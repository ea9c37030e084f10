"""64 columns that say nothing: what the collector costs then, and how much memory it and each output hold."""

import time
from collections.abc import Iterator

from tests.bench.delivered import outputs
from tests.bench.stand import RUNS, Cell, cpu_s, folder, memory_mb, sized
from tests.bench.table import Figure, median, say, spread

PORTS, SECONDS = sized(4, 64), sized(1, 15, 120)


def figures() -> Iterator[Figure]:
    shares, collector, output = (list(column) for column in zip(*(one_run() for _ in range(RUNS))))
    stand = f"{PORTS} silent ports, CSV and JSON lines, {SECONDS} s, {RUNS} runs"
    yield Figure("idle: collector and outputs together, of one core", "0.5 %", spread(shares, "{:.2%}"), stand, median(shares) <= 0.005)
    yield Figure("idle: memory of the collector", "60 MB", spread(collector, "{:.1f} MB"), stand, median(collector) <= 60)
    yield Figure("idle: memory of the larger output", "40 MB", spread(output, "{:.1f} MB"), stand, median(output) <= 40)


def one_run() -> tuple[float, float, float]:
    """Share of a core, MB of the collector, MB of the larger of its outputs."""
    with folder() as place, Cell(place, PORTS, 0, outputs(place, "growing")) as cell:
        time.sleep(sized(1, 3))                # what the start has left over is done
        pids = [cell.daemon.pid, *cell.daemon.children()]
        assert len(pids) == 3, "the collector and its two outputs"
        before, begun = [cpu_s(pid) for pid in pids], time.monotonic()
        time.sleep(SECONDS)
        used = [cpu_s(pid) - one for pid, one in zip(pids, before)]
        share = sum(used) / (time.monotonic() - begun)
        memory = [memory_mb(pid) for pid in pids]
        assert cell.journal.last() == cell.before, "somebody spoke"
        say(f"  {share:.2%} (each {', '.join(f'{one / SECONDS:.2%}' for one in used)}); MB {', '.join(f'{one:.1f}' for one in memory)}")
        return share, memory[0], max(memory[1:])
