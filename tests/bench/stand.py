"""What every benchmark stands on: columns, the daemon with as many ports, and what it costs.

The configuration is the whole of what a cell has: a pattern on RE2 with the part's serial in the frame, inches to
millimetres, limits, a master that was checked, lot and operator from a scanner.
"""

import fcntl
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import termios
import time
import tty
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import NamedTuple

from collector.errors import StoppedByIO
from collector.journal import JournalReader

ROOT = Path(__file__).parent.parent.parent
TICKS_A_SECOND = os.sysconf("SC_CLK_TCK")
WIRE_BYTES = 11_520                           # 115,200 baud, 8N1
WARM_LINES = 576                              # on each port: a second at the rate of the wire
_STILL_S = 10.0
GATHER_MS = 30                                # journal.gather as it is where nothing is said
SHORT, LONG = "--short" in sys.argv, "--long" in sys.argv
ENDS_WITH_US = ("setpriv", "--pdeathsig", "KILL") if shutil.which("setpriv") else ()


def option(name: str, otherwise: int) -> int:
    """A number of the command line: `--runs 5`."""
    return int(sys.argv[sys.argv.index(name) + 1]) if name in sys.argv else otherwise


RUNS = option("--runs", 1 if SHORT else 5)


def sized(short: int, usual: int, long: int | None = None) -> int:
    """How much of something: for the short form, the usual one, the long one."""
    return short if SHORT else long if LONG and long is not None else usual


@contextmanager
def folder() -> Iterator[Path]:
    """A folder for one run; $TMPDIR says where, which should be the disk that is meant."""
    with tempfile.TemporaryDirectory(prefix="bench-", ignore_cleanup_errors=True) as name:
        yield Path(name)


class Columns:
    """The process of the columns."""

    def __init__(self, ports: int, pace_bytes: int):
        self.running = subprocess.Popen([sys.executable, "-m", "tests.bench.columns", str(ports), str(pace_bytes)],
                                        cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        self.devices = json.loads(self.running.stdout.readline())
        self.pid, self._held = self.running.pid, [os.open(one, os.O_RDWR | os.O_NOCTTY) for one in self.devices]

    def begin(self, lines: int) -> None:
        """Send so many lines on every port; `ended` waits for that."""
        self._tell(str(lines))

    def frame(self) -> None:
        """Send one line on every port, its bytes at the pace of a wire."""
        self._tell("frame")

    def ring(self) -> None:
        """Every column reads its master."""
        self._tell("ring")
        self.ended()

    def _tell(self, order: str) -> None:
        self.running.stdin.write(f"{order}\n")
        self.running.stdin.flush()

    def ended(self) -> dict:
        return json.loads(self.running.stdout.readline())

    def free(self) -> None:
        """A pseudo-terminal stays claimed beyond a kill, as no real device would: the claim is taken off."""
        for fd in self._held:
            fcntl.ioctl(fd, termios.TIOCNXCL)

    def close(self) -> None:
        self.running.kill()
        self.running.communicate()
        for fd in self._held:
            os.close(fd)


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

    def __init__(self, config: Path, **environment: str):
        self.config, self.begun_ns = config, time.time_ns()
        with open(config.parent / "log", "ab") as log:
            self.running = subprocess.Popen([*ENDS_WITH_US, sys.executable, "-m", "collector", "run", str(config)], cwd=ROOT,
                                            env={**os.environ, **environment}, stdin=subprocess.DEVNULL, stderr=log)
        self.pid = self.running.pid

    def journal(self) -> JournalReader:
        found: list[JournalReader] = []

        def look() -> bool:
            with suppress(StoppedByIO):
                found.append(JournalReader.open(self.config.parent / "state"))
            return bool(found)

        wait(look)
        return found[0]

    def refuse_dead(self) -> bool:
        """True; an AssertionError where the program has ended."""
        ended = self.running.poll()
        assert ended is None, f"the collector has ended with {ended}: {(self.config.parent / 'log').read_text()[-1000:]}"
        return True

    def children(self) -> list[int]:
        return [int(pid) for pid in Path(f"/proc/{self.pid}/task/{self.pid}/children").read_text().split()]

    def kill(self) -> None:
        self.running.kill()
        self.running.wait()

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

    def free(self) -> None:
        fcntl.ioctl(self.slave, termios.TIOCNXCL)

    def close(self) -> None:
        os.close(self.fd)
        os.close(self.slave)


def journal_end(folder: Path) -> int:
    """The seq used last in a journal that is there already; 0: there is none."""
    with suppress(StoppedByIO):
        journal = JournalReader.open(folder / "state")
        try:
            return journal.last()
        finally:
            journal.close()
    return 0


class Poured(NamedTuple):
    """What it took to make so many lines durable: seconds of CPU, and from the first byte to the last record."""

    told: dict
    records: int
    seconds: float
    collector_s: float
    outputs_s: float
    sender_s: float

    def shares(self) -> str:
        return (f"collector {self.collector_s / self.seconds:.0%}, outputs {self.outputs_s / self.seconds:.0%}, "
                f"sender {self.sender_s / self.seconds:.0%} of a core")


class Cell:
    """Columns, scanner and daemon together, every column checked on its master and the part in force."""

    def __init__(self, folder: Path, ports: int, pace_bytes: int, outputs: str = "", **environment: str):
        self.ports, self.folder = ports, folder
        self.columns, self.scanner = Columns(ports, pace_bytes), Scanner()
        self.config = configuration(folder, self.columns.devices, self.scanner.device, outputs)
        self.began = journal_end(folder) + 1
        self.daemon = Daemon(self.config, **environment)
        self.journal = self.daemon.journal()
        try:
            self._prepare(ports)
        except BaseException:
            print(*(row.body for row in self.journal.select(kinds=("event", "unread"))), sep="\n")
            self.close()
            raise

    def _prepare(self, ports: int) -> None:
        """Check every column on its master, put lot and operator in force."""
        wait(lambda: self.daemon.refuse_dead() and self.count("event", "port-open") == ports + 1)
        time.sleep(0.1)                       # what comes right at the opening may be the end of something
        self.scanner.label("L77 anna")
        self.columns.ring()
        wait(lambda: self.count("master") == ports and self.count("event", "context") == 1)
        self.before = self.journal.last()

    def count(self, kind: str, text: str = "") -> int:
        return sum(text.encode() in row.body for row in self.journal.select(kinds=(kind,), first=self.began))

    def warm(self) -> None:
        """A first second goes before what is measured: in it each size of each column is new, and read twice."""
        self.pour(WARM_LINES)

    def pour(self, lines: int) -> Poured:
        """Send so many lines on every port, and wait until all are durable; one that is missing is an AssertionError."""
        pids = self.daemon.pid, self.daemon.children(), self.columns.pid
        used = [cpu_s(pids[0]), sum(map(cpu_s, pids[1])), cpu_s(pids[2])]
        self.before, begun = self.journal.last(), time.monotonic()
        self.columns.begin(lines)
        told = self.columns.ended()
        self._wait_for(self.before + self.ports * lines)
        seconds = time.monotonic() - begun
        after = [cpu_s(pids[0]), sum(map(cpu_s, pids[1])), cpu_s(pids[2])]
        self.refuse_lost(lines)
        return Poured(told, self.ports * lines, seconds, *(late - early for early, late in zip(used, after)))

    def _wait_for(self, seq: int) -> None:
        """Until the journal has got so far; an AssertionError where it stands still before."""
        last, moved = 0, time.monotonic()
        while (found := self.journal.last()) < seq:
            if found != last:
                last, moved = found, time.monotonic()
            self.daemon.refuse_dead()
            assert time.monotonic() < moved + _STILL_S, f"the journal stands still at {found}; {seq - found} records are missing"
            time.sleep(0.005)

    def refuse_lost(self, lines: int) -> None:
        """Every port has exactly so many measurements since `before`, and nothing else came."""
        found = self.journal.kinds(self.before, self.journal.last())
        assert found == {(f"line{number}", "measurement"): lines for number in range(self.ports)}, found

    def delivered(self, output: str) -> int:
        """The seq through which an output has taken all."""
        try:
            return json.loads((self.folder / "state" / "outputs" / f"{output}.cursor").read_bytes())["delivered"]
        except FileNotFoundError:
            return 0

    def __enter__(self) -> "Cell":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        self.columns.close()
        self.scanner.close()
        self.journal.close()
        self.daemon.stop()
