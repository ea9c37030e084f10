"""64 columns at the full rate of their wires, every record synced: what that costs, and how late a record is durable.

    .venv/bin/python -m tests.bench.wire [--short | --long] [--ports 64] [--seconds 20]
"""

import sys
import tempfile
from pathlib import Path

from tests.bench.stand import LONG, SHORT, WIRE_BYTES, Cell, Disk, Durable, at, cpu_s, memory_mb, threads_s, wait
from tests.bench.columns import LINE_BYTES


def option(name: str, otherwise: int) -> int:
    return int(sys.argv[sys.argv.index(name) + 1]) if name in sys.argv else otherwise


PORTS = option("--ports", 4 if SHORT else 64)
SECONDS = option("--seconds", 1 if SHORT else 300 if LONG else 20)


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        run(Path(name))


def run(folder: Path) -> None:
    cell = Cell(folder, PORTS, WIRE_BYTES)
    durable, disk = Durable(folder), Disk(folder)
    durable.start()
    disk.start()
    lines = SECONDS * WIRE_BYTES // LINE_BYTES
    pid, children = cell.daemon.pid, cell.daemon.children()
    before, others = cpu_s(pid), sum(map(cpu_s, children))
    cell.columns.begin(lines)
    told = cell.columns.ended()
    busy = [one / told["seconds"] for one in threads_s(pid)[:3]]
    used, used_by_others = cpu_s(pid) - before, sum(map(cpu_s, children)) - others
    wait(lambda: cell.journal.last() >= cell.before + PORTS * lines)
    durable.stop()
    disk.stop()
    lost = PORTS * lines - (cell.journal.last() - cell.before)
    delays = list(latencies(cell, told, durable))
    print(f"ports {PORTS}, {PORTS * lines / told['seconds']:.0f} frames/s for {told['seconds']:.1f} s; lost {lost}; "
          f"held back at most {told['held']} bytes a line")
    print(f"collector {used / told['seconds']:.1%} of one core, {used / PORTS / lines * 1e6:.2f} us a record, "
          f"threads {', '.join(f'{one:.0%}' for one in busy)}; {memory_mb(pid):.0f} MB; outputs {used_by_others / told['seconds']:.1%}; "
          f"{len(durable.seq) / told['seconds']:.0f} commits seen a second")
    print(f"last byte to durable p50 {at(delays, 0.5):.1f} ms, p99 {at(delays, 0.99):.1f} ms, max {max(delays):.1f}; disk probe p50 "
          f"{at(disk.ms, 0.5):.2f} ms, p99 {at(disk.ms, 0.99):.2f} ms")
    cell.close()


def latencies(cell: Cell, told: dict, durable: Durable):
    """ms from giving a line's last byte to the kernel to its record being durable, for every hundredth record."""
    ticks, reached = told["ticks"][0::2], told["ticks"][1::2]
    done, at_ns = 0, {}
    for tick, lines in zip(ticks, reached):
        for number in range(done, lines):
            at_ns[told["from"] + number] = tick
        done = lines
    for first in range(cell.before + 1, cell.journal.last(), 40_000):
        for row in cell.journal.select(kinds=("measurement",), first=first, through=first + 400):
            number = int(row.body.split(b'"serial":"')[1][:6])
            if number in at_ns:
                yield (durable.when_ns(row.seq) - at_ns[number]) / 1e6


if __name__ == "__main__":
    main()
