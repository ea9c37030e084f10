"""The collector beside a plain script, on the same pseudo-terminal, on the same machine, in one run.

    .venv/bin/python -m tests.bench.first [--short]

Script: pyserial `readline`, float, `csv.writer`, flush; and the same with fsync.  Collector: the daemon with a pattern,
a conversion-free unit, limits, and every record synced in its journal.  `lines/s`: from the first byte written to the last
record durable (script: in the file), start of the process left out.  `ms`: from writing one line to its record being there
to read, one line each 20 ms.  Medians of the runs.  Absolute figures are of the machine; the ratios are what is shown.
"""

import os
import statistics
import subprocess
import sys
import tempfile
import time
import tty
from pathlib import Path

from collector.errors import StoppedByIO
from collector.journal import JournalReader

SHORT = "--short" in sys.argv
RUNS, LINES, PACED = (1, 500, 10) if SHORT else (5, 50_000, 200)
LINE = b"+12.0123 mm\r\n"

SCRIPT = """
import csv, os, sys, serial
port, sync = serial.Serial(sys.argv[1], 115200), sys.argv[3] == "sync"
with open(sys.argv[2], "w", newline="") as file:
    out = csv.writer(file)
    while True:
        text = port.readline().decode().split()
        value = float(text[0])
        out.writerow([value, text[1], 12.0 <= value <= 12.018])
        file.flush()
        if sync:
            os.fsync(file.fileno())
"""
CONFIG = """
site: bench
ports: {{line: {{device: {device}, baud: 115200, format: line}}}}
formats: {{line: {{pattern: '^(?P<value>[+-]?\\d+\\.\\d+) (?P<unit>mm)$'}}}}
parts: {{housing: {{bore: {{channel: line, nominal: 12 mm, limits: {{lower: 0 mm, upper: 0.018 mm}}}}}}}}
outputs: {{mes: {{kind: jsonl, folder: {folder}, every: 1 h, records: 100000, kinds: [master]}}}}
"""


class Script:
    """The plain script; what is done is counted by the size of its file."""

    def __init__(self, folder: Path, device: str, sync: str):
        self.file = folder / "out.csv"
        self.running = subprocess.Popen([sys.executable, "-c", SCRIPT, device, str(self.file), sync])
        wait(self.file.exists)
        time.sleep(0.3)                       # it opens its port before its file: let it reach readline

    def done(self) -> int:
        return self.file.stat().st_size // len(b"12.0123,mm,True\r\n")


class Collector:
    """The daemon; what is done is what its journal holds."""

    def __init__(self, folder: Path, device: str, _: str):
        (folder / "cell.yaml").write_text(CONFIG.format(device=device, folder=folder))
        self.running = subprocess.Popen([sys.executable, "-m", "collector", "run", str(folder / "cell.yaml")], stderr=subprocess.DEVNULL)
        wait(lambda: self._open(folder) and self.journal.last() >= 2)
        self.before = self.journal.last()

    def _open(self, folder: Path) -> bool:
        try:
            self.journal = JournalReader.open(folder / "state")
        except StoppedByIO:
            return False
        return True

    def done(self) -> int:
        return self.journal.last() - self.before


def wait(look, pause_s: float = 0.005) -> None:
    end = time.monotonic() + 300
    while not look():
        assert time.monotonic() < end, "nothing moves"
        time.sleep(pause_s)


def one_run(kind, sync: str) -> tuple[float, list[float]]:
    """(lines per second, ms of each paced line) of one fresh process on a fresh pseudo-terminal."""
    with tempfile.TemporaryDirectory() as name:
        master, slave = os.openpty()
        tty.setraw(slave)
        subject = kind(Path(name), os.ttyname(slave), sync)
        try:
            delays = []
            for number in range(1, PACED + 1):
                time.sleep(0.02)
                begun = time.perf_counter()
                os.write(master, LINE)
                wait(lambda: subject.done() >= number, 0.0001)
                delays.append((time.perf_counter() - begun) * 1000)
            begun, data = time.perf_counter(), LINE * LINES
            while data:
                data = data[os.write(master, data[:4096]):]
            wait(lambda: subject.done() >= PACED + LINES)
            return LINES / (time.perf_counter() - begun), delays
        finally:
            subject.running.terminate()
            subject.running.wait()
            os.close(slave)
            os.close(master)


def main() -> None:
    rows = {}
    for name, kind, sync in (("script, flush", Script, "flush"), ("script, fsync", Script, "sync"), ("collector, durable", Collector, "")):
        runs = [one_run(kind, sync) for _ in range(RUNS)]
        delays = sorted(delay for _, found in runs for delay in found)
        rows[name] = (statistics.median(rate for rate, _ in runs), statistics.median(delays), delays[int(len(delays) * 0.99)])
    ours = rows["collector, durable"][0]
    print(f"{'':20} {'lines/s':>9} {'p50 ms':>8} {'p99 ms':>8} {'collector is':>13}")
    for name, (rate, middle, late) in rows.items():
        print(f"{name:20} {rate:9.0f} {middle:8.2f} {late:8.2f} {ours / rate:11.1f} x")


if __name__ == "__main__":
    main()
