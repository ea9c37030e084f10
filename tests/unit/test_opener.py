"""The opener thread, with a real reader beside it, on pseudo-terminals and sockets."""

import os
import socket
import threading
import time
from types import SimpleNamespace

import pytest
from collector.clock import SystemClock
from collector.frames.framer import Framing
from collector.ports import LineSettings
from collector.record import Chunk
from collector.service.handover import HandOver, PortClosed, PortOpened, PortWaiting
from collector.service.opener import Opener, line_of, wait_s
from collector.service.reader import Reader
from structlog.testing import capture_logs


def plan(device: str, request=None, length: int = 0, end: tuple = (b"\r", b"\n"), **settings):
    """As much of a port's plan as the opener looks at."""
    return SimpleNamespace(line=LineSettings(device=device, **settings), request=request, encoding="ascii",
                           framing=Framing(length=length, end=end))


class Pullable:
    """A column at a fixed path: each plugging in is another pseudo-terminal behind the same link."""

    def __init__(self, link) -> None:
        self.link = link

    def plug(self) -> None:
        self.master, slave = os.openpty()
        self.name = os.ttyname(slave)
        self.link.symlink_to(self.name)
        self._slave = slave                           # held: a pty without any slave open looks hung up to its master

    def pull(self) -> None:
        self.link.unlink()
        os.close(self._slave)
        os.close(self.master)

    def send(self, data: bytes) -> None:
        os.write(self.master, data)


class ShiftedClock:
    """The machine's clock, moved on by as much as a test says."""

    def __init__(self) -> None:
        self.by_ns = 0

    def wall_ns(self) -> int:
        return time.time_ns()

    def steady_ns(self) -> int:
        return time.monotonic_ns() + self.by_ns


class Running:
    """An opener and a reader at work, and what has come of it."""

    def __init__(self, clock) -> None:
        self.handover, self.items = HandOver(), []
        self.reader = Reader(self.handover, clock)
        self.opener = Opener(self.reader, self.handover, clock)
        self.reader.start()
        self.opener.start()

    def until(self, true, within_s: float = 30.0) -> None:
        deadline = time.monotonic() + within_s
        while not true():
            assert time.monotonic() < deadline, f"waited {within_s} s in vain; there is {self.items[-8:]}"
            self.items += self.handover.take_all(0.01)

    def kinds(self, port: str = "bore-column") -> list[str]:
        return [type(item).__name__ for item in self.items if item.port == port]

    def count(self, kind: type, port: str = "bore-column") -> int:
        return self.kinds(port).count(kind.__name__)

    def of(self, kind: type) -> list:
        return [item for item in self.items if isinstance(item, kind)]

    def tries(self, times: int) -> None:
        """Let the opener go round so often; it does nothing but try when nothing else is due within its second."""
        for _ in range(times):
            seen = self.opener.moved_ns
            self.until(lambda: self.opener.moved_ns > seen)


@pytest.fixture
def clock():
    return ShiftedClock()


@pytest.fixture
def running(clock):
    running = Running(clock)
    yield running
    running.opener.stop()
    running.reader.stop()
    assert not running.opener.is_alive() and not running.reader.is_alive()


@pytest.fixture
def column(tmp_path):
    return Pullable(tmp_path / "bore")


def test_a_device_that_comes_later_is_opened_and_its_absence_told_once(running, column):
    running.opener.set_ports({"bore-column": plan(str(column.link))})
    running.until(lambda: running.count(PortWaiting) == 1)
    running.tries(3)
    column.plug()
    running.until(lambda: running.count(PortOpened) == 1)
    assert running.kinds() == ["PortWaiting", "PortOpened"]
    assert "is not there" in running.items[0].cause
    column.pull()


def test_another_cause_is_told_as_well(running, column):
    running.opener.set_ports({"bore-column": plan(str(column.link))})
    running.until(lambda: running.count(PortWaiting) == 1)
    column.link.write_bytes(b"")
    running.until(lambda: running.count(PortWaiting) == 2)
    assert "is not a serial device" in running.items[-1].cause
    column.link.unlink()
    running.tries(4)
    assert running.count(PortWaiting) == 2            # that cause is known already


def test_a_replugged_device_is_found_by_its_name_each_time_and_no_bytes_are_merged(running, column):
    def cycle(n: int) -> None:
        column.plug()
        running.until(lambda: running.count(PortOpened) == n + 1)
        column.send(b"%03d " % n)
        running.until(lambda: running.count(Chunk) == n + 1)
        column.pull()
        running.until(lambda: running.count(PortClosed) == n + 1)

    running.opener.set_ports({"bore-column": plan(str(column.link))})
    cycle(0)
    before = len(os.listdir("/proc/self/fd")), threading.active_count()
    for n in range(1, 6):
        cycle(n)
    assert len(os.listdir("/proc/self/fd")) <= before[0] and threading.active_count() <= before[1]
    told = [kind for kind in running.kinds() if kind != "PortWaiting"]
    assert told == ["PortOpened", "Chunk", "PortClosed"] * 6
    assert [item.data for item in running.of(Chunk)] == [b"%03d " % n for n in range(6)]


@pytest.mark.punctual
def test_a_device_is_back_within_two_seconds_though_it_was_away_for_long(running, column, clock):
    running.opener.set_ports({"bore-column": plan(str(column.link))})
    running.until(lambda: running.count(PortWaiting) == 1)
    for _ in range(7):
        clock.by_ns += 20_000_000_000                              # each time it is due, and tried in vain
        running.tries(1)
    column.plug()
    began = time.monotonic()
    running.until(lambda: running.count(PortOpened) == 1)
    assert time.monotonic() - began < 2.5
    column.pull()


@pytest.mark.parametrize("device, first_s, most_s", [
    ("/dev/serial/by-id/usb-Invented_0001", 0.25, 2.0), ("socket://column-3:4001", 0.5, 15.0),
])
def test_waits_grow_up_to_their_most_and_stay_there(device, first_s, most_s):
    waits = [wait_s(device, n) for n in (*range(1, 12), 1000, 10**9)]
    assert first_s <= waits[0] <= first_s + 1
    assert waits[3] > waits[0] and waits[5] > waits[2]
    assert all(most_s * 0.8 < wait <= most_s for wait in waits[7:])
    assert len({wait_s(device, 20) for _ in range(20)}) > 1                  # jitter: not all ports at once


# --- network ports


@pytest.fixture
def dead_host():
    """(device, socket, who fills it) of a listener that answers no connection: its queue is full."""
    server = socket.socket()
    server.bind(("127.0.0.1", 0))
    server.listen(0)
    filling = [socket.socket() for _ in range(4)]
    for one in filling:
        one.setblocking(False)
        one.connect_ex(server.getsockname())
    yield f"socket://127.0.0.1:{server.getsockname()[1]}", server, [one.getsockname() for one in filling]
    for one in (*filling, server):
        one.close()


def connecting(port: str) -> int:
    return sum(thread.name == f"connect {port}" for thread in threading.enumerate())


def is_given_up(server: socket.socket, filling: list) -> None:
    """Make room in the queue: the late connection is made now, and has to be closed by its other end."""
    server.settimeout(10)
    while True:
        link, who = server.accept()
        with link:
            if who not in filling:
                link.settimeout(5)
                assert link.recv(1) == b""
                return


@pytest.mark.punctual
def test_a_host_that_does_not_answer_delays_no_other_port_and_is_tried_once_at_a_time(running, column, dead_host):
    device, _, _ = dead_host
    running.opener.set_ports({"face-column": plan(device), "bore-column": plan(str(column.link))})
    running.until(lambda: connecting("face-column") == 1)
    column.plug()
    running.until(lambda: running.count(PortOpened) == 1, within_s=3)
    running.tries(2)
    assert connecting("face-column") == 1                          # still the same attempt
    column.pull()


@pytest.mark.punctual
def test_stopping_does_not_wait_for_a_host_that_does_not_answer_and_keeps_no_late_connection(running, dead_host):
    device, server, filling = dead_host
    running.opener.set_ports({"depth-column": plan(device)})
    running.until(lambda: connecting("depth-column") == 1)
    began = time.monotonic()
    running.opener.stop()
    assert not running.opener.is_alive() and time.monotonic() - began < 1.0
    is_given_up(server, filling)
    running.until(lambda: connecting("depth-column") == 0)
    assert running.items == []


def test_a_connection_that_comes_when_its_port_is_wanted_no_more_is_given_up(running, dead_host):
    device, server, filling = dead_host
    running.opener.set_ports({"height-column": plan(device)})
    running.until(lambda: connecting("height-column") == 1)
    running.opener.set_ports({})
    is_given_up(server, filling)
    running.tries(1)
    assert running.items == []


class Dropping:
    """A converter whose device is gone: it takes every connection, says what it says, and drops it when told."""

    def __init__(self, says: bytes, drops_at_once: bool = True) -> None:
        self.server = socket.create_server(("127.0.0.1", 0))
        self.device = f"socket://127.0.0.1:{self.server.getsockname()[1]}"
        self.drop = threading.Event()
        if drops_at_once:
            self.drop.set()
        threading.Thread(target=self._serve, args=(says,), daemon=True).start()

    def _serve(self, says: bytes) -> None:
        while True:
            try:
                link, _ = self.server.accept()
            except OSError:
                return
            with link:
                link.sendall(says)
                self.drop.wait(10)

    def close(self) -> None:
        self.server.shutdown(socket.SHUT_RDWR)
        self.server.close()


def losses_logged(logs: list, port: str) -> int:
    return sum(entry["event"] == "port-lost" and entry["port"] == port for entry in logs)


def test_a_mere_connection_brings_no_port_back_to_short_waits_but_bytes_do(running):
    mute, speaking = Dropping(b""), Dropping(b"+12.018 mm\r\n")
    with capture_logs() as logs:
        running.opener.set_ports({"mute": plan(mute.device), "speaking": plan(speaking.device)})
        running.until(lambda: running.count(PortClosed, "mute") == 3 and running.count(PortClosed, "speaking") >= 3, 20)
        running.until(lambda: losses_logged(logs, "speaking") >= 3)
    assert losses_logged(logs, "mute") == 1           # one fault that goes on, not three
    first, second, third = [item.wall_ns for item in running.of(PortClosed) if item.port == "mute"]
    assert second - first >= 500_000_000 and third - second >= 1_000_000_000
    mute.close()
    speaking.close()


def test_ten_seconds_of_connection_prove_a_port_as_well(running, clock):
    mute = Dropping(b"", drops_at_once=False)
    with capture_logs() as logs:
        running.opener.set_ports({"mute": plan(mute.device)})
        for n in range(1, 3):
            running.until(lambda: running.count(PortOpened, "mute") == n)
            clock.by_ns += 11_000_000_000
            mute.drop.set()
            running.until(lambda: running.count(PortClosed, "mute") == n)
            mute.drop.clear()
        running.until(lambda: losses_logged(logs, "mute") == 2)
    mute.drop.set()
    mute.close()


# --- another configuration


def test_ports_come_go_and_change_without_a_word_from_those_that_stay(running, tmp_path):
    bore, face, depth = (Pullable(tmp_path / name) for name in ("bore", "face", "depth"))
    for column in (bore, face, depth):
        column.plug()
    running.opener.set_ports({"bore-column": plan(str(bore.link)), "face-column": plan(str(face.link)),
                              "depth-column": plan(str(depth.link))})
    running.until(lambda: len(running.of(PortOpened)) == 3)
    running.opener.set_ports({"bore-column": plan(str(bore.link)), "face-column": plan(str(face.link), baud=19200)})
    running.until(lambda: len(running.of(PortOpened)) == 4 and running.count(PortClosed, "depth-column") == 1)
    assert running.kinds("face-column") == ["PortOpened", "PortClosed", "PortOpened"]
    assert running.kinds("depth-column") == ["PortOpened", "PortClosed"]
    assert {item.cause for item in running.of(PortClosed)} == {"configuration changed"}
    bore.send(b"still here")
    running.until(lambda: running.kinds("bore-column") == ["PortOpened", "Chunk"])
    for column in (bore, face, depth):
        column.pull()


@pytest.mark.parametrize("change", [
    {"request": SimpleNamespace(send="!\r", every=20, timeout=500)}, {"end": (b";",)}, {"length": 12}, {"baud": 19200},
], ids=str)
def test_a_port_asked_or_cut_in_another_way_is_opened_anew_and_loses_nothing(running, column, change):
    first = {"request": SimpleNamespace(send="?\r", every=3_600_000, timeout=500)}
    column.plug()
    running.opener.set_ports({"bore-column": plan(str(column.link), **first)})
    running.until(lambda: running.count(PortOpened) == 1)
    running.opener.set_ports({"bore-column": plan(str(column.link), **first)})      # an equal plan changes nothing
    column.send(b"before")
    running.until(lambda: running.count(Chunk) == 1)
    running.opener.set_ports({"bore-column": plan(str(column.link), **{**first, **change})})
    running.until(lambda: running.count(PortOpened) == 2)
    assert [kind for kind in running.kinds() if kind != "PortAsked"] == ["PortOpened", "Chunk", "PortClosed", "PortOpened"]
    assert [item.cause for item in running.of(PortClosed)] == ["configuration changed"]
    column.pull()


def test_a_column_with_a_request_is_asked(running, column):
    column.plug()
    running.opener.set_ports({"bore-column": plan(str(column.link), SimpleNamespace(send="?\r", every=20))})
    running.until(lambda: running.count(PortOpened) == 1)
    asked = b""
    while len(asked) < 6:
        asked += os.read(column.master, 6)
    assert asked[:6] == b"?\r?\r?\r"
    column.pull()


def test_frames_of_a_fixed_length_get_no_marks_among_their_bytes():
    assert line_of(plan("/dev/ttyUSB0", length=12)).marks is False
    assert line_of(plan("/dev/ttyUSB0")).marks is True


def test_the_heartbeat_moves_without_any_port(running):
    running.tries(2)


def test_stopping_before_starting_does_no_harm():
    handover = HandOver()
    reader = Reader(handover, SystemClock())
    Opener(reader, handover, SystemClock()).stop()
    reader.stop()
