"""What tests share: a cell with real pseudo-terminals, a real daemon and real folders; waiting with a deadline."""

import fcntl
import itertools
import json
import os
import signal
import subprocess
import sys
import termios
import time
import tty
import zlib
from collections.abc import Callable
from pathlib import Path

import hypothesis
import pytest

from collector.config.plan import read_plan
from collector.service.proof import prove

pytest.register_assert_rewrite("tests.faults")           # what helpers assert is told in full, too

hypothesis.settings.register_profile("patient", deadline=None, suppress_health_check=[hypothesis.HealthCheck.too_slow])
hypothesis.settings.load_profile("patient")              # a machine may be slow or busy: nothing here is a timed test


def pytest_addoption(parser):
    parser.addoption("--long", action="store_true", help="run the long forms too")


def pytest_collection_modifyitems(config, items):
    for item in items:
        if "punctual" in item.keywords:
            item.add_marker(pytest.mark.flaky(reruns=3, rerun_except="Unbalanced"))
    if not config.getoption("--long"):
        for item in items:
            if "long" in item.keywords:
                item.add_marker(pytest.mark.skip(reason="the long form: run with --long"))


@pytest.fixture
def steps(request) -> itertools.count:
    """Numbers of the steps at which a test strikes, without end: each with --long, else every third, from another one on in
    each test, so that together the tests of one matrix strike at each."""
    if request.config.getoption("--long"):
        return itertools.count(1)
    return itertools.count(1 + zlib.crc32(request.node.name.encode()) % 3, 3)


def wait_for(look: Callable[[], object], what: str, seconds: float = 30.0) -> object:
    """Poll until `look` gives something true; fail with `what` after the deadline."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        found = look()
        if found:
            return found
        time.sleep(0.02)
    raise AssertionError(f"not within {seconds} s: {what}")


SYSTEMD_WAITS_S = 8
"""TimeoutStopSec of systemd/*.service: what has not stopped then is killed."""


class Column:
    """The far end of a line: a pseudo-terminal whose slave lies behind a link, so that it can be pulled and put back."""

    def __init__(self, link: Path):
        self.link = link
        self.master = -1
        self.plug()

    def plug(self) -> None:
        self.master, self.slave = os.openpty()
        tty.setraw(self.slave)
        self.link.unlink(missing_ok=True)
        self.link.symlink_to(os.ttyname(self.slave))

    def send(self, data: bytes) -> None:
        while data:
            data = data[os.write(self.master, data[:4096]):]

    def pull(self) -> None:
        if self.master >= 0:
            self.link.unlink(missing_ok=True)
            os.close(self.slave)
            os.close(self.master)
            self.master = -1


class Unbalanced(AssertionError):
    """What came is not what is kept and told: never the machine's doing, so never tried again."""


class Cell:
    """One collector under test, with its configuration, state and inbox in a folder."""

    def __init__(self, folder: Path):
        self.folder, self.inbox, self.config = folder, folder / "inbox", folder / "cell.yaml"
        self.inbox.mkdir()
        self.columns: dict[str, Column] = {}
        self.daemon: subprocess.Popen | None = None
        self.log = folder / "log.jsonl"

    def column(self, name: str) -> Column:
        self.columns[name] = Column(self.folder / f"tty-{name}")
        return self.columns[name]

    def configure(self, text: str) -> None:
        """The configuration; the journal's reserve is small, so that many tests do not fill a disk."""
        small = "" if "journal:" in text else "\njournal: {reserve: 100 kB}\n"
        self.config.write_text(text + small, encoding="utf-8")

    def command(self, *words: str, **options) -> subprocess.CompletedProcess:
        return subprocess.run([sys.executable, "-m", "collector", *words], capture_output=True, text=True, timeout=60, **options)

    def start(self, *words: str) -> None:
        """A pty stays exclusive while its master lives, as no real device would: a killed collector's lock is taken off."""
        for column in self.columns.values():
            fcntl.ioctl(column.slave, termios.TIOCNXCL)
        with open(self.log, "ab") as log:
            self.daemon = subprocess.Popen([sys.executable, "-m", "collector", "run", str(self.config), *words],
                                           stderr=log, stdout=subprocess.DEVNULL)

    def open(self, ports: int = 1) -> None:
        """Wait until so many ports are open now."""
        wait_for(lambda: self.status() and self.is_of_daemon() and sum(
            port["state"] == "open" for port in self.status()["ports"].values()) >= ports, f"{ports} open ports")
        time.sleep(0.06)                                       # a first frame that comes right at the opening may be cut

    def is_of_daemon(self) -> bool:
        return self.status().get("pid") == self.daemon.pid

    def status(self) -> dict:
        try:
            return json.loads((self.folder / "state" / "status.json").read_bytes())
        except (OSError, ValueError):
            return {}

    def stop(self, number: int = signal.SIGTERM, seconds: float = 10.0) -> int:
        """End the daemon; whatever the test did to it, the ledger balances."""
        self.daemon.send_signal(number)
        code = self.daemon.wait(seconds)
        self.daemon = None
        if faults := prove(read_plan(self.config))["faults"]:
            raise Unbalanced(faults)
        return code

    def records(self, **wanted: str) -> list[dict]:
        """The records of the growing output so far, by file name; only those with these fields."""
        found = []
        for path in sorted(self.inbox.glob("*.jsonl")):
            whole = path.read_bytes().rpartition(b"\n")[0]
            found += [json.loads(line) for line in whole.splitlines()]
        return [one for one in found if all(one.get(key) == value for key, value in wanted.items())]

    def wait_records(self, count: int, seconds: float = 30.0, **wanted: str) -> list[dict]:
        wait_for(lambda: len(self.records(**wanted)) >= count, f"{count} records {wanted}; have {self.records(**wanted)[-3:]}", seconds)
        return self.records(**wanted)

    def end(self) -> None:
        if self.daemon is not None:
            self.daemon.kill()
            self.daemon.wait()
        for column in self.columns.values():
            column.pull()


@pytest.fixture
def cell(tmp_path):
    made = Cell(tmp_path)
    yield made
    made.end()


@pytest.fixture
def until():
    return wait_for
