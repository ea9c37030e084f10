"""The service manager, stood in for by a real datagram socket: what it is told, and what it gives back."""

import array
import os
import socket
import subprocess
import sys
import threading
import time
import tty
from pathlib import Path
from types import SimpleNamespace

import pytest

from collector.clock import SystemClock
from collector.ports import LineSettings, open_port, take_back
from collector.errors import PortLost
from collector.service.manager import ManagerShelf, Watchdog
from collector.service.notify import Notifier, taken_back
from tests.conftest import wait_for
from tests.unit.test_ports import read_bytes


class Manager:
    """Receives what a service says; keeps descriptors as the real one does."""

    def __init__(self, address: str):
        self.line = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.line.bind(address)
        self.line.settimeout(30)
        self.said: list[str] = []
        self.kept: dict[str, int] = {}

    def hear(self) -> str:
        data, beside, _, _ = self.line.recvmsg(4096, 1024)
        said = dict(line.split("=", 1) for line in data.decode().split("\n"))
        if "FDSTORE" in said:
            fds = array.array("i")
            fds.frombytes(beside[0][2])
            self.kept[said["FDNAME"]] = fds[0]
        if "FDSTOREREMOVE" in said and said["FDNAME"] in self.kept:
            os.close(self.kept.pop(said["FDNAME"]))
        self.said.append(data.decode())
        return self.said[-1]

    def hear_until(self, begin: str) -> str:
        while not self.hear().startswith(begin):
            pass
        return self.said[-1]

    def end(self) -> None:
        self.line.close()
        for fd in self.kept.values():
            os.close(fd)


@pytest.fixture
def manager(tmp_path):
    manager = Manager(str(tmp_path / "notify"))
    yield manager
    manager.end()


def notifier(tmp_path: Path, **more: str) -> Notifier:
    return Notifier({"NOTIFY_SOCKET": str(tmp_path / "notify"), **more})


def test_each_message_is_as_sd_notify_wants_it(manager, tmp_path):
    one = notifier(tmp_path)
    one.ready("2 of 2 ports open\nREADY=0")
    assert manager.hear() == "READY=1\nSTATUS=2 of 2 ports open READY=0"      # no text becomes a message of its own
    one.reloading()
    said = manager.hear().split("\n")
    assert said[0] == "RELOADING=1" and said[1].startswith("MONOTONIC_USEC=") and int(said[1].partition("=")[2]) > 0
    one.stopping()
    one.alive()
    one.status("well")
    assert [manager.hear() for _ in range(3)] == ["STOPPING=1", "WATCHDOG=1", "STATUS=well"]


def test_an_abstract_address_is_understood():
    name = f"collector-test-{os.getpid()}"
    manager = Manager("\0" + name)
    Notifier({"NOTIFY_SOCKET": "@" + name}).stopping()
    assert manager.hear() == "STOPPING=1"
    manager.end()


def test_without_a_manager_nothing_is_said_and_with_a_dead_one_nothing_breaks(tmp_path):
    Notifier({}).ready("well")
    Notifier({"NOTIFY_SOCKET": str(tmp_path / "nobody")}).ready("well")


@pytest.mark.parametrize("environment, seconds", [
    ({"WATCHDOG_USEC": "30000000"}, 30), ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": str(os.getpid())}, 30),
    ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "1"}, 0), ({}, 0)])
def test_the_watchdog_is_ours_only_where_it_says_so(environment, seconds):
    assert Notifier(environment).watchdog_ns == seconds * 1_000_000_000


def test_the_watchdog_is_told_of_progress_a_third_of_its_time_apart_and_not_while_a_thread_stands_still(manager, tmp_path):
    clock = SimpleNamespace(now=100 * 10**9, steady_ns=lambda: clock.now)
    watchdog = Watchdog(notifier(tmp_path, WATCHDOG_USEC="30000000"), clock)
    reader = SimpleNamespace(name="reader", moved_ns=clock.now)
    assert watchdog.look((reader,), "well") == []
    assert [manager.hear(), manager.hear()] == ["WATCHDOG=1", "STATUS=well"]
    clock.now += 9 * 10**9
    assert watchdog.look((reader,), "well") == []                # 10 s are not over: nothing more is said
    clock.now += 7 * 10**9
    assert watchdog.look((reader,), "well") == ["reader"]         # for 16 s it has not moved
    reader.moved_ns = clock.now
    watchdog.look((reader,), "again well")
    assert [manager.hear(), manager.hear()] == ["WATCHDOG=1", "STATUS=again well"]


RECEIVES = """
import os, sys
from collector.service.notify import taken_back
os.environ["LISTEN_PID"] = str(os.getpid()) if sys.argv[1] == "ours" else "1"
found = taken_back(os.environ)
print(sorted((name, os.read(fd, 100).decode(), os.get_inheritable(fd)) for name, fd in found.items()), sorted(k for k in os.environ if "LISTEN" in k))
"""


@pytest.mark.parametrize("whose, wanted", [
    ("ours", "[('port-a', 'from a', False), ('port-b', 'from b', False)] []"), ("another's", "[] []")])
def test_descriptors_that_were_kept_come_back_by_name_and_go_to_no_child(tmp_path, whose, wanted):
    (tmp_path / "a").write_text("from a")
    (tmp_path / "b").write_text("from b")
    code = (f"import os; a = os.open({str(tmp_path / 'a')!r}, 0); b = os.open({str(tmp_path / 'b')!r}, 0); os.dup2(a, 13); os.dup2(b, 14);"
            "os.dup2(13, 3); os.dup2(14, 4);"
            f"os.execv({sys.executable!r}, [{sys.executable!r}, '-c', {RECEIVES!r}, {whose!r}])")
    environment = {**os.environ, "LISTEN_FDS": "2", "LISTEN_FDNAMES": "port-a:port-b"}
    said = subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, text=True)
    assert said.stdout.strip() == wanted, said.stderr


def test_without_kept_descriptors_there_are_none():
    assert taken_back({}) == {}


# --- a device beyond the end of its process


@pytest.fixture
def pty():
    master, slave = os.openpty()
    tty.setraw(slave)
    yield master, os.ttyname(slave)
    os.close(slave)
    os.close(master)


def test_what_arrives_while_nobody_runs_waits_in_a_kept_device(pty, manager, tmp_path):
    master, device = pty
    shelf = ManagerShelf(notifier(tmp_path), {}, {"bore"})
    port = open_port("bore", LineSettings(device=device))
    shelf.keep("bore", port.fd)
    manager.hear_until("FDSTORE=1")
    port.close()                                                 # the process ends
    os.write(master, b"P 12.0100\r\n")
    again = take_back("bore", LineSettings(device=device), os.dup(manager.kept["port-bore"]))
    assert again.discarded == 0 and read_bytes(again, 11) == b"P 12.0100\r\n"
    with pytest.raises(PortLost, match="in use"):                # it is held for us alone, as ever
        open_port("bore", LineSettings(device=device))
    again.close()


def test_a_kept_device_that_has_hung_up_or_is_another_is_not_taken_back(pty, manager, tmp_path):
    _, device = pty
    master, slave = os.openpty()
    with pytest.raises(PortLost, match="is not there"):
        take_back("bore", LineSettings(device=device), os.dup(slave))         # another device than its name leads to now
    name = os.ttyname(slave)
    kept = os.dup(slave)
    os.close(slave)
    os.close(master)
    with pytest.raises(PortLost):
        take_back("bore", LineSettings(device=name), kept)
    with pytest.raises(OSError):
        os.fstat(kept)                                           # closed


def test_what_was_kept_for_a_port_that_is_configured_no_more_is_given_up(manager, tmp_path):
    kept = {"port-old": os.open("/dev/null", 0), "port-bore": 99}
    shelf = ManagerShelf(notifier(tmp_path), kept, {"bore"})
    assert shelf.kept == {"bore": 99}
    assert manager.hear() == "FDSTOREREMOVE=1\nFDNAME=port-old"


def test_a_start_that_takes_long_asks_for_more_time_while_it_moves(manager, tmp_path):
    notifier, clock = Notifier({"NOTIFY_SOCKET": str(tmp_path / "notify")}), SystemClock()
    worker = SimpleNamespace(opened=threading.Event(), moved_ns=clock.steady_ns() + 3_600_000_000_000)
    waiting = threading.Thread(target=Watchdog(notifier, clock).wait_until_open, args=(worker, 0.05))
    waiting.start()
    assert [manager.hear(), manager.hear()] == ["EXTEND_TIMEOUT_USEC=300000"] * 2
    worker.moved_ns = 0                                        # it stands still: the manager's own time counts
    time.sleep(0.2)
    manager.line.settimeout(0.3)
    with pytest.raises(TimeoutError):
        while True:
            manager.hear()
    worker.opened.set()
    waiting.join(5)
    assert not waiting.is_alive()


# --- the daemon


CONFIG = """
site: brunnenhof
ports: {column: {device: ./tty-column, format: line}}
formats: {line: {pattern: '^P (?P<value>\\d+\\.\\d+)$', unit: mm}}
outputs: {line: {kind: jsonl, folder: ./inbox, publish: growing, every: 50 ms}}
"""


def test_the_daemon_tells_its_manager_of_each_turn_of_its_life(cell, manager, tmp_path, monkeypatch):
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
    monkeypatch.setenv("WATCHDOG_USEC", "3000000")
    cell.column("column")
    cell.configure(CONFIG)
    cell.start()
    manager.hear_until("READY=1")
    manager.hear_until("WATCHDOG=1")
    wait_for(lambda: "port-column" in manager.kept or manager.hear() and False, "the device kept")
    good = cell.config.read_text()
    cell.config.write_text(good.replace("site:", "sight:"))
    cell.daemon.send_signal(1)
    manager.hear_until("RELOADING=1")
    assert manager.hear_until("READY=1").endswith("; a configuration was refused")
    cell.config.write_text(good)
    assert cell.stop() == 0
    manager.hear_until("STOPPING=1")


@pytest.mark.punctual
def test_a_daemon_whose_worker_stands_still_tells_its_manager_nothing(cell, manager, tmp_path, monkeypatch):
    """The journal's disk does not answer: strace holds its sync for 20 s."""
    import shutil
    if not shutil.which("strace"):
        pytest.skip("takes strace")
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
    monkeypatch.setenv("WATCHDOG_USEC", "3000000")
    column = cell.column("column")
    cell.configure(CONFIG)
    cell.start()
    cell.open()
    manager.hear_until("WATCHDOG=1")
    hold = subprocess.Popen(["strace", "-f", "-q", "-o", "/dev/null", "-p", str(cell.daemon.pid), "-e", "trace=fdatasync",
                             "-e", "inject=fdatasync:delay_enter=20s"], stderr=subprocess.DEVNULL)
    try:
        wait_for(lambda: "TracerPid:\t0" not in Path(f"/proc/{cell.daemon.pid}/status").read_text(), "strace")
        column.send(b"P 12.0100\r\n")
        wait_for(lambda: b'"standing-still"' in cell.log.read_bytes(), "the word in the log", 15)
        manager.line.settimeout(0.01)
        with pytest.raises(TimeoutError):
            while True:
                manager.hear()
        manager.line.settimeout(2.5)
        with pytest.raises(TimeoutError):
            manager.hear_until("WATCHDOG=1")
        assert '"thread": "worker"' in cell.log.read_text()
    finally:
        cell.daemon.kill()
        hold.wait()


def test_numbered_readings_over_kills_are_all_there_where_devices_are_kept(cell, manager, tmp_path, monkeypatch):
    """The test stands in for the manager: it keeps the device, and hands it to the next start as its third descriptor."""
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
    column = cell.column("column")
    cell.configure(CONFIG)
    number = 0
    for _ in range(5):
        start_with(cell, manager)
        cell.open()
        for _ in range(3):
            number += 1
            column.send(b"P 12.%04d\r\n" % number)
        cell.wait_records(number, kind="measurement")            # what was read before it is durable is another test's
        cell.daemon.kill()
        cell.daemon.wait()
        manager.line.settimeout(0.2)
        with pytest.raises(TimeoutError):
            while True:
                manager.hear()
        number += 1
        column.send(b"P 12.%04d\r\n" % number)                   # while nobody runs
    start_with(cell, manager)
    found = cell.wait_records(number, kind="measurement")
    assert [one["raw"] for one in found] == [f"P 12.{n:04d}" for n in range(1, number + 1)]
    assert cell.stop() == 0


def start_with(cell, manager: Manager) -> None:
    """As a service manager starts a service: with what it keeps for it."""
    kept = manager.kept.get("port-column")
    code = ("import os, sys; kept = int(sys.argv[1]); kept == 3 or os.dup2(kept, 3);"
            "os.environ.update(LISTEN_PID=str(os.getpid()), LISTEN_FDS='1', LISTEN_FDNAMES='port-column');"
            "os.execv(sys.executable, [sys.executable, '-m', 'collector', 'run', sys.argv[2]])")
    with open(cell.log, "ab") as log:
        words = [sys.executable, "-c", code, str(kept), str(cell.config)] if kept is not None else \
            [sys.executable, "-m", "collector", "run", str(cell.config)]
        cell.daemon = subprocess.Popen(words, stderr=log, stdout=subprocess.DEVNULL, pass_fds=[kept] if kept is not None else [])
