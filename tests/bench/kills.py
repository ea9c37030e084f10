"""kill -9 while readings come, again and again: what is missing of what the ports had taken, and whether that is told.

The columns send on meanwhile, each line with its number; what nobody reads waits in the kernel and in the column.  So
a number that is missing was taken by the collector and was not durable yet.  That may be what it gathers and what it
is syncing.  Of what was durable when the kill came nothing may be missing, no number may come twice, and what is
missing may be no more bytes than the `lost` events of the start after the kill say; and it is less by far than what
came while there was no collector.  A frame of which only the head had been taken has its tail in an `unread` record:
it is counted apart.
"""

import json
import random
import time
from collections.abc import Iterator
from typing import NamedTuple

from tests.bench.columns import LINE_BYTES
from tests.bench.lateness import Disk
from tests.bench.stand import GATHER_MS, Cell, Daemon, folder, option, sized, wait
from tests.bench.table import Figure, at, median, say, spread

PORTS, KILLS = sized(4, 20), option("--kills", sized(1, 10, 50))
RATES = sized(200, 1_000), sized(2_000, 10_000)         # none faster than a line at this baud, by which `lost` reckons


class Kill(NamedTuple):
    """Where the next life's records begin, bytes that are told to be lost by port, frames that came while there was no collector."""

    first: int
    told: dict[str, int]
    unheard: float


def figures() -> Iterator[Figure]:
    for rate in RATES:
        found, disk = one_run(rate)
        missing, cut = (list(column) for column in zip(*found))
        late = [1000 * one / rate for one in missing]
        most = GATHER_MS + max(disk)
        frames = (int(most * rate / PORTS / 1000) + 1) * PORTS          # the columns speak in step, all of them at once
        stand = f"{PORTS} ports, {KILLS} kills; a sync took p50 {at(disk, 0.5):.2f}, at most {max(disk):.2f} ms"
        yield Figure(f"kill -9 at {rate:,} frames/s: durable records missing, records twice", "0, 0", "0, 0", stand, True)
        yield Figure(f"kill -9 at {rate:,} frames/s: frames missing a kill, of those the ports had taken",
                     f"≤ {frames} (gather and one sync, {most:.0f} ms)",
                     f"{spread(missing)}, {median(late):.1f} ms of the stream",
                     f"each within the bound of its `lost` events; beside them {spread(cut)} cut in two",
                     max(missing) <= frames)


def one_run(rate: int) -> tuple[list[tuple[int, int]], list[float]]:
    """Frames missing at each kill, and those cut in two; ms of each probe of the disk."""
    pace = rate * LINE_BYTES // PORTS
    with folder() as place, Cell(place, PORTS, pace) as cell, Disk(place) as disk:
        lines = rate * (2 * KILLS + 1) // PORTS
        cell.columns.begin(lines)
        kills = [one_kill(cell, rate) for _ in range(KILLS)]
        cell.columns.ended()
        wait(lambda: settled(cell), 0.3)
        unread = unread_behind(cell, kills)
        return [missing_at(*one) for one in zip(kills, gaps(cell, kills, lines), unread)], disk.ms


def one_kill(cell: Cell, rate: int) -> Kill:
    """Kill the collector at some moment and begin it again."""
    time.sleep(random.uniform(0.3, 0.6))
    durable = cell.journal.last()
    cell.daemon.kill()
    killed_us, first = time.time_ns() // 1000, cell.journal.last() + 1
    assert first > durable, "a record that was durable is gone"
    cell.columns.free()
    cell.scanner.free()
    cell.daemon = Daemon(cell.config)
    wait(lambda: cell.daemon.refuse_dead() and opened(cell, first) == PORTS + 1)
    told, opened_us = {}, 0
    for row in cell.journal.select(kinds=("event",), first=first):
        body = json.loads(row.body)
        if body["detail"]["event"] == "port-open" and not opened_us:
            opened_us = row.at_us
        if body["detail"]["event"] == "lost":
            told[body["port"]] = told.get(body["port"], 0) + body["detail"]["count"]
    return Kill(first, told, (opened_us - killed_us) / 1e6 * rate)


def opened(cell: Cell, first: int) -> int:
    return sum(b'"port-open"' in row.body for row in cell.journal.select(kinds=("event",), first=first))


def settled(cell: Cell) -> bool:
    """Nothing has come for a while."""
    last = cell.journal.last()
    time.sleep(1)
    return cell.journal.last() == last


def gaps(cell: Cell, kills: list[Kill], lines: int) -> Iterator[dict[str, int]]:
    """For each kill, by port: how many numbers are missing between the records before and behind it; all others are there, once."""
    lives: list[dict[str, list[int]]] = [{} for _ in range(len(kills) + 1)]
    bounds = [kill.first for kill in kills]
    for row in cell.journal.select(kinds=("measurement",), first=cell.before + 1):
        life = sum(row.seq >= first for first in bounds)
        lives[life].setdefault(row.port, []).append(int(row.body.split(b'"serial":"')[1][:6]))
    whole = cell.journal.kinds(0, cell.journal.last())
    assert sum(whole.values()) == cell.journal.last(), "the journal has gaps"
    ends = dict.fromkeys((f"line{number}" for number in range(PORTS)), -1)
    for life, found in enumerate(lives):
        missing = {}
        for port, numbers in found.items():
            assert numbers == list(range(numbers[0], numbers[-1] + 1)), f"{port}: within a life nothing is missing, nothing is twice"
            missing[port], ends[port] = numbers[0] - ends[port] - 1, numbers[-1]
            assert missing[port] >= 0, f"{port}: numbers come twice"
        if life:
            yield missing
        else:
            assert not any(missing.values()), missing
    assert set(ends.values()) == {lines - 1}, ends


def unread_behind(cell: Cell, kills: list[Kill]) -> list[set[str]]:
    """For each kill, the ports whose next life began with the tail of a frame."""
    found: list[set[str]] = [set() for _ in kills]
    for row in cell.journal.select(kinds=("unread",), first=cell.before + 1):
        life = sum(row.seq >= kill.first for kill in kills)
        assert life and row.port not in found[life - 1], f"{row.port}: more is unread than the tail of a frame: {row.body}"
        found[life - 1].add(row.port)
    return found


def missing_at(kill: Kill, missing: dict[str, int], cut: set[str]) -> tuple[int, int]:
    """How many frames are missing, and how many were cut in two; more bytes than are told is an AssertionError."""
    for port, frames in missing.items():
        whole = frames - (port in cut)
        assert whole * LINE_BYTES <= kill.told.get(port, 0), f"{port}: {whole} frames are missing, told {kill.told.get(port)} bytes"
    found = sum(missing.values()) - len(cut)
    assert found < kill.unheard / 3, f"{found} frames are missing: what waits at the opening is not read"
    say(f"  {found} frames missing, {len(cut)} cut, told at most {sum(kill.told.values()):,} bytes")
    return found, len(cut)
