"""`listen`: real processes on pseudo-terminals and sockets; `--probe` on simulated lines."""

import fcntl
import itertools
import json
import os
import random
import re
import select
import signal
import socket
import subprocess
import sys
import termios
import threading
import time
from argparse import Namespace

import pytest

from collector.commands import probing
from collector.commands.rows import Rows
from collector.commands.tap import Stop
from collector.errors import PortLost
from collector.ports.capture import read_capture
from collector.probe.evidence import Character
from tests.conftest import Column, wait_for
from tests.uart import UartPort, form, receive, send

LINE = b"A1  +12.0093 mm\r\n"                            # invented


class Listening:
    """One `collector listen` that runs."""

    def __init__(self, device: str, *words: str):
        command = [sys.executable, "-m", "collector", "listen", device, *words]
        self.running = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
        self.said = ""

    def until(self, text: str, seconds: float = 30.0) -> str:
        """Read on until it has said this."""
        os.set_blocking(self.running.stdout.fileno(), False)
        wait_for(lambda: text in self._more(), f"{text!r}", seconds)
        return self.said

    def _more(self) -> str:
        self.said += (self.running.stdout.read() or b"").decode("ascii")
        return self.said

    def end(self, number: int = signal.SIGINT) -> tuple[int, str, str]:
        """(exit code, all that it said, errors)"""
        self.running.send_signal(number)
        return self.over()

    def over(self, seconds: float = 20.0) -> tuple[int, str, str]:
        os.set_blocking(self.running.stdout.fileno(), True)
        out, errors = self.running.communicate(timeout=seconds)
        self.said += out.decode("ascii")
        return self.running.returncode, self.said, errors.decode()


@pytest.fixture
def column(tmp_path):
    made = Column(tmp_path / "tty-bore")
    yield made
    made.pull()


@pytest.fixture
def listen():
    started = []

    def start(device, *words: str) -> Listening:
        started.append(Listening(str(device), *words))
        return started[-1]

    yield start
    for one in started:
        one.running.kill()
        one.running.communicate()


def without_times(said: str) -> list[str]:
    return re.sub(r"^ *\d+\.\d{3} +\+\d+\.\d{3}  ", "T  ", said, flags=re.MULTILINE).splitlines()


# --- what arrives


def test_lines_are_shown_as_text_and_hex_with_nothing_raw(column, listen):
    one = listen(column.link)
    one.until("what arrived")
    column.send(LINE + b"\x1b[31m\x07\xff\\\n")
    one.until("\\x0a\n")
    code, said, errors = one.end()
    rows = without_times(said)
    assert rows[0] == f"{column.link} at 9600 8N1, flow none; nothing is sent; Ctrl-C ends"
    assert rows[2:-1] == ["T  A1  +12.0093 mm\\x0d\\x0a", " " * 22 + LINE.hex(" "),
                          "T  \\x1b[31m\\x07\\xff\\\\\\x0a", " " * 22 + b"\x1b[31m\x07\xff\\\n".hex(" ")]
    assert re.fullmatch(r"26 bytes in 1 bursts, 0 line errors, in \d+\.\d s", rows[-1])
    assert code == 0 and errors == ""


def test_a_frame_without_an_end_is_shown_once_it_is_quiet(column, listen):
    one = listen(column.link)
    one.until("what arrived")
    column.send(b"+12.00")
    one.until("  +12.00\n")
    column.send(b"93\r")
    one.until("  93\\x0d\n")
    assert one.end(signal.SIGTERM)[0] == 0


@pytest.mark.parametrize("size", [1, 7, 1000])
def test_a_capture_holds_every_byte_and_is_read_back(column, listen, tmp_path, size):
    data = (bytes(range(256)) + LINE) * 2
    one = listen(column.link, "--save", str(tmp_path / "capture.txt"))
    one.until("what arrived")
    for at in range(0, len(data), size):
        column.send(data[at:at + size])
    capture = tmp_path / "capture.txt"
    wait_for(lambda: sum(len(read) for _, read in read_capture(capture)) == len(data), "all bytes kept")
    assert one.end()[0] == 0
    reads = read_capture(tmp_path / "capture.txt")
    assert b"".join(read for _, read in reads) == data
    assert all(seconds is not None for seconds, _ in reads)
    head = (tmp_path / "capture.txt").read_text().splitlines()[0]
    assert re.fullmatch(rf"# {column.link}, 9600 8N1, flow none; begun \d{{4}}-.*Z", head)


def test_a_capture_is_never_overwritten(column, listen, tmp_path):
    (tmp_path / "capture.txt").write_text("mine")
    code, _, errors = listen(column.link, "--save", str(tmp_path / "capture.txt")).over()
    assert code == 74 and "is there already" in errors
    assert (tmp_path / "capture.txt").read_text() == "mine"


def test_json_has_one_object_for_each_read(column, listen):
    one = listen(column.link, "--json")
    wait_for(lambda: termios.tcgetattr(column.slave)[0] & termios.PARMRK, "open")
    column.send(LINE)
    one.until("}\n")
    code, said, _ = one.end()
    reads = [json.loads(line) for line in said.splitlines()]
    assert code == 0 and bytes.fromhex("".join(read.get("hex", "") for read in reads)) == LINE
    assert reads[0]["text"].startswith("A1") and reads[0]["errors"] == []
    assert reads[-1]["event"] == "end" and reads[-1]["bytes"] == len(LINE)


def test_garbage_brings_the_advice_to_probe_once(column, listen):
    one = listen(column.link)
    one.until("what arrived")
    column.send(b"\x80\xf8\x78\x00" * 20 + b"\n")
    one.until("--probe")
    column.send(b"\x80\xf8\x78\x00" * 20 + b"\n")
    code, said, _ = one.end()
    assert code == 0 and said.count("--probe") == 1


def test_a_line_that_hangs_up_is_opened_again(column, listen, tmp_path):
    one = listen(column.link, "--save", str(tmp_path / "capture.txt"))
    one.until("what arrived")
    column.send(LINE)
    one.until("0d 0a")
    column.pull()
    one.until("unplugged")
    column.plug()
    one.until("open again")
    column.send(b"B1  +25.0001 mm\r\n")
    one.until("B1  +25.0001")
    assert one.end()[0] == 0
    assert b"".join(read for _, read in read_capture(tmp_path / "capture.txt")) == LINE + b"B1  +25.0001 mm\r\n"
    assert re.search(r"^# \d+\.\d{6} s: unplugged", (tmp_path / "capture.txt").read_text(), re.MULTILINE)


def test_the_time_given_ends_it_and_silence_says_what_to_check(column, listen):
    code, said, _ = listen(column.link, "--for", "300ms").over()
    assert code == 0 and "0 bytes in 0 bursts" in said and "TXD" in said


@pytest.mark.parametrize("words, code, what", [
    (("/dev/nothing-there",), 74, "is not there"),
    (("/dev/null",), 74, "is not a serial device"),
    (("ttyUSB0",), 2, "is no serial device"),
    (("gopher://host:1",), 2, "is no serial line over TCP"),
    (("/dev/null", "--character", "9X1"), 2, "is no character format"),
    (("/dev/null", "--probe", "--baud", "9600"), 2, "finds baud"),
    (("/dev/null", "--probe", "--save", "file"), 2, "many settings"),
    (("/dev/null", "--send", "?"), 2, "--send goes with --probe"),
    (("/dev/null", "--probe"), 74, "is not a serial device"),
])
def test_what_can_not_be_is_said_in_one_line(listen, words, code, what):
    got, said, errors = listen(*words).over()
    assert (got, said) == (code, "") and what in errors.splitlines()[-1] and "Traceback" not in errors


def test_a_port_in_use_is_told(column, listen):
    fcntl.ioctl(column.slave, termios.TIOCEXCL)
    code, _, errors = listen(column.link).over()
    assert code == 74 and "in use" in errors


def test_line_errors_are_shown_as_such():
    characters = [Character(0x41), Character(0x31, bad=True), Character(0, bad=True), Character(0x0A)]
    row, = Rows().feed(characters, 1.25)
    assert str(row) == "     1.250    +1.250  A<!31><break>\\x0a\n" + " " * 22 + "41 !31 !00 0a"


def test_rows_are_the_same_however_the_text_is_cut():
    text = [Character(byte) for byte in b"A\r\nB\rC\n\r\nD" + b"e" * 100]
    whole = Rows()
    expected = [row.characters for row in (*whole.feed(text, 0.0), *whole.end())]
    for size in range(1, 9):
        rows, found = Rows(), []
        for at in range(0, len(text), size):
            found += rows.feed(text[at:at + size], 0.0)
        assert [row.characters for row in (*found, *rows.end())] == expected
    assert ["".join(chr(one.byte) for one in row) for row in expected[:4]] == ["A\r\n", "B\r", "C\n", "\r\n"]


# --- the probe


class SlowColumn(threading.Thread):
    """A column at one speed behind a pseudo-terminal: brings what a receiver at the terminal's speed makes of it."""

    SPEEDS = {getattr(termios, f"B{baud}"): baud for baud in (600, 1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200)}

    def __init__(self, column: Column, baud: int, asked: bytes = b""):
        super().__init__()
        self.column, self.true, self.asked, self.heard = column, form(baud, "8N1"), asked, b""
        self.ending, self.chance = threading.Event(), random.Random(3)

    def run(self) -> None:
        while not self.ending.wait(0.02 if self.asked else 0.45):
            if self.asked:
                if not select.select([self.column.master], [], [], 0)[0]:
                    continue
                self.heard += os.read(self.column.master, 100)
            speed = self.SPEEDS[termios.tcgetattr(self.column.slave)[5]]
            burst = receive(send(LINE, self.true, self.chance), form(speed, "8N1"), self.chance)
            self.column.send(bytes(one.byte for one in burst))

    def __enter__(self) -> "SlowColumn":
        self.start()
        return self

    def __exit__(self, *_) -> None:
        self.ending.set()
        self.join()


@pytest.mark.parametrize("baud", [2400, 9600, 57600])
def test_the_probe_finds_the_speed_of_a_column_behind_a_terminal(column, listen, baud):
    with SlowColumn(column, baud) as sending:
        code, said, errors = listen(column.link, "--probe").over()
        assert sending.is_alive()
    assert code == 0 and errors == ""
    assert f"    baud: {baud}\n    character: 8N1\n" in said
    assert "the default ends frames there" in said and "8E1, 8O1 fits equally" in said


def test_the_probe_asks_a_column_that_must_be_asked_and_no_other(column, listen):
    with SlowColumn(column, 9600, asked=b"?") as sending:
        code, said, _ = listen(column.link, "--probe", "--send", "?\\r", "--json").over()
    assert code == 0 and json.loads(said)["baud"] == 9600 and json.loads(said)["framing"] == {}
    assert set(sending.heard.split(b"\r")) == {b"?", b""}


@pytest.mark.punctual
def test_a_terminal_without_a_line_has_no_speed(column, listen):
    one, pause = listen(column.link, "--probe"), threading.Event()
    while one.running.poll() is None:
        column.send(LINE)
        pause.wait(0.4)                                  # what parts one line from the next
    code, said, _ = one.over()
    assert code == 0 and "any speed will do" in said and "    baud:" not in said


def test_the_probe_on_a_silent_line_says_what_to_check(column, listen):
    code, said, _ = listen(column.link, "--probe", "--for", "300ms").over()
    assert code == 1 and "Not found" in said and "TXD" in said


@pytest.mark.punctual
@pytest.mark.parametrize("pause_s", [0.02, 0.6], ids=["stream", "bursts"])
def test_the_probe_of_garbage_ends_within_the_time_given(column, listen, pause_s):
    one, chance, pause = listen(column.link, "--probe", "--for", "4s"), random.Random(1), threading.Event()
    wait_for(lambda: termios.tcgetattr(column.slave)[0] & termios.PARMRK, "open", 30.0)
    begun_s = time.monotonic()
    while one.running.poll() is None:
        column.send(chance.randbytes(20))
        pause.wait(pause_s)                              # what parts one burst from the next, or does not
    took_s = time.monotonic() - begun_s
    code, said, errors = one.over()
    assert code == 1 and errors == "" and "Not found." in said and "the time is over after" in said
    assert 3.0 < took_s < 10.0                           # the time, and an interpreter's end on a busy machine


class RemoteUart(UartPort):
    """One behind a converter: it can't be changed, only opened anew."""

    network = True

    def change(self, line):
        raise AssertionError("a network port has no change")


def probe_simulated(lines, baud: int, character: str, kind=UartPort, held: int = 0, **more):
    """What a probe of a simulated line says, and its ports; `held`: so many tries fail after a close."""
    ports, tries = [], itertools.count()

    def opening(name, line):
        if ports and held and next(tries) % (held + 1) < held:
            raise PortLost(name, "still in use")
        ports.append(kind(itertools.cycle(lines), form(baud, character), line, **more))
        return ports[-1]

    args = Namespace(device="/dev/simulated", flow="none", dtr=None, rts=True, lasts_ms=30_000, send=b"", json=True)
    before = [signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)]
    try:
        code = probing.run(args, Stop(), opening)
    finally:
        signal.set_wakeup_fd(-1)
        for number, handler in zip((signal.SIGINT, signal.SIGTERM), before):
            signal.signal(number, handler)
    return code, ports


@pytest.mark.parametrize("character", ["7E1", "8O1"])
def test_the_probe_finds_parity_without_opening_the_port_again(capsys, character):
    lines = [b"\x02B;-0012.7;um\x03", b"\x02B;+0003.1;um\x03", b"\x02B;-0000.9;um\x03"]
    code, ports = probe_simulated(lines, 9600, character)
    said = json.loads(capsys.readouterr().out)
    assert code == 0 and (said["baud"], said["character"]) == (9600, character)
    assert said["framing"] == {"start": "\x02", "end": "\x03"} and said["confidence"] == "certain"
    assert len(ports) == 1 and all(line.rts is True for line in ports[0].changed)


def test_the_probe_goes_on_where_the_adapter_refuses_a_setting(capsys):
    code, _ = probe_simulated([LINE, b"A1  +11.9876 mm\r\n"], 9600, "7E1", refuses=("7E1",))
    said = json.loads(capsys.readouterr().out)
    assert code == 0 and said["character"] == "7E1" and said["confidence"] == "likely"


def test_a_network_port_is_opened_anew_though_its_far_end_still_holds_it(capsys):
    code, ports = probe_simulated([LINE, b"A1  +11.9876 mm\r\n"], 9600, "8N1", kind=RemoteUart, held=2)
    said = json.loads(capsys.readouterr().out)
    assert code == 0 and (said["baud"], said["character"]) == (9600, "8N1") and len(ports) == 2


def test_of_a_raw_line_over_tcp_only_the_end_mark_is_found(listen):
    with socket.create_server(("127.0.0.1", 0)) as server:
        one = listen(f"socket://127.0.0.1:{server.getsockname()[1]}", "--probe")
        link, _ = server.accept()
        with link:
            link.sendall((b"\x02+12.0093\x03") * 4)
            code, said, _ = one.over()
    assert code == 0 and 'start: "\\x02"' in said and 'end: "\\x03"' in said and "no settings of its own" in said
