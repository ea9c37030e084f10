"""Whether a record costs more in a long journal than in a short one."""

from collections.abc import Iterator

from tests.bench.columns import LINE_BYTES
from tests.bench.stand import RUNS, WIRE_BYTES, Cell, folder, sized
from tests.bench.table import Figure, median, say, spread
from tests.bench.waiting import fill

FEW_ROWS, MANY_ROWS = sized(1_000, 10_000), sized(5_000, 10_000_000)
PORTS, SECONDS, MOST = sized(4, 64), sized(1, 3, 20), 1.2


def figures() -> Iterator[Figure]:
    few, many = by_rows()
    ratio = median(many) / median(few)
    yield Figure(f"CPU a record at {MANY_ROWS:,} rows beside {FEW_ROWS:,}", f"≤ {MOST} ×", f"{ratio:.2f} ×",
                 f"{spread(few, '{:.2f}')} and {spread(many, '{:.2f}')} µs, {PORTS} ports at wire rate, {SECONDS} s, {RUNS} runs", ratio <= MOST)


def by_rows() -> tuple[list[float], list[float]]:
    """µs of CPU a record with few rows in the journal and with many; that one is made once, and begun again for each run."""
    few, many = [], []
    with folder() as large:
        fill(large, MANY_ROWS, "mes")
        for _ in range(RUNS):
            with folder() as small:
                fill(small, FEW_ROWS, "mes")
                few.append(cost_us(small))
            many.append(cost_us(large))
    return few, many


def cost_us(place, ports: int = PORTS) -> float:
    with Cell(place, ports, WIRE_BYTES) as cell:
        poured = cell.pour(SECONDS * WIRE_BYTES // LINE_BYTES)
        rows = cell.journal.last()
    found = poured.collector_s / poured.records * 1e6
    say(f"  {ports} ports, {rows:,} rows: {found:.2f} us a record at {poured.records / poured.told['seconds']:,.0f} records/s")
    return found
