"""64 columns at the full rate of their wires, every record synced: what that costs, and how late a record is durable."""

from collections.abc import Iterator

from tests.bench import script
from tests.bench.columns import LINE_BYTES
from tests.bench.lateness import Disk, Durable, latencies
from tests.bench.stand import GATHER_MS, RUNS, WIRE_BYTES, Cell, folder, memory_mb, option, sized
from tests.bench.table import Figure, at, median, say, spread

PORTS, SECONDS = option("--ports", sized(4, 64)), option("--seconds", sized(1, 15, 300))


def figures() -> Iterator[Figure]:
    runs, lines = [], []
    for _ in range(RUNS):                       # they take turns
        runs.append(one_run())
        lines.append(script.flushed())
    share, late, disk, sender, memory, rate, _ = (list(column) for column in zip(*runs))
    beside = [one * its / frames for one, its, frames in zip(share, lines, rate)]
    most_beside = 0.5 * script.GOALS_LINES_A_SECOND / median(rate)
    stand = f"{PORTS} ports, {median(rate):,.0f} frames/s, {SECONDS} s, {RUNS} runs; sender {median(sender):.0%} of a core"
    yield Figure("wire rate: records lost", "0", "0", stand, True)
    yield Figure("wire rate: collector, of one core", "50 % (aim 35 %)", spread(share, "{:.1%}"),
                 f"{median(memory):.0f} MB", median(share) <= 0.5)
    yield Figure("wire rate: CPU a record beside a plain script's line, flush", f"{most_beside:.2f} × (50 % where it makes "
                 f"{script.GOALS_LINES_A_SECOND:,} lines/s)", spread(beside, "{:.3f} ×"), f"it: {spread(lines)} lines/s", median(beside) <= most_beside)
    most = [GATHER_MS + 8 * probe for probe in disk]
    yield Figure("wire rate: last byte to durable, p99", f"{median(most):.0f} ms (gather + 8 probes)", spread(late, "{:.1f} ms"),
                 f"disk probe p99 {spread(disk, '{:.2f} ms')}", median(late) <= median(most))


def one_run(**environment: str) -> tuple[float, ...]:
    """The collector's share of a core, p99 in ms, the probe's, the sender's share, MB, frames and commits a second."""
    with folder() as place, Cell(place, PORTS, WIRE_BYTES, **environment) as cell:
        cell.warm()
        with Durable(place) as durable, Disk(place) as disk:
            poured = cell.pour(SECONDS * WIRE_BYTES // LINE_BYTES)
        delays, seconds = list(latencies(cell, poured.told, durable)), poured.told["seconds"]
        share, sender = poured.collector_s / seconds, poured.sender_s / seconds
        say(f"  {share:.1%}, {poured.collector_s / poured.records * 1e6:.2f} us a record; p50 {at(delays, 0.5):.1f} p99 "
            f"{at(delays, 0.99):.1f} max {max(delays):.1f} ms; probe p50 {at(disk.ms, 0.5):.2f} p99 {at(disk.ms, 0.99):.2f} ms; "
            f"sender {sender:.1%}; held {poured.told['held']}; {len(durable.seq) / seconds:.0f} commits/s")
        return share, at(delays, 0.99), at(disk.ms, 0.99), sender, memory_mb(cell.daemon.pid), poured.records / seconds, \
            len(durable.seq) / seconds
