"""A million records wait, the share comes back: how fast they are delivered while collection goes on at wire rate."""

import threading
import time
from collections.abc import Iterator

from tests.bench import script
from tests.bench.columns import LINE_BYTES
from tests.bench.lateness import Disk, Durable, latencies
from tests.bench.stand import GATHER_MS, RUNS, WIRE_BYTES, Cell, folder, sized, wait
from tests.bench.table import Figure, at, median, say, spread
from tests.bench.waiting import fill

PORTS, WAITING, SECONDS, GOAL = sized(4, 64), sized(20_000, 1_000_000), sized(1, 8), 30_000


def figures() -> Iterator[Figure]:
    rates, late, disk, shares, lines = zip(*((*one_run(), script.flushed()) for _ in range(RUNS)))
    stand = f"{WAITING:,} waiting, JSON lines, {PORTS} ports at wire rate meanwhile, {RUNS} runs; {shares[-1]}"
    yield Figure("catch-up: records/s delivered", f"≥ {GOAL:,}", spread(list(rates)), stand, median(rates) >= GOAL)
    yield script.beside("catch-up", GOAL, list(rates), list(lines))
    most = median([GATHER_MS + 8 * probe for probe in disk])
    yield Figure("catch-up: last byte to durable meanwhile, p99", f"{most:.0f} ms (gather + 8 probes)", spread(list(late), "{:.1f} ms"),
                 f"disk probe p99 {spread(list(disk), '{:.2f} ms')}", median(late) <= most)


def one_run() -> tuple[float, float, float, str]:
    """Records a second that were delivered, p99 in ms of those that came meanwhile, the probe's, who used which core."""
    with folder() as place:
        fill(place, WAITING)
        share = place / "share"
        with Cell(place, PORTS, WIRE_BYTES, f"  mes: {{kind: jsonl, folder: {share}}}") as cell:
            cell.warm()
            share.mkdir()
            wait(lambda: cell.delivered("mes") > 0, 0.001)
            rates: list[float] = []
            watching = threading.Thread(target=watch, args=(cell, rates))
            watching.start()
            with Durable(place) as durable, Disk(place) as disk:
                poured = cell.pour(SECONDS * WIRE_BYTES // LINE_BYTES)
            watching.join()
            rate, = rates
            late = at(list(latencies(cell, poured.told, durable)), 0.99)
            say(f"  {rate:,.0f} records/s; p99 {late:.1f} ms, probe {at(disk.ms, 0.99):.2f} ms; {poured.shares()}")
            return rate, late, at(disk.ms, 0.99), poured.shares()


def watch(cell: Cell, rates: list[float]) -> None:
    """Records a second from now until all that had waited has been delivered."""
    begun, already = time.monotonic(), cell.delivered("mes")
    wait(lambda: cell.delivered("mes") >= WAITING, most_s=120)
    rates.append((cell.delivered("mes") - already) / (time.monotonic() - begun))
