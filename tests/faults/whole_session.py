"""A whole collector under bad luck: what it collects, where a fault is put into it, what must be true afterwards.

A `Session` is one cell over many lives: column, scanner and order folder in, a sealed and a growing output.  A fault is
put into one thread of one of its processes by strace, from the moment at which that thread first touches its files: the
hook (`sitecustomize`) waits there until strace has hold of it, so that the n-th call is the same one each time.
"""

import csv
import fcntl
import io
import json
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import termios
import time
from collections import Counter
from collections.abc import Callable
from decimal import Decimal
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace
from typing import BinaryIO, NamedTuple

from collector.journal import Journal, JournalReader
from collector.service.memory import Memory
from collector.service.status import delivered_through
from tests.conftest import Cell, wait_for
from tests.faults.test_measuring_kill import LABEL, LINE, Walk, is_remembered

CONFIG = f"""
site: brunnenhof
ports:
  column: {{device: ./tty-column, format: line}}
  scanner: {{device: ./tty-scanner, format: label}}
formats:
{LINE}
{LABEL}
parts:
  PH-200:
    bore: {{channel: column/A1, nominal: 12 mm, limits: {{lower: 0 mm, upper: +0.018 mm}},
           masters: [{{name: R12, size: 12 mm, within: 1 um, parts: 15}}]}}
    seal: {{channel: column/B1, nominal: 25 mm, limits: {{lower: 0 mm, upper: +0.021 mm}}}}
context:
  labels: {{port: scanner, applies-to: [column], until: used}}
  mes: {{folder: ./orders, sets: [lot]}}
outputs:
  mes: {{kind: csv, folder: ./inbox, records: 20, every: 100 ms}}
  line: {{kind: jsonl, folder: ./inbox, publish: growing, records: 30, every: 50 ms}}
"""
HOOK = '''
import json, os, subprocess, sys, threading, time

HELD = []
FAULTS = os.environ["FAULTS"]
WAITING = {}
for name in sorted(os.listdir(FAULTS)):
    if name.endswith(".json"):
        with open(os.path.join(FAULTS, name)) as file:
            spec = json.load(file)
        if spec["module"] in sys.orig_argv:
            WAITING[os.path.join(FAULTS, name)] = spec

def begun(frame, event, argument):
    """The first call of a thread."""
    sys.setprofile(None)
    for name, spec in list(WAITING.items()):
        if not spec["place"] and threading.current_thread().name == spec["thread"]:
            del WAITING[name]
            return strike(name, spec)

def watch(event, arguments):
    if not WAITING or event not in ("open", "os.mkdir", "os.listdir", "os.scandir", "sqlite3.connect"):
        return
    for name, spec in list(WAITING.items()):
        if spec["place"] and threading.current_thread().name == spec["thread"] and any(
                spec["place"] in str(one) for one in arguments):
            for other in [other for other, same in WAITING.items() if same["place"] == spec["place"]]:
                del WAITING[other]                         # a second one is for the next process
            return strike(name, spec)

def strike(name, spec):
    os.rename(name, name + ".taken")
    if spec["short"]:
        return cut_writes(name, spec["place"], spec["short"])
    with open(name + ".said", "wb") as said:
        words = ["strace", "-y", "-p", str(threading.get_native_id()), "-o", name + ".trace", *spec["strace"]]
        HELD.append(subprocess.Popen(words, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=said,
                                     start_new_session=True))
    with open(name + ".pid", "w") as file:
        file.write(str(HELD[-1].pid))
    while not os.stat(name + ".said").st_size:
        time.sleep(0.001)

def cut_writes(name, place, at):
    """The at-th write to a file, and each one behind it, takes the half."""
    write, count = os.write, 0
    def half(fd, data):
        nonlocal count
        if not os.readlink(f"/proc/self/fd/{fd}").startswith("/") or len(data) < 2:
            return write(fd, data)
        count += 1
        if count < at:
            return write(fd, data)
        if count == at:
            with open(name + ".trace", "w") as file:
                file.write("(INJECTED)")
        return write(fd, memoryview(data)[:len(data) // 2])
    os.write = half

if WAITING:
    sys.addaudithook(watch)
    threading.setprofile(begun)
'''


class Target(NamedTuple):
    """A thread of a process: the module it runs, the thread's name, the path by whose first use it is known (none: from
    its beginning on)."""

    module: str
    thread: str
    place: str


class Point(NamedTuple):
    """The n-th call of its name in a target; `file`: the cell's own one that it is about, by name."""

    target: str
    call: str
    at: int
    file: str = ""


TARGETS = {
    "worker": Target("collector", "worker", "journal.sqlite"),
    "commit": Target("collector", "commit", ""),
    "main": Target("collector", "MainThread", "/state"),
    "mes": Target("collector.service.output_runner", "MainThread", "/outputs/mes."),
    "line": Target("collector.service.output_runner", "MainThread", "/outputs/line."),
    "orders": Target("collector.service.order_runner", "MainThread", "/orders"),
}
CALLS = ("openat", "write", "pwrite64", "fsync", "fdatasync", "rename", "unlink", "ftruncate", "mkdir")
COUNTING = ["-e", f"trace={','.join(CALLS)}"]
CYCLES, BURST = 30, 40                                     # a burst is many rows at once: they are synced aside


class SessionWalk(Walk):
    """As its parent, with the lots that orders set."""

    def __init__(self):
        super().__init__()
        self.lot, self.orders = "", []

    def event(self, one: dict) -> None:
        said = one["detail"]
        if said["event"] == "context" and said.get("source") == "mes":
            self.lot = said["sets"]["lot"]
            self.orders.append(said["order"])
            return
        super().event(one)

    def measurement(self, one: dict) -> None:
        assert one.get("lot", "") == self.lot, one
        super().measurement(one)


class Session:
    """`lives`: of each, the numbers of the lines sent to the column, whether it was killed, whether it made records.

    `records`, `bodies`: what the journal held after the last one.
    """

    def __init__(self, folder: Path, seed: int):
        folder.mkdir()
        self.cell, self.faults, self.dice = Cell(folder), folder / "faults", random.Random(seed)
        self.orders, self.lives = folder / "orders", []
        self.records: list[dict] = []
        self.bodies: list[bytes] = []
        self.number = self.dropped = self.struck = 0
        self.cycles, self.as_counted = CYCLES, False       # as_counted: every target as slow as where calls are counted
        self.orders.mkdir()
        self.faults.mkdir()
        (folder / "hook").mkdir()
        (folder / "hook" / "sitecustomize.py").write_text(HOOK)
        self.cell.configure(CONFIG)
        for name in ("column", "scanner"):
            self.cell.column(name)

    # --- a fault

    def put(self, target: str, strace: list[str], short: int = 0) -> Path:
        """For the next process of this target; gives the path that its trace will have."""
        self.struck += 1
        spec = {**TARGETS[target]._asdict(), "strace": strace, "short": short}
        name = self.faults / f"{self.struck:05d}.json"
        name.write_text(json.dumps(spec))
        return name.with_name(name.name + ".trace")

    def kill_at(self, point: Point) -> Path:
        kill = f"inject={point.call}:signal=KILL:when={point.at}"
        if not self.as_counted:
            return self.put(point.target, ["-e", f"trace={point.call}", "-e", kill])
        for other in TARGETS:
            if other != point.target:
                self.put(other, COUNTING)
        return self.put(point.target, [*COUNTING, "-e", kill])

    # --- a life

    def start(self, log: BinaryIO | None = None) -> None:
        cell = self.cell
        for column in cell.columns.values():
            fcntl.ioctl(column.slave, termios.TIOCNXCL)
        env = {**os.environ, "FAULTS": str(self.faults), "PYTHONPATH": str(cell.folder / "hook")}
        with open(cell.log, "ab") as usual:
            cell.daemon = subprocess.Popen([sys.executable, "-m", "collector", "run", str(cell.config)],
                                           stderr=log or usual, stdout=subprocess.DEVNULL, env=env)

    def opened(self) -> bool:
        """Whether its ports have opened; False: it was killed before."""
        cell = self.cell
        wait_for(lambda: cell.daemon.poll() is not None or cell.is_of_daemon() and sum(
            port["state"] == "open" for port in cell.status()["ports"].values()) == 2, "open or dead", 60)
        return cell.daemon.poll() is None

    def live(self, after: Callable[[], None] | None = None) -> bool:
        """Start, send, stop; whether it was killed.  What was sent is seen to be there, or to be lost with a word.

        `after`: what is done before it is stopped.
        """
        before = self.number
        self.start()
        is_open = self.opened()
        if is_open:
            for cycle in range(self.cycles):
                if cycle % (CYCLES // 2) == 0:
                    self.drop()
                    for _ in range(BURST):
                        self.send(0.0)
                self.send()                                # a column's own pace; nothing waits for it
                if self.cell.daemon.poll() is not None:
                    break
        if after is not None:
            after()
        with_orders = time.monotonic() + 3.0               # so long at most: the fault may be in the orders' own way
        while self.cell.daemon.poll() is None and self.taken() < self.dropped and time.monotonic() < with_orders:
            time.sleep(0.01)
        if self.cell.daemon.poll() is None:
            self.cell.daemon.send_signal(signal.SIGTERM)
        code = self.cell.daemon.wait(15)
        assert code in (0, -signal.SIGKILL) or code == 74 and not is_open, (code, self.cell.log.read_text()[-2000:])
        for name in self.faults.glob("*.json"):            # one that was not reached in this life is none of the next
            name.unlink()
        self.judge(range(before + 1, self.number + 1), code != 0)
        return code != 0

    def deliver(self, within_s: float = 10.0) -> None:
        """Wait until everything is handed over, for so long at most; what is dead by then is judged as well."""
        end = time.monotonic() + within_s
        while self.cell.daemon.poll() is None and self.behind() and time.monotonic() < end:
            time.sleep(0.02)

    def behind(self) -> list[str]:
        """What is not handed over yet."""
        reader = JournalReader.open(self.cell.folder / "state")
        last = reader.last()
        reader.close()
        late = [name for name in ("mes", "line") if delivered_through(self.cell.folder / "state", [name]) < last]
        return late + ["orders"] * (self.taken() < self.dropped)

    def send(self, pause_s: float = 0.004) -> None:
        dice, column = self.dice, self.cell.columns["column"]
        self.number += 1
        if dice.random() < 0.1:
            column.send(f"R A1 {dice.choice(['12.0000', '12.0004', '11.9989'])}\r\n".encode())
        if dice.random() < 0.8:
            self.cell.columns["scanner"].send(f"H{self.number:05d}\r\n".encode())
        column.send(f"P A1 12.{self.number:06d}\r\nP B1 25.{self.number:06d}\r\n".encode())
        time.sleep(pause_s)

    def drop(self) -> None:
        self.dropped += 1
        name = f"{self.dropped:06d}.json"
        (self.orders / f".{name}").write_text(json.dumps({"lot": f"L{self.dropped}"}))
        os.replace(self.orders / f".{name}", self.orders / name)

    def taken(self) -> int:
        return len(list(self.orders.glob("taken/*")))

    # --- what must be so

    def judge(self, sent: range, was_killed: bool) -> None:
        """After each life, by the journal alone; by a copy of it, so that the next start finds it as it was left.

        Without the index of its log: a commit at whose sync the process was killed may be in the log, but not in there.
        """
        look = self.cell.folder / "look"
        shutil.rmtree(look, ignore_errors=True)
        (self.cell.folder / "state").mkdir(exist_ok=True)  # it may have been killed before there was one
        not_needed = shutil.ignore_patterns("*-shm", "outputs", "*.next", "lock")
        shutil.copytree(self.cell.folder / "state", look / "state", ignore=not_needed)
        bodies = bodies_in(look / "state")
        records = [json.loads(body, parse_float=Decimal) for body in bodies]
        self.lives.append((sent, was_killed, len(bodies) > len(self.bodies)))
        self.records, self.bodies = records, bodies
        walk = SessionWalk().go(records)
        assert walk.orders == sorted(set(walk.orders)), "an order was applied twice, or out of order"
        if bodies:
            is_remembered(SimpleNamespace(folder=look), walk)
            self.balances(look, records)
        for channel in ("A1", "B1"):
            self.all_there([int(str(one["raw"]).partition(".")[2]) for one in records
                            if one["kind"] == "measurement" and one["channel"] == channel], records)
        assert not [one for one in records if one["kind"] == "unread"]

    def all_there(self, numbers: list[int], records: list[dict]) -> None:
        """Each number once, in order; missing only in one stretch of a life that was killed, and a `lost` stands for that.

        What was sent after the stretch was still in the kernel, and the next life has read it.
        """
        assert all(one < other for one, other in pairwise(numbers)), "twice, or out of order"
        there, wanted, is_owed = set(numbers), 0, False
        for sent, was_killed, made in self.lives:
            missing = [number for number in sent if number not in there]
            stretch = list(range(missing[0], missing[-1] + 1)) if missing else []
            assert not missing or was_killed and missing == stretch, (missing, sent, was_killed)
            wanted += is_owed and made                     # the first records of a life say what the ones before lost
            is_owed = bool(missing) or is_owed and not made
        told = sum(one["kind"] == "event" and one["detail"]["event"] == "lost" and one["port"] == "column" and
                   not one["detail"]["exact"] for one in records)
        assert told >= wanted, f"{wanted} times something was lost, {told} times it was said"

    def balances(self, folder: Path, records: list[dict]) -> None:
        journal = Journal.open(folder / "state")
        ledger = Memory(journal.memory()).ledger.accounts
        journal.close()
        kinds: dict[str, Counter] = {}
        for one in records:
            kinds.setdefault(one.get("port", ""), Counter())[one["kind"]] += 1
        assert [fault for account in ledger.values() for fault in account.faults()] == []
        assert {port: Counter(account.kinds) for port, account in ledger.items() if account.kinds} == kinds

    def finish(self) -> int:
        """One more life that nothing happens to, then both outputs hold everything; how many records that is."""
        for name in self.faults.glob("*.json"):
            name.unlink()
        assert not self.live(lambda: self.deliver(120.0))  # a stop leaves what it can't hand over in time to the next start
        records, bodies = self.records, self.bodies
        lines = b"".join(path.read_bytes() for path in sorted(self.cell.inbox.glob("*.jsonl"))).splitlines()
        assert lines == bodies, "the growing output is not the journal"
        rows = [row for path in sorted(self.cell.inbox.glob("*.csv"), key=first_seq)
                for row in csv.DictReader(io.StringIO(path.read_bytes().decode(), newline=""))]
        found = [(int(row["seq"]), row["id"], row["kind"]) for row in rows]
        assert found == [(one["seq"], one["id"], one["kind"]) for one in records]
        assert [path.name for path in self.cell.inbox.iterdir() if path.name.endswith(".part")] == []
        assert self.taken() == self.dropped and not list(self.orders.glob("*.json"))
        assert SessionWalk().go(records).orders == [f"{number:06d}.json" for number in range(1, self.dropped + 1)]
        return len(records)

    def end(self) -> None:
        self.cell.end()


def bodies_in(state: Path) -> list[bytes]:
    if not (state / "journal.sqlite").exists():
        return []                                          # it was killed before there was one
    Journal.open(state).close()
    reader = JournalReader.open(state)
    found = [row.body for row in reader.select()]
    reader.close()
    return found


def first_seq(path: Path) -> int:
    return int(path.stem.rpartition("-")[0].rpartition("-")[2])


def points(folder: Path) -> list[Point]:
    """Every call of a clean life: of `openat` those of the cell's own files."""
    session, traces = Session(folder, 0), {}
    own = re.compile(re.escape(str(folder)) + r"(?:/[^/\">]+)*/([^/\">]+)[\">]")
    for target in TARGETS:
        traces[target] = session.put(target, COUNTING)
    try:
        assert not session.live()
    finally:
        session.end()
    found = []
    for target, trace in traces.items():
        counts: Counter = Counter()
        for line in trace.read_text().splitlines():
            called = re.match(r"(\w+)\(", line)
            if called:
                counts[called[1]] += 1
                if called[1] != "openat" or str(folder) in line:
                    file = own.search(line)
                    found.append(Point(target, called[1], counts[called[1]], file[1] if file else ""))
    return found


def was_killed(trace: Path) -> bool:
    return trace.exists() and "killed by SIGKILL" in trace.read_text()


def was_injected(trace: Path) -> bool:
    return trace.exists() and "INJECTED" in trace.read_text()
