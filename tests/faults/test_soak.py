"""A month of a cell in some minutes: eight columns, a fault each second, and nothing grows, nothing leaks, all is accounted for.

A month of a part each 20 s on eight columns is a million readings; the long form sends them in a quarter of an hour, and has
as many faults as a month has half hours.
"""

import csv
import io
import json
import os
import random
import shutil
import signal
import statistics
import time
from contextlib import suppress
from pathlib import Path

import pytest

from tests.conftest import Cell, wait_for

COLUMNS, EACH_ROUND, ROUND_S = 8, 15, 0.1
CONFIG = """
site: brunnenhof
ports:
PORTS
formats:
  line: {pattern: '^P (?P<value>\\d+\\.\\d+)$', unit: mm, over-range: [OPEN]}
parts:
BORES
outputs:
  mes: {kind: csv, folder: ./share, records: 2000, every: 500 ms, kinds: [measurement, unread, event]}
  line: {kind: jsonl, folder: ./inbox, publish: growing, records: 1000, every: 100 ms}
journal: {reserve: 100 kB, keep: 1 s}
"""


class Health:
    """Memory in kB, descriptors and threads of the daemon, as they were once a second."""

    def __init__(self, pid: int):
        self.pid, self.seen = pid, []

    def look(self) -> None:
        status = dict(line.split(":", 1) for line in Path(f"/proc/{self.pid}/status").read_text().splitlines() if ":" in line)
        self.seen.append((int(status["VmRSS"].split()[0]), len(os.listdir(f"/proc/{self.pid}/fd")), int(status["Threads"])))

    def quarter(self, number: int) -> tuple[float, ...]:
        size = len(self.seen) // 4
        return tuple(statistics.median(column) for column in zip(*self.seen[size * (number - 1):size * number]))


class Month:
    """The cell, what it was sent, and what befalls it."""

    def __init__(self, cell: Cell, seed: int):
        self.cell, self.dice = cell, random.Random(seed)
        self.names = [f"c{number}" for number in range(COLUMNS)]
        self.sent = dict.fromkeys(self.names, 0)
        self.back: list[tuple[float, object]] = []
        self.faults: dict[str, int] = {}
        for name in self.names:
            cell.column(name)
        (cell.folder / "share").mkdir()
        self.configure(18)

    def configure(self, upper_um: int) -> None:
        ports = "\n".join(f"  {name}: {{device: ./tty-{name}, format: line}}" for name in self.names)
        bores = "\n".join(f"  PH-{name}: {{bore: {{channel: {name}, nominal: 12 mm, limits: {{lower: 0 um, upper: {upper_um} um}}}}}}"
                          for name in self.names)
        self.cell.configure(CONFIG.replace("PORTS", ports).replace("BORES", bores))

    def send(self) -> None:
        for name in self.names:
            column = self.cell.columns[name]
            if column.master >= 0:
                first = self.sent[name] + 1
                self.sent[name] += EACH_ROUND
                column.send(b"".join(b"P 12.%07d\r\n" % number for number in range(first, first + EACH_ROUND)))

    def strike(self) -> None:
        kind = self.dice.choice(("pull", "noise", "reload", "share", "kill", "stall"))
        self.faults[kind] = self.faults.get(kind, 0) + 1
        getattr(self, kind)()

    def later(self, undo: object) -> None:
        self.back.append((time.monotonic() + self.dice.uniform(0.2, 2.0), undo))

    def mend(self, everything: bool = False) -> None:
        due = [one for one in self.back if everything or one[0] <= time.monotonic()]
        self.back = [one for one in self.back if one not in due]
        for _, undo in due:
            undo()

    def pull(self) -> None:
        column = self.cell.columns[self.dice.choice(self.names)]
        if column.master >= 0:
            column.pull()
            self.later(column.plug)

    def noise(self) -> None:
        column = self.cell.columns[self.dice.choice(self.names)]
        if column.master >= 0:
            column.send(b"\r\n" + self.dice.randbytes(self.dice.choice((1, 40, 3000))) + b"\r\n")

    def reload(self) -> None:
        self.configure(self.dice.randint(10, 30))
        self.cell.daemon.send_signal(signal.SIGHUP)

    def share(self) -> None:
        share, away = self.cell.folder / "share", self.cell.folder / "away"
        if share.exists():
            os.rename(share, away)
            self.later(lambda: os.rename(away, share))

    def kill(self) -> None:
        for pid in self.outputs():
            told(pid, signal.SIGKILL)

    def stall(self) -> None:
        for pid in self.outputs()[:1]:
            told(pid, signal.SIGSTOP)
            self.later(lambda: told(pid, signal.SIGCONT))

    def outputs(self) -> list[int]:
        found = Path(f"/proc/{self.cell.daemon.pid}/task/{self.cell.daemon.pid}/children").read_text().split()
        return [int(pid) for pid in found]


def told(pid: int, number: int) -> None:
    """Send a signal to a process that may have ended just now."""
    with suppress(ProcessLookupError):
        os.kill(pid, number)


@pytest.mark.parametrize("seconds", [9, pytest.param(900, marks=pytest.mark.long)])
def test_a_month_of_faults_makes_nothing_grow_and_loses_nothing_unsaid(cell, seconds):
    month = Month(cell, 20262)
    cell.start()
    cell.open(COLUMNS)
    health, end, next_fault = Health(cell.daemon.pid), time.monotonic() + seconds, time.monotonic() + 1
    next_look, began = time.monotonic() + 3, time.monotonic()
    while time.monotonic() < end:
        month.send()
        month.mend()
        if time.monotonic() >= next_fault:
            next_fault += 1.0
            month.strike()
        if time.monotonic() >= next_look:
            next_look += 1.0
            health.look()
        time.sleep(ROUND_S)
    month.mend(everything=True)
    took = time.monotonic() - began
    wait_for(lambda: all(output["waiting"] == 0 for output in status_of(cell)["outputs"].values()), "all of it delivered", 240)
    assert cell.stop() == 0                                    # and the ledger balances
    measured = judged(cell, month)
    early, late = health.quarter(2), health.quarter(4)
    print(f"{sum(month.sent.values())} readings sent, {measured} kept, {sum(month.faults.values())} faults {month.faults}, {took:.0f} s; "
          f"memory {early[0] / 1000:.1f} then {late[0] / 1000:.1f} MB, descriptors {early[1]:.0f} then {late[1]:.0f}, "
          f"threads {early[2]:.0f} then {late[2]:.0f}")
    assert late[1] <= early[1] + 6 and late[2] <= early[2] + 2
    if seconds > 100:
        assert late[0] < early[0] * 1.05 + 2000, "memory grows"


def status_of(cell: Cell) -> dict:
    return json.loads(cell.command("status", str(cell.config), "--json").stdout)


def judged(cell: Cell, month: Month) -> int:
    """Each output has each record once, in order; of each column the numbers rise; how many measurements there are."""
    lines = [line for path in sorted(cell.inbox.glob("*.jsonl")) for line in path.read_bytes().splitlines()]
    seqs = [int(line.split(b",", 1)[0].removeprefix(b'{"seq":')) for line in lines]
    assert seqs == list(range(1, len(seqs) + 1))
    wanted = [seq for seq, line in zip(seqs, lines) if b'"kind":"measurement"' in line or b'"kind":"unread"' in line or b'"kind":"event"' in line]
    files = sorted(cell.folder.glob("share/*.csv"))
    rows = [row for path in files for row in csv.reader(io.StringIO(path.read_text(encoding="utf-8"), newline="")) if row[0] != "seq"]
    assert [int(row[0]) for row in rows] == wanted
    count = 0
    for name in month.names:
        numbers = [int(line.split(b'"raw":"P 12.', 1)[1][:7]) for line in lines
                   if b'"kind":"measurement"' in line and f'"port":"{name}"'.encode() in line]
        assert numbers == sorted(set(numbers)) and len(numbers) > 0.8 * month.sent[name], name
        count += len(numbers)
    shutil.rmtree(cell.folder / "share")
    return count
