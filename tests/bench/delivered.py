"""Every record as CSV and as JSON lines at once, both synced: how many a second, and whether they keep up with the wires."""

import threading
import time
from collections.abc import Iterator
from pathlib import Path

from tests.bench import script
from tests.bench.columns import LINE_BYTES
from tests.bench.stand import RUNS, SHORT, WIRE_BYTES, Cell, folder, sized, wait
from tests.bench.table import Figure, median, say, spread

PORTS, LINES, SECONDS = sized(4, 64), sized(200, 3_000, 30_000), sized(1, 10, 300)
GOAL, STEADY = 60_000, 0.01


def outputs(place: Path, publish: str) -> str:
    """Both kinds of file, each in a folder of its own."""
    lines = []
    for kind in ("csv", "jsonl"):
        (place / kind).mkdir()
        lines.append(f"  {kind}: {{kind: {kind}, folder: {place / kind}, publish: {publish}{', every: 500 ms' if SHORT else ''}}}")
    return "\n".join(lines)


def figures() -> Iterator[Figure]:
    for publish in ("sealed", "growing"):
        rates, shares, lines = zip(*((*unpaced(publish), script.flushed()) for _ in range(RUNS)))
        what = f"delivered as CSV and JSON lines, {publish}"
        yield Figure(f"{what}: records/s", f"≥ {GOAL:,}", spread(list(rates)),
                     f"{PORTS} ports unpaced, {PORTS * LINES:,} records, {RUNS} runs; {shares[-1]}", median(rates) >= GOAL)
        yield script.beside(what, GOAL, list(rates), list(lines))
    grown = [growth() for _ in range(min(RUNS, 3))]
    slopes, ends = (list(column) for column in zip(*grown))
    rate = PORTS * WIRE_BYTES / LINE_BYTES
    yield Figure("delivered at wire rate: backlog grows by, records/s", "0 (below 1 % of what comes)", spread(slopes),
                 f"{rate:,.0f} records/s for {SECONDS} s, sealed, {len(grown)} runs; {median(ends):,.0f} wait at the end",
                 median(slopes) < STEADY * rate)


def behind(cell: Cell) -> int:
    """How many records the slower of the two outputs has still to take."""
    return cell.journal.last() - min(cell.delivered("csv"), cell.delivered("jsonl"))


def unpaced(publish: str) -> tuple[float, str]:
    """Records a second from the first byte to the last record in both kinds of file, and who used which core."""
    with folder() as place, Cell(place, PORTS, 0, outputs(place, publish)) as cell:
        wait(lambda: behind(cell) == 0)
        begun = time.monotonic()
        poured = cell.pour(LINES)
        # sealed: what fills no batch waits for its time, and is no part of what is measured
        rest = 5000 if publish == "sealed" and not poured.records < 5000 else 0
        wait(lambda: behind(cell) <= rest, most_s=120)
        seconds = time.monotonic() - begun
        rate = (poured.records - behind(cell)) / seconds
        wait(lambda: behind(cell) == 0, most_s=30)
        refuse_missing(place, cell)
        say(f"  {publish} {rate:,.0f} records/s; durable at {poured.records / poured.seconds:,.0f}/s; till then {poured.shares()}")
        return rate, f"until all is durable {poured.shares()}"


def refuse_missing(place: Path, cell: Cell) -> None:
    """Every record of the journal is in both kinds of file, once."""
    for kind, extra in (("csv", 1), ("jsonl", 0)):
        found = sum(path.read_bytes().count(b"\n") - extra for path in (place / kind).glob(f"*.{kind}"))
        assert found == cell.journal.last(), f"{kind}: {found} lines, {cell.journal.last()} records"


def growth() -> tuple[float, float]:
    """By how many records a second the backlog grows at wire rate, over the last two thirds; how many wait in the end."""
    with folder() as place, Cell(place, PORTS, WIRE_BYTES, outputs(place, "sealed")) as cell:
        over, seen = threading.Event(), []

        def look() -> None:
            begun, journal = time.monotonic(), cell.daemon.journal()
            while not over.wait(SECONDS / 100):
                seen.append((time.monotonic() - begun, journal.last() - min(cell.delivered("csv"), cell.delivered("jsonl"))))
            journal.close()

        watching = threading.Thread(target=look)
        watching.start()
        try:
            poured = cell.pour(SECONDS * WIRE_BYTES // LINE_BYTES)
        finally:
            over.set()
            watching.join()
        seen = [one for one in seen if SECONDS / 3 < one[0] < SECONDS]
        say(f"  wire rate: {poured.shares()}; backlog {seen[0][1]:,} to {seen[-1][1]:,}, highest {max(one[1] for one in seen):,}")
        return slope(seen), seen[-1][1]


def slope(points: list[tuple[float, float]]) -> float:
    """Least squares."""
    middle_x, middle_y = (sum(column) / len(points) for column in zip(*points))
    return sum((x - middle_x) * (y - middle_y) for x, y in points) / sum((x - middle_x) ** 2 for x, _ in points)
