"""Stand-in columns at play: real pseudo-terminals and sockets, the real command."""

import json
import os
import select
import signal
import socket
import subprocess
import sys
import time
from contextlib import contextmanager
from pathlib import Path

import pytest

from collector.config.models import character
from collector.record import unescape
from collector.simulator.pace import Pacer

ROOT = Path(__file__).parent.parent.parent
DEADLINE_S = 30


@contextmanager
def playing(tmp_path, columns: str, *options: str):
    """The command at work on a scenario; ended by SIGTERM unless it ends itself."""
    path = tmp_path / "s.yaml"
    path.write_text(f"columns:\n{columns}", encoding="utf-8")
    command = [sys.executable, "-m", "collector", "simulate", str(path), *options,
               "--sent", str(tmp_path / "sent.jsonl")]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as run:
        try:
            yield run
        finally:
            run.poll() is None and run.kill()


def end(run) -> str:
    """Stop it as a person would; what it said at the end."""
    run.send_signal(signal.SIGTERM)
    said, wrong = run.communicate(timeout=DEADLINE_S)
    assert run.returncode == 0, wrong
    return said


def told(tmp_path) -> list[dict]:
    return [json.loads(line) for line in (tmp_path / "sent.jsonl").read_text(encoding="ascii").splitlines()]


def opened(link: Path) -> int:
    until = time.monotonic() + DEADLINE_S
    while not link.exists():
        assert time.monotonic() < until, "no link"
        select.select([], [], [], 0.005)
    return os.open(link, os.O_RDWR | os.O_NOCTTY)


def read_some(fd: int, most_s: float) -> bytes:
    return os.read(fd, 65536) if select.select([fd], [], [], most_s)[0] else b""


def read_to_the_end(fd: int, pause_s: float = 0.0) -> bytes:
    """All that comes until the line hangs up, by a reader that is away for a while after each read."""
    got, until = b"", time.monotonic() + DEADLINE_S
    while time.monotonic() < until:
        select.select([], [], [], pause_s)
        try:
            more = os.read(fd, 65536) if select.select([fd], [], [], 0.1)[0] else None
        except OSError:
            return got
        if more == b"":
            return got
        got += more or b""
    raise AssertionError("the line did not hang up")


def read_lines(fd: int, count: int) -> bytes:
    got, until = b"", time.monotonic() + DEADLINE_S
    while got.count(b"\n") < count:
        assert time.monotonic() < until, got
        got += read_some(fd, 0.1)
    return got


COLUMN = r'''
  {name}:
    {place}
    baud: 38400
    every: {every}
    line: "{{count:04d}} {{value:+.4f}}\r\n"
    channels: {{one: {{mean: 12.009, spread: 0.003}}}}
'''


def column(name: str = "bore", place: str = "link: tty", every: str = "20 ms") -> str:
    return COLUMN.format(name=name, place=place, every=every)


def test_what_is_read_is_what_is_written_down_as_sent(tmp_path):
    with playing(tmp_path, column()) as run:
        fd = opened(tmp_path / "tty")
        got = read_lines(fd, 20)
        run.send_signal(signal.SIGTERM)
        got += read_to_the_end(fd)                            # the line under way is finished
        os.close(fd)
        summary, _ = run.communicate(timeout=DEADLINE_S)
    sent = told(tmp_path)
    whole = b"".join(unescape(one["text"]) for one in sent)
    assert sum(one["lost"] for one in sent) + len(got) == len(whole)
    assert whole.endswith(got)
    assert got.endswith(b"\r\n")
    assert [one["n"] for one in sent] == list(range(1, len(sent) + 1))
    assert f"bore: {len(sent)} lines, {len(whole)} bytes" in summary
    assert not (tmp_path / "tty").is_symlink()


@pytest.mark.parametrize("lasts", ["700 ms", "760 ms"])
def test_a_slow_reader_gets_the_end_of_the_last_line(tmp_path, lasts):
    slow = column(every="20 ms").replace("38400", "1200")      # 125 ms a line: one is under way at the end
    with playing(tmp_path, slow, "--for", lasts) as run:
        fd = opened(tmp_path / "tty")
        got = read_to_the_end(fd, pause_s=0.05)
        os.close(fd)
        run.communicate(timeout=DEADLINE_S)
    assert got.endswith(unescape(told(tmp_path)[-1]["text"]))


def test_what_a_reader_never_reads_is_counted_at_the_end(tmp_path):
    with playing(tmp_path, column(), "--for", "300 ms") as run:
        fd = opened(tmp_path / "tty")
        said, _ = run.communicate(timeout=DEADLINE_S)
        os.close(fd)
    size = sum(len(unescape(one["text"])) for one in told(tmp_path))
    assert f"{size} bytes, {size} of them lost" in said


def test_what_nobody_takes_is_lost_and_counted(tmp_path):
    with playing(tmp_path, column(), "--for", "300 ms") as run:
        said, _ = run.communicate(timeout=DEADLINE_S)
    sent = told(tmp_path)
    size = sum(len(unescape(one["text"])) for one in sent)
    assert len(sent) >= 10
    assert all(one["lost"] == len(unescape(one["text"])) for one in sent)
    assert f"{size} bytes, {size} of them lost" in said


def test_a_terminal_forgets_its_last_reader_as_a_device_does(tmp_path):
    fcntl, termios = pytest.importorskip("fcntl"), pytest.importorskip("termios")
    with playing(tmp_path, column(every="100 ms")) as run:
        fd = opened(tmp_path / "tty")
        read_lines(fd, 2)
        fcntl.ioctl(fd, termios.TIOCEXCL)
        settings = termios.tcgetattr(fd)
        settings[3] |= termios.ECHO | termios.ICANON
        termios.tcsetattr(fd, termios.TCSANOW, settings)
        seen, until = len(told(tmp_path)), time.monotonic() + DEADLINE_S
        while len(told(tmp_path)) < seen + 3:                 # some are sent and not read
            assert time.monotonic() < until, "nothing more is sent"
            select.select([], [], [], 0.005)
        os.close(fd)
        seen = len(told(tmp_path))
        while not [one for one in told(tmp_path)[seen:] if one["lost"] == len(unescape(one["text"]))]:
            assert time.monotonic() < until, "its closing went unnoticed"
            select.select([], [], [], 0.005)
        fd = opened(tmp_path / "tty")
        assert not termios.tcgetattr(fd)[3] & (termios.ECHO | termios.ICANON)
        exclusive = fcntl.ioctl(fd, 0x80045440, b"\0" * 4)                                   # TIOCGEXCL
        assert exclusive == b"\0" * 4
        got = read_lines(fd, 2)
        numbers = [int(line[:4]) for line in got.split(b"\r\n") if len(line) == 13]
        assert numbers[0] > seen                              # nothing of the time when it was closed
        summary = end(run)
        os.close(fd)
    unread = sum(one["lost"] for one in told(tmp_path)) + 2 * 15
    assert int(summary.split(" bytes, ")[1].split()[0]) >= unread


def test_a_line_over_tcp_has_one_reader_at_a_time(tmp_path):
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    with playing(tmp_path, column(place=f"tcp: {port}")) as run:
        assert run.stdout.readline() == f"bore: 127.0.0.1:{port}\n"
        for _ in range(2):
            with socket.create_connection(("127.0.0.1", port), DEADLINE_S) as first:
                assert read_lines(first.fileno(), 2)
                with socket.create_connection(("127.0.0.1", port), DEADLINE_S) as second:
                    assert second.recv(10) == b""
                assert read_lines(first.fileno(), 2)
        end(run)


@pytest.mark.punctual
def test_bytes_arrive_no_faster_than_the_line_carries_them(tmp_path):
    slow = column(every="20 ms").replace("38400", "1200")      # 125 ms a line; one is under way at the end
    with playing(tmp_path, slow, "--for", "1440 ms") as run:
        fd, begun, got = opened(tmp_path / "tty"), time.monotonic_ns(), b""
        while run.poll() is None:
            got += read_some(fd, 0.01)
            seconds = (time.monotonic_ns() - begun) / 1e9
            assert len(got) <= seconds * 120 + 15, "faster than 120 characters a second"
        os.close(fd)
    assert len(got) >= 0.8 * 120


ASKED = r"""
  bore:
    {place}
    every: 1 h
    line: "{{channel}} {{value:+.4f}}\r\n"
    channels: {{A1: {{mean: 12, wear: 0.001 per part}}, B1: {{mean: 25}}}}
    asked: "?\r"
"""


def test_a_column_that_is_asked_sends_one_part_for_each_request_and_nothing_else(tmp_path):
    with playing(tmp_path, ASKED.format(place="link: tty")) as run:
        fd = opened(tmp_path / "tty")
        os.write(fd, b"what?\n?")                             # not the request, but its beginning
        assert read_some(fd, 0.1) == b""
        os.write(fd, b"\r")
        assert read_lines(fd, 2) == b"A1 +12.0000\r\nB1 +25.0000\r\n"
        asked_ns = time.monotonic_ns()
        os.write(fd, b"?\r?\r")                               # the second comes before the answer to the first
        assert read_lines(fd, 2) == b"A1 +12.0010\r\nB1 +25.0000\r\n"
        assert time.monotonic_ns() - asked_ns >= 26 * 1_041_666, "faster than 9600 baud carries 26 characters"
        end(run)
        os.close(fd)
    assert [one["text"][:2] for one in told(tmp_path)] == ["A1", "B1"] * 2


def test_a_column_over_tcp_can_be_asked_too(tmp_path):
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    with playing(tmp_path, ASKED.format(place=f"tcp: {port}")) as run:
        run.stdout.readline()
        with socket.create_connection(("127.0.0.1", port), DEADLINE_S) as reader:
            for value in (b"12.0000", b"12.0010"):
                reader.sendall(b"?\r")
                assert read_lines(reader.fileno(), 2) == b"A1 +%b\r\nB1 +25.0000\r\n" % value
        end(run)


@pytest.mark.punctual
def test_speed_brings_the_same_parts_sooner(tmp_path):
    with playing(tmp_path, column(every="1 min"), "--speed", "3000", "--for", "1 s") as run:
        run.communicate(timeout=DEADLINE_S)
    assert run.returncode == 2
    with playing(tmp_path, column(every="1 min"), "--speed", "600", "--for", "450 ms") as run:
        run.communicate(timeout=DEADLINE_S)
    fast = told(tmp_path)
    with playing(tmp_path, column(every="100 ms"), "--for", "450 ms") as run:
        run.communicate(timeout=DEADLINE_S)
    both = list(zip(fast, told(tmp_path)))
    assert len(both) >= 3
    assert all(one["text"] == other["text"] and abs(one["t"] - other["t"]) < 0.09 for one, other in both)


def test_a_late_wake_up_neither_loses_time_nor_bursts():
    pacer = Pacer(9600, character("7E1"))                      # 960 characters a second
    pacer.put(bytes(96), 0, 5_000_000)
    assert len(pacer.take(50_000_000)) == 48                   # five ms late at first: made up for
    assert len(pacer.take(100_000_000)) == 48
    assert pacer.is_idle
    pacer.put(bytes(96), 100_000_000, 5_000_000_000)           # the machine slept
    assert len(pacer.take(5_000_000_000)) == 19                # 20 ms' worth, no more
    assert pacer.free_ns == 5_080_000_000


def test_a_place_that_is_taken_is_told_in_one_line(tmp_path):
    (tmp_path / "tty").write_text("a file of somebody's", encoding="ascii")
    with playing(tmp_path, column("first", "link: other") + column()) as run:
        said, wrong = run.communicate(timeout=DEADLINE_S)
    assert run.returncode == 74
    assert wrong.count("\n") == 1 and "can't be made" in wrong
    assert (tmp_path / "tty").read_text(encoding="ascii") == "a file of somebody's"
    assert not (tmp_path / "other").is_symlink()


@pytest.mark.punctual
def test_a_capture_is_played_once_with_its_times(tmp_path):
    (tmp_path / "a.capture").write_text("0.0\tfirst\\x0d\\x0a\n0.3\tsec\n0.6\tond\\x0d\\x0a\n", encoding="ascii")
    with playing(tmp_path, "  bore: {link: tty, replay: a.capture}\n", "--for", "900 ms") as run:
        run.communicate(timeout=DEADLINE_S)
    assert [(one["what"], one["text"]) for one in told(tmp_path)] == [
        ("replay", r"first\x0d\x0a"), ("replay", "sec"), ("replay", r"ond\x0d\x0a")]
    assert [round(one["t"], 1) for one in told(tmp_path)] == [0.0, 0.3, 0.6]


CELL = r"""
  bore:
    link: tty
    every: 500 ms
    line: "{kind} {master} {serial} {value:+.4f}\r\n"
    channels: {one: {mean: 12}}
    masters: {every: 2, sizes: {RING: {one: 12.001}}}
    labels: {serial: "BP{count}", lot: "L{count}"}
    changeover: {every: 2, parts: {PH-200: {}, PH-210: {}}}
    scanner: {link: scan, line: "S {serial} {part}\r\n", ahead: 200 ms}
    orders: {folder: orders, ahead: 400 ms}
"""


@pytest.mark.punctual
def test_a_column_its_scanner_and_its_orders_play_together(tmp_path):
    with playing(tmp_path, CELL) as run:
        column_fd, scanner_fd = opened(tmp_path / "tty"), opened(tmp_path / "scan")
        got, scanned = read_lines(column_fd, 5), read_lines(scanner_fd, 3)
        said = end(run)
        os.close(column_fd)
        os.close(scanner_fd)
    assert got.splitlines()[:5] == [b"MASTER RING  +12.0010", b"PART  BP1 +12.0000", b"PART  BP2 +12.0000",
                                    b"MASTER RING  +12.0010", b"PART  BP3 +12.0000"]
    assert scanned.splitlines()[:3] == [b"S BP1 PH-200", b"S BP2 PH-200", b"S BP3 PH-210"]
    files = sorted((tmp_path / "orders").iterdir())
    assert [json.loads(file.read_bytes()) for file in files[:2]] == [
        {"part": "PH-200", "lot": "L1"}, {"part": "PH-210", "lot": "L2"}]
    assert [file for file in files if file.suffix != ".json" or file.name[0] == "."] == []
    assert f"bore.orders: {tmp_path / 'orders'}\n" in said
    story = [(one["column"], one.get("master"), one.get("serial")) for one in told(tmp_path)]
    assert story[:6] == [("bore.orders", None, None), ("bore", "RING", None), ("bore.scanner", None, "BP1"),
                         ("bore", None, "BP1"), ("bore.scanner", None, "BP2"), ("bore", None, "BP2")]
    assert story[6:10] == [("bore.orders", None, None), ("bore", "RING", None), ("bore.scanner", None, "BP3"),
                           ("bore", None, "BP3")]


def test_a_folder_for_orders_that_cannot_be_made_is_told_in_one_line(tmp_path):
    (tmp_path / "orders").write_text("a file of somebody's", encoding="ascii")
    with playing(tmp_path, CELL) as run:
        _, wrong = run.communicate(timeout=DEADLINE_S)
    assert run.returncode == 74
    assert wrong.count("\n") == 1 and "can't be made" in wrong
    assert not (tmp_path / "tty").is_symlink() and not (tmp_path / "scan").is_symlink()


@pytest.mark.punctual
def test_a_stream_tells_what_is_true_of_each_part(tmp_path):
    keys = "    stream: {each: 20 ms, on: 100 ms, ovality: 0.002}\n    labels: {serial: 'S{count}', part: PH-200}\n"
    with playing(tmp_path, column(every="200 ms") + keys, "--for", "350 ms") as run:
        run.communicate(timeout=DEADLINE_S)
    assert {(one["serial"], one["part"], one["tir"]) for one in told(tmp_path)} == {
        ("S1", "PH-200", 0.002), ("S2", "PH-200", 0.002)}
