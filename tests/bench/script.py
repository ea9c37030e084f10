"""What one would write in an afternoon: pyserial `readline`, float, `csv.writer`, flush; the same with fsync.  One port."""

import subprocess
import sys
import time

from tests.bench.stand import ENDS_WITH_US, Columns, folder, wait

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
