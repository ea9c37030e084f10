"""Whether a record costs more with many ports than with few, and whether memory stays flat."""

from collections.abc import Iterator

from tests.bench.columns import LINE_BYTES
from tests.bench.growth import MOST, PORTS, cost_us
from tests.bench.stand import RUNS, WIRE_BYTES, Cell, folder, memory_mb, sized
from tests.bench.table import Figure, median, say, spread

FEW_PORTS, MANY_PORTS = sized(2, 8), sized(8, 128)
SOAK_S, FLAT_MB = sized(3, 30, 1800), 2.0


def figures() -> Iterator[Figure]:
    few, many = [], []
    for _ in range(RUNS):                       # they take turns
        few.append(by_ports(FEW_PORTS))
        many.append(by_ports(MANY_PORTS))
    ratio = median(many) / median(few)
    yield Figure(f"CPU a record at {MANY_PORTS} ports beside {FEW_PORTS}", f"≤ {MOST} ×", f"{ratio:.2f} ×",
                 f"{spread(few, '{:.2f}')} and {spread(many, '{:.2f}')} µs, each at wire rate, {RUNS} runs", ratio <= MOST)
    early, late = soak()
    yield Figure("memory of the collector, early and late", f"flat (within {FLAT_MB:g} MB)", f"{early:.1f} and {late:.1f} MB",
                 f"{PORTS} ports at wire rate, {SOAK_S} s, after a third and at the end", late - early <= FLAT_MB)


def by_ports(ports: int) -> float:
    with folder() as place:
        return cost_us(place, ports)


def soak() -> tuple[float, float]:
    """MB of the collector after a third, and at the end."""
    with folder() as place, Cell(place, PORTS, WIRE_BYTES) as cell:
        found = []
        for _ in range(3):
            cell.pour(max(1, SOAK_S // 3) * WIRE_BYTES // LINE_BYTES)
            found.append(memory_mb(cell.daemon.pid))
        say(f"  soak: {', '.join(f'{one:.1f}' for one in found)} MB")
        return found[0], found[-1]
