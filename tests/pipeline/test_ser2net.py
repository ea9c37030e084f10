"""Serial lines over TCP as a real ser2net hands them on, a pseudo-terminal as its device."""

import os
import shutil
import socket
import subprocess
import termios
import threading
import time
import tty

import pytest
from collector.clock import SystemClock
from collector.errors import PortLost
from collector.ports import LineSettings, open_port
from collector.record import Chunk
from collector.service.handover import HandOver, PortClosed, PortOpened
from collector.service.reader import Reader, Request

SER2NET = shutil.which("ser2net", path=os.environ.get("PATH", "") + ":/usr/sbin:/sbin")

pytestmark = [
    pytest.mark.skipif(SER2NET is None, reason="ser2net is not installed here"),
    pytest.mark.filterwarnings("ignore:set(Daemon|Name).*:DeprecationWarning"),       # pyserial, in its own thread
]

CONFIGURATION = """\
%YAML 1.1
---
connection: &line
  accepter: {accepter}tcp,127.0.0.1,{port}
  connector: serialdev,{device},9600n81,local
"""


class Converter:
    """One ser2net with one line."""

    def __init__(self, folder, accepter: str) -> None:
        self.master, self._slave = os.openpty()
        tty.setraw(self._slave, termios.TCSANOW)
        with socket.create_server(("127.0.0.1", 0)) as free:
            self.port = free.getsockname()[1]
        text = CONFIGURATION.format(accepter=accepter, port=self.port, device=os.ttyname(self._slave))
        (folder / "ser2net.yaml").write_text(text)
        self.running = subprocess.Popen([SER2NET, "-n", "-d", "-u", "-c", str(folder / "ser2net.yaml")],
                                        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        deadline = time.monotonic() + 30
        while not self._listens():
            assert time.monotonic() < deadline and self.running.poll() is None, "ser2net does not listen"
            time.sleep(0.02)

    def _listens(self) -> bool:
        """Whether the port is listened on, found without connecting to it."""
        wanted = f"0100007F:{self.port:04X}"
        with open("/proc/net/tcp", encoding="ascii") as table:
            return any(line.split()[1] == wanted and line.split()[3] == "0A" for line in table.readlines()[1:])

    def end(self) -> None:
        if self.running.poll() is None:
            self.running.kill()
        self.running.wait(5)
        os.close(self.master)
        os.close(self._slave)


@pytest.fixture
def converter(request, tmp_path):
    converter = Converter(tmp_path, request.param)
    yield converter
    converter.end()


def both(test):
    """Once over a raw connection, once over RFC 2217."""
    ways = [("", "socket://127.0.0.1:{}"), ("telnet(rfc2217),", "rfc2217://127.0.0.1:{}?ign_set_control")]
    marked = pytest.mark.parametrize("converter, url", ways, indirect=["converter"], ids=["raw", "rfc2217"])
    return marked(test)


class Read:
    """A reader, and what has come of it."""

    def __init__(self) -> None:
        self._handover, self.items = HandOver(), []
        self.reader = Reader(self._handover, SystemClock())
        self.reader.start()

    def until(self, true, within_s: float = 30.0) -> None:
        deadline = time.monotonic() + within_s
        while not true():
            assert time.monotonic() < deadline, f"waited {within_s} s in vain; there is {self.items[-5:]}"
            self.items += self._handover.take_all(0.01)

    def bytes(self) -> bytes:
        return b"".join(item.data for item in self.items if isinstance(item, Chunk))


@pytest.fixture
def read():
    read = Read()
    yield read
    read.reader.stop()


@both
def test_every_byte_of_the_far_line_arrives_in_order(converter, url, read):
    read.reader.adopt("bore-column", open_port("bore-column", LineSettings(device=url.format(converter.port))))
    sent = b""
    for n in range(100):
        line = b"+%07.3f mm \xff\x00\x11\x13\r\n" % (12 + n / 1000)
        sent += line
        os.write(converter.master, line)
    read.until(lambda: len(read.bytes()) >= len(sent))
    assert read.bytes() == sent
    assert isinstance(read.items[0], PortOpened)
    assert read.items[0].identity == f"127.0.0.1:{converter.port}"


@both
def test_what_is_asked_reaches_the_far_line(converter, url, read):
    read.reader.ask({"bore-column": Request(b"\xff?\r", 3_600_000)})
    read.reader.adopt("bore-column", open_port("bore-column", LineSettings(device=url.format(converter.port))))
    heard = b""
    while len(heard) < 3:
        heard += os.read(converter.master, 3)
    assert heard == b"\xff?\r"


@both
def test_a_converter_that_dies_is_a_lost_port_with_all_its_bytes_before(converter, url, read):
    read.reader.adopt("bore-column", open_port("bore-column", LineSettings(device=url.format(converter.port))))
    os.write(converter.master, b"+12.018 mm\r\n")
    read.until(lambda: read.bytes() == b"+12.018 mm\r\n")
    converter.running.kill()
    read.until(lambda: any(isinstance(item, PortClosed) for item in read.items))
    lost = read.items[-1]
    assert (lost.port, lost.bytes) == ("bore-column", 12)
    assert f"127.0.0.1:{converter.port}" in lost.cause


# pyserial answers options in a thread of its own; where the far end has gone meanwhile, that thread ends with an error.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
@both
def test_connections_one_after_another_leave_no_thread_and_no_descriptor(converter, url):
    line = LineSettings(device=url.format(converter.port))

    def at_rest() -> int:
        """Descriptors that are open once no thread of a connection is left."""
        deadline = time.monotonic() + 30
        while any(thread.name.startswith(("pump", "pySerial")) for thread in threading.enumerate()):
            assert time.monotonic() < deadline, threading.enumerate()
            time.sleep(0.01)
        return len(os.listdir("/proc/self/fd"))

    def one() -> None:
        deadline = time.monotonic() + 30
        while True:
            try:
                return open_port("bore-column", line).close()
            except PortLost as lost:                  # ser2net has not given its line back yet
                assert time.monotonic() < deadline, lost

    one()
    before = at_rest()
    for _ in range(8):
        one()
    assert at_rest() == before


@both
def test_a_reading_goes_through_the_converter_and_the_daemon_into_the_file(cell, converter, url):
    cell.configure(f"""
site: cell-4
ports: {{far: {{device: '{url.format(converter.port)}', format: line}}}}
formats: {{line: {{pattern: '^(?P<value>[+-]\\d+\\.\\d+) (?P<unit>mm)$'}}}}
parts: {{housing: {{bore: {{channel: far, nominal: 12 mm, limits: {{lower: 0 mm, upper: 18 um}}}}}}}}
outputs: {{line: {{kind: jsonl, folder: ./inbox, publish: growing}}}}
""")
    cell.start()
    cell.open()
    os.write(converter.master, b"+12.018 mm\r\n+12.0181 mm\r\n")
    found = cell.wait_records(2, kind="measurement")
    assert [(one["raw"], one["value"], one["verdict"]) for one in found] == [("+12.018 mm", 12.018, "pass"), ("+12.0181 mm", 12.0181, "fail")]
    assert cell.stop() == 0
