"""Whether a record costs more with many ports than with few."""

from collections.abc import Iterator

from tests.bench.growth import MOST, cost_us
from tests.bench.stand import RUNS, folder, sized
from tests.bench.table import Figure, median, spread

FEW_PORTS, MANY_PORTS = sized(2, 8), sized(8, 128)


def figures() -> Iterator[Figure]:
    few, many = [], []
    for _ in range(RUNS):                       # they take turns
        few.append(by_ports(FEW_PORTS))
        many.append(by_ports(MANY_PORTS))
    ratio = median(many) / median(few)
    yield Figure(f"CPU a record at {MANY_PORTS} ports beside {FEW_PORTS}", f"≤ {MOST} ×", f"{ratio:.2f} ×",
                 f"{spread(few, '{:.2f}')} and {spread(many, '{:.2f}')} µs, each at wire rate, {RUNS} runs", ratio <= MOST)


def by_ports(ports: int) -> float:
    with folder() as place:
        return cost_us(place, ports)
