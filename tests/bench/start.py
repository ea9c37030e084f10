"""From the start of the program to its first port open: with nothing there, and after a kill with a million records that wait."""

import time
from collections.abc import Iterator
from pathlib import Path

from tests.bench.stand import RUNS, Cell, Columns, Daemon, Scanner, configuration, folder, journal_end, sized, wait
from tests.bench.table import Figure, median, say, spread
from tests.bench.waiting import fill

PORTS, WAITING = sized(4, 64), sized(2000, 1_000_000)


def figures() -> Iterator[Figure]:
    with folder() as place:
        empty = [one_start(place / str(number)) for number in range(RUNS)]
    yield Figure("start to first port open", "500 ms", spread(empty, "{:.0f} ms"), f"{PORTS} ports, a new journal, {RUNS} runs",
                 median(empty) <= 500)
    with folder() as place:
        full = starts_after_kills(place)
    yield Figure(f"start after kill -9 with {WAITING:,} undelivered records", "2 s", spread(full, "{:.2f} s"),
                 f"{PORTS} ports, share away, {RUNS} runs", median(full) <= 2)


def one_start(place: Path) -> float:
    """ms to the first port open."""
    place.mkdir()
    with Cell(place, PORTS, 0) as cell:
        found = opened_ns(cell.daemon, 0)
        say(f"  {found / 1e6:.0f} ms")
        return found / 1e6


def opened_ns(daemon: Daemon, last: int) -> int:
    """From the start of the process to the arrival time of the first `port-open` behind this seq."""
    journal = daemon.journal()
    try:
        wait(lambda: daemon.refuse_dead() and any(b'"port-open"' in row.body for row in journal.select(kinds=("event",), first=last + 1)))
        first = next(row for row in journal.select(kinds=("event",), first=last + 1) if b'"port-open"' in row.body)
    finally:
        journal.close()
    return first.at_us * 1000 - daemon.begun_ns


def starts_after_kills(place: Path) -> list[float]:
    """Seconds to the first port open, of a collector that was killed each time."""
    fill(place, WAITING)
    columns, scanner, found = Columns(PORTS, 0), Scanner(), []
    away = f"  mes: {{kind: jsonl, folder: {place / 'away'}}}"
    config = configuration(place, columns.devices, scanner.device, away)
    try:
        for _ in range(RUNS + 1):                # the first one finds the journal as the writer left it
            last = journal_end(place)
            daemon = Daemon(config)
            found.append(opened_ns(daemon, last) / 1e9)
            time.sleep(0.3)
            daemon.kill()
            columns.free()
            scanner.free()
            say(f"  {found[-1]:.2f} s")
        assert journal_end(place) > WAITING
    finally:
        columns.close()
        scanner.close()
    return found[1:]
