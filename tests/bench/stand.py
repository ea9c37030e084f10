"""What every benchmark stands on: columns, the daemon with as many ports, its costs, when records became durable.

The configuration is the whole of what a cell has: a pattern on RE2 with the part's serial in the frame, inches to
millimetres, limits, a master that was checked, lot and operator from a scanner.
"""

import bisect
import json
import os
import signal
import statistics
import subprocess
import sys
import threading
import time
import tty
from contextlib import suppress
from pathlib import Path

from collector.errors import StoppedByIO
from collector.journal import JournalReader

ROOT = Path(__file__).parent.parent.parent
TICKS_A_SECOND = os.sysconf("SC_CLK_TCK")
WIRE_BYTES = 11_520                           # 115,200 baud, 8N1
SHORT, LONG = "--short" in sys.argv, "--long" in sys.argv


class Columns:
    """The process of the columns."""

    def __init__(self, ports: int, pace_bytes: int):
        self.running = subprocess.Popen([sys.executable, "-m", "tests.bench.columns", str(ports), str(pace_bytes)],
                                        cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        self.devices = json.loads(self.running.stdout.readline())

    def begin(self, lines: int) -> None:
        """Send so many lines on every port; `ended` waits for that."""
        self._tell(str(lines))

    def ring(self) -> None:
        """Every column reads its master."""
        self._tell("ring")
        self.ended()

    def _tell(self, order: str) -> None:
        self.running.stdin.write(f"{order}\n")
        self.running.stdin.flush()

    def ended(self) -> dict:
        return json.loads(self.running.stdout.readline())

    def close(self) -> None:
        self.running.kill()
        self.running.communicate()


def configuration(folder: Path, devices: list[str], scanner: str, outputs: str, baud: int = 115_200) -> Path:
    """The configuration of the whole cell in `folder`; `outputs`: YAML of that section, indented by two."""
    ports = "".join(f"  line{number}: {{device: {device}, baud: {baud}, format: line}}\n"
                    for number, device in enumerate(devices))
    bores = "".join(f"  housing-{number}:\n"
                    f"    bore: {{channel: line{number}, nominal: 12 mm, limits: {{lower: 0 mm, upper: 0.018 mm}},\n"
                    "      masters: [{name: ring, size: 12 mm, within: 2 um, every: 8 h}]}\n"
                    for number in range(len(devices)))
    path = folder / "cell.yaml"
    path.write_text(f"""site: bench
ports:
  scanner: {{device: {scanner}, format: label}}
{ports}formats:
  line: {{pattern: '^(?P<serial>\\d{{6}}) (?P<value>[+-]\\d\\.\\d{{5}}) (?P<unit>in)(?P<kind>R)?$', kinds: {{R: master}}}}
  label: {{pattern: '^(?P<lot>L\\d+) (?P<operator>\\S+)$'}}
parts:
{bores}context:
  labels: {{port: scanner, sets: [lot, operator]}}
outputs:
{outputs or "  mes: {kind: jsonl, folder: " + str(folder) + ", kinds: [suspect], sentinel: false}"}
""")
    return path


class Daemon:
    """`collector run` on a configuration; `pid` of its own process."""

    def __init__(self, config: Path, *under: str):
        self.config, self.begun = config, time.monotonic()
        self.running = subprocess.Popen([*under, sys.executable, "-m", "collector", "run", str(config)], cwd=ROOT,
                                        stderr=open(config.parent / "log", "ab"))
        self.pid = self.running.pid

    def journal(self) -> JournalReader:
        found: list[JournalReader] = []

        def look() -> bool:
            with suppress(StoppedByIO):
                found.append(JournalReader.open(self.config.parent / "state"))
            return bool(found)

        wait(look)
        return found[0]

    def children(self) -> list[int]:
        return [int(pid) for pid in Path(f"/proc/{self.pid}/task/{self.pid}/children").read_text().split()]

    def stop(self) -> None:
        self.running.send_signal(signal.SIGTERM)
        self.running.wait()


def wait(look, pause_s: float = 0.005, most_s: float = 20) -> None:
    """Until `look()` is true."""
    end = time.monotonic() + most_s
    while not look():
        assert time.monotonic() < end, look
        time.sleep(pause_s)


def cpu_s(pid: int, where: Path | None = None) -> float:
    """CPU seconds of a process, all its threads."""
    fields = ((where or Path(f"/proc/{pid}")) / "stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICKS_A_SECOND


def threads_s(pid: int) -> list[float]:
    """CPU seconds of each thread of a process, the busiest first."""
    return sorted((cpu_s(int(path.name), path) for path in Path(f"/proc/{pid}/task").iterdir()), reverse=True)


def memory_mb(pid: int) -> float:
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmRSS"):
            return int(line.split()[1]) / 1000
    return 0.0


class Scanner:
    """A pseudo-terminal that reads labels."""

    def __init__(self) -> None:
        self.fd, slave = os.openpty()
        tty.setraw(slave)
        self.device, self.slave = os.ttyname(slave), slave

    def label(self, text: str) -> None:
        os.write(self.fd, text.encode() + b"\r\n")

    def close(self) -> None:
        os.close(self.fd)
        os.close(self.slave)


class Cell:
    """Columns, scanner and daemon together, every column checked on its master and the part in force."""

    def __init__(self, folder: Path, ports: int, pace_bytes: int, outputs: str = "", under: tuple[str, ...] = ()):
        self.ports = ports
        self.columns, self.scanner = Columns(ports, pace_bytes), Scanner()
        config = configuration(folder, self.columns.devices, self.scanner.device, outputs)
        self.daemon = Daemon(config, *under)
        self.journal = self.daemon.journal()
        try:
            self._prepare(ports)
        except BaseException:
            print(*(row.body for row in self.journal.select()), sep="\n")
            self.close()
            raise

    def _prepare(self, ports: int) -> None:
        """Check every column on its master, put lot and operator in force."""
        wait(lambda: self.count("event", "port-open") == ports + 1)
        time.sleep(0.1)                       # what comes right at the opening may be the end of something
        self.scanner.label("L77 anna")
        self.columns.ring()
        wait(lambda: self.count("master") == ports and self.count("event", "context") == 1)
        self.before = self.journal.last()

    def count(self, kind: str, text: str = "") -> int:
        return sum(text.encode() in row.body for row in self.journal.select(kinds=(kind,)))

    def close(self) -> None:
        self.columns.close()
        self.scanner.close()
        self.journal.close()
        self.daemon.stop()


class Durable(threading.Thread):
    """Writes down how far the journal had got, and when, each millisecond; in a thread of the benchmark."""

    def __init__(self, folder: Path):
        super().__init__(daemon=True)
        self._folder, self._over = folder, threading.Event()
        self.at_ns: list[int] = []
        self.seq: list[int] = []

    def run(self) -> None:
        journal, last = JournalReader.open(self._folder / "state"), 0
        while not self._over.wait(0.001):
            found = journal.last()
            if found != last:
                last = found
                self.at_ns.append(time.monotonic_ns())
                self.seq.append(found)
        journal.close()

    def stop(self) -> None:
        self._over.set()
        self.join()

    def when_ns(self, seq: int) -> int:
        """When a record was first seen to be durable."""
        return self.at_ns[bisect.bisect_left(self.seq, seq)]


class Disk(threading.Thread):
    """Probes the disk while a benchmark runs: a small append and fdatasync ten times a second; `ms` of each."""

    def __init__(self, folder: Path, each_s: float = 0.1):
        super().__init__(daemon=True)
        self._folder, self._over, self._each_s = folder, threading.Event(), each_s
        self.ms: list[float] = []

    def run(self) -> None:
        fd = os.open(self._folder / "probe", os.O_CREAT | os.O_WRONLY | os.O_APPEND, 0o600)
        while not self._over.wait(self._each_s):
            begun = time.perf_counter()
            os.write(fd, b"x" * 512)
            os.fdatasync(fd)
            self.ms.append((time.perf_counter() - begun) * 1000)
        os.close(fd)

    def stop(self) -> None:
        self._over.set()
        self.join()


def at(values: list[float], share: float) -> float:
    """The value below which that share lies: 0.5 the median, 0.99 …"""
    return sorted(values)[min(len(values) - 1, int(len(values) * share))]


def median(values: list[float]) -> float:
    return statistics.median(values)
