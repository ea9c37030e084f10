"""What one would write in an afternoon: pyserial `readline`, float, `csv.writer`, flush; the same with fsync.  One port."""

import subprocess
import sys
import time

from tests.bench.stand import ENDS_WITH_US, Columns, folder, sized, wait
from tests.bench.table import Figure, median, say, spread

LINES, GOALS_LINES_A_SECOND = sized(500, 30_000), 16_000      # the second: with flush, on the machine that the goals were set on

SCRIPT = """
import csv, os, sys, serial
port, sync = serial.Serial(sys.argv[1], 115200), sys.argv[3] == "fsync"
with open(sys.argv[2], "w", newline="") as file:
    out = csv.writer(file)
    print("reading", flush=True)
    while True:
        text = port.readline().decode().split()
        value = float(text[1]) * 25.4
        out.writerow([text[0], f"{value:8.5f}", text[2], 12.0 <= value <= 12.018])
        file.flush()
        if sync:
            os.fsync(file.fileno())
"""


def beside(what: str, goal: float, rates: list[float], lines: list[float]) -> Figure:
    """Rates of ours beside the script's, taken by turns: what is left of a goal in records a second on another machine."""
    least, found = goal / GOALS_LINES_A_SECOND, [ours / its for ours, its in zip(rates, lines)]
    return Figure(f"{what}, beside a plain script, flush", f"≥ {least:.2f} × ({goal:,.0f} where it makes {GOALS_LINES_A_SECOND:,} lines/s)",
                  spread(found, "{:.1f} ×"), f"it: {spread(lines)} lines/s", median(found) >= least)


def flushed() -> float:
    """Lines a second, with flush."""
    rate = one_run("flush", LINES)
    say(f"  a plain script, flush: {rate:,.0f} lines/s")
    return rate


def one_run(sync: str, lines: int) -> float:
    """Lines a second from the first byte to the last line in the file; `sync`: flush, fsync."""
    with folder() as place:
        columns = Columns(1, 0)
        running = subprocess.Popen([*ENDS_WITH_US, sys.executable, "-c", SCRIPT, columns.devices[0], place / "out.csv", sync],
                                   stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
        try:
            running.stdout.readline()
            begun = time.monotonic()
            columns.begin(lines)
            wait(lambda: done(place / "out.csv") >= lines, most_s=120)
            return lines / (time.monotonic() - begun)
        finally:
            running.kill()
            running.communicate()
            columns.close()


def done(path) -> int:
    """Whole lines: the shortest are `000001,12.00912,in,True`, those that are out have one letter more."""
    return 0 if path.stat().st_size < 24 else path.read_bytes().count(b"\n")
