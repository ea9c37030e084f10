"""The line as it is in the field, through the real daemon: silence, columns that are asked, parity checked here, TCP."""

import collections
import json
import os
import re
import shutil
import socket
import subprocess
import threading
import time
from contextlib import suppress
from datetime import datetime, timedelta

import pytest

from tests.bench.slow_disk import built
from tests.conftest import wait_for

CONFIG = """
site: brunnenhof
ports:
  column: {PORT, format: line}
formats:
  line: {pattern: '^P (?P<value>\\d+\\.\\d+)$', unit: mm}
parts:
  PH-200: {bore: {channel: column, nominal: 12 mm, limits: {lower: 0 mm, upper: +0.018 mm}}}
outputs:
  line: {kind: jsonl, folder: ./inbox, publish: growing, every: 50 ms}
"""


def configure(cell, port: str) -> None:
    cell.configure(CONFIG.replace("PORT", port))


def events(cell, *names: str) -> list[dict]:
    return [one["detail"] for one in cell.records(kind="event") if one["detail"]["event"] in names]


def test_a_silent_column_is_an_alarm_until_it_is_heard_again(cell):
    column = cell.column("column")
    configure(cell, "device: ./tty-column, silent: 300 ms")
    cell.start()
    cell.open()
    wait_for(lambda: cell.status()["ports"]["column"]["silent"], "the alarm in the status file")
    said = cell.command("status", str(cell.config))
    assert said.returncode == 1 and "port column is silent since" in said.stdout
    time.sleep(0.7)                                            # two more times as long: it is told once all the same
    column.send(b"P 12.0100\r\n")
    wait_for(lambda: events(cell, "heard-again"), "its end")
    told = events(cell, "silent", "heard-again")[:2]           # it may be silent again by now
    assert [one["event"] for one in told] == ["silent", "heard-again"] and "the column is off" in told[0]["cause"]
    assert cell.stop() == 0


class Asked(threading.Thread):
    """A column that answers when it is asked, but for the questions with these numbers."""

    def __init__(self, column, missing: set[int]):
        super().__init__(daemon=True)
        self.column, self.missing, self.times, self.answered = column, missing, [], 0

    def run(self) -> None:
        waiting = b""
        while True:
            try:
                waiting += os.read(self.column.master, 100)
            except OSError:
                return
            while b"?\r" in waiting:
                waiting = waiting.replace(b"?\r", b"", 1)
                self.times.append(time.monotonic())
                if len(self.times) not in self.missing:
                    self.answered += 1
                    self.column.send(b"P 12.%04d\r\n" % self.answered)


@pytest.mark.punctual
def test_a_lost_answer_is_counted_asked_again_at_once_and_told_with_its_end(cell):
    asked = Asked(cell.column("column"), {3, 4, 7})
    configure(cell, 'device: ./tty-column, request: {send: "?\\r", every: 400 ms, timeout: 100 ms}')
    asked.start()
    cell.start()
    cell.wait_records(6, kind="measurement")
    port = wait_for(lambda: (one := cell.status()["ports"]["column"])["asked"] >= 9 and one, "nine questions")
    assert port["unanswered"] == 3 and port["late"] == 0
    told = events(cell, "unanswered", "answered-again")
    assert [(one["event"], one.get("unanswered")) for one in told] == [
        ("unanswered", None), ("answered-again", 2), ("unanswered", None), ("answered-again", 1)]
    assert [one["raw"] for one in cell.records(kind="measurement")][:6] == [f"P 12.000{n}" for n in range(1, 7)]
    began = asked.times[0]
    regular = [asked.times[n - 1] - began for n in (1, 2, 3, 5, 6, 7)]             # 4 and 8 are those that were asked again
    assert [round(at / 0.4) for at in regular] == [0, 1, 2, 3, 4, 5]
    assert 0.09 < asked.times[3] - asked.times[2] < 0.3
    assert cell.stop() == 0


def with_parity(data: bytes) -> bytes:
    """Even parity in the eighth bit, by counting."""
    return bytes(byte | (f"{byte:b}".count("1") % 2) << 7 for byte in data)


def test_seven_bits_and_parity_are_checked_here_over_a_line_of_eight_bits(cell):
    column = cell.column("column")
    configure(cell, "device: ./tty-column, character: 7E1, parity-check: collector")
    cell.start()
    cell.open()
    bad = bytearray(with_parity(b"P 12.0150\r\n"))
    bad[5] ^= 0x01                                             # a digit flips on the way
    column.send(with_parity(b"P 12.0100\r\n") + bytes(bad) + with_parity(b"P 12.0120\r\n"))
    records = cell.wait_records(2, kind="measurement")
    assert [one["raw"] for one in records] == ["P 12.0100", "P 12.0120"]
    unread, = cell.records(kind="unread")
    assert unread["detail"]["reason"] == "line-error" and "\\xff\\x00" in unread["raw"]
    assert cell.stop() == 0


def test_a_device_that_is_gone_behind_a_terminal_server_is_told_from_a_network_fault(cell):
    with socket.create_server(("127.0.0.1", 0)) as server:
        configure(cell, f"device: 'socket://127.0.0.1:{server.getsockname()[1]}'")
        cell.start()
        link, _ = server.accept()
        link.close()
        wait_for(lambda: events(cell, "port-lost"), "the loss")
    assert "the network is well, but the device behind it is gone" in events(cell, "port-lost")[0]["cause"]
    wait_for(lambda: [one for one in events(cell, "port-lost") if "nothing listens" in one["cause"]], "the server gone too")
    assert cell.stop() == 0


@pytest.mark.punctual
def test_a_silent_connection_is_made_anew_and_bytes_that_wait_at_connecting_are_kept(cell):
    with socket.create_server(("127.0.0.1", 0)) as server:
        configure(cell, f"device: 'socket://127.0.0.1:{server.getsockname()[1]}', silent: 500 ms")
        cell.start()
        first, _ = server.accept()                             # half-open: it says nothing, ever
        second, _ = server.accept()
        second.sendall(b"P 12.0100\r\n")
        cell.wait_records(1, kind="measurement")
        told = events(cell, "silent", "port-lost", "heard-again")
        assert [one["event"] for one in told][:3] == ["silent", "port-lost", "heard-again"]
        assert "silent for longer" in told[1]["cause"]
        first.close()
        second.close()
        assert cell.stop() == 0


def test_what_was_sent_before_the_port_was_opened_is_read(cell):
    column = cell.column("column")
    column.send(b"P 12.0100\r\n")
    configure(cell, "device: ./tty-column")
    cell.start()
    assert cell.wait_records(1, kind="measurement")[0]["raw"] == "P 12.0100"
    assert events(cell, "lost") == []
    assert cell.stop() == 0


@pytest.mark.parametrize("port, fault", [
    ("device: ./tty-column, parity-check: collector", r"seven bits with parity, not for 8N1"),
    ('device: ./tty-column, request: {send: "?", every: 100 ms, timeout: 200 ms}', r"timeout is zero, or longer than every"),
])
def test_expectations_that_can_not_be_met_are_refused(cell, port, fault):
    configure(cell, port)
    said = cell.command("check", str(cell.config))
    assert said.returncode == 78 and re.search(fault, said.stderr)


def test_a_name_that_another_adapter_may_get_is_warned_of(cell):
    configure(cell, "device: /dev/ttyUSB0")
    said = cell.command("check", str(cell.config))
    assert said.returncode == 0 and "ports.column.device: /dev/ttyUSB0 is whichever adapter is found first" in said.stderr


def test_a_group_that_is_not_there_is_said_by_check(cell):
    cell.column("column")
    cell.configure(CONFIG.replace("PORT", "device: ./tty-column").replace("every: 50 ms", "group: no-such-group"))
    said = cell.command("check", str(cell.config))
    assert said.returncode == 1 and "there is no group no-such-group on this machine" in said.stderr


@pytest.mark.punctual
@pytest.mark.skipif(shutil.which("socat") is None, reason="takes socat")
def test_a_line_of_socat_is_read_lost_with_a_cause_and_read_again_within_two_seconds(cell):
    def plug() -> subprocess.Popen:
        words = ["socat", "pty,raw,echo=0,link=./tty-far", "pty,raw,echo=0,link=./tty-column"]
        line = subprocess.Popen(words, cwd=cell.folder, stderr=subprocess.DEVNULL)
        wait_for(lambda: (cell.folder / "tty-far").exists() and (cell.folder / "tty-column").exists(), "socat's lines")
        return line

    def send(data: bytes) -> None:
        with open(cell.folder / "tty-far", "wb", buffering=0) as far:
            far.write(data)

    line = plug()
    configure(cell, "device: ./tty-column")
    cell.start()
    cell.open()
    send(b"P 12.0100\r\n")
    cell.wait_records(1, kind="measurement")
    line.kill()
    line.wait()
    lost = wait_for(lambda: events(cell, "port-lost"), "the loss")[0]
    assert "unplugged" in lost["cause"] or "is not there" in lost["cause"]
    for name in ("tty-far", "tty-column"):
        (cell.folder / name).unlink(missing_ok=True)
    wait_for(lambda: cell.status()["ports"]["column"]["state"] != "open", "the loss in status")
    line = plug()
    began = time.monotonic()
    cell.open()
    assert time.monotonic() - began < 4                        # 2 s to open, 1 s until status says so, and the machine's own
    send(b"P 12.0200\r\n")
    assert cell.wait_records(2, kind="measurement")[1]["raw"] == "P 12.0200"
    assert cell.stop() == 0
    line.kill()
    line.wait()


@pytest.mark.parametrize("port", ['end: "\\x80"', 'start: "\\x02", end: "\\xff"', 'request: {send: "\\xff", every: 1 s}'])
def test_marks_that_the_encoding_has_not_are_refused(cell, port):
    configure(cell, f"device: ./tty-column, {port}")
    said = cell.command("check", str(cell.config))
    assert said.returncode == 78 and "is no text in ascii; give the port an encoding that has it" in said.stderr


BESIDE = """
site: brunnenhof
ports:
  busy: {device: ./tty-busy, format: line}
  column: {device: ./tty-column, format: line, gap: 100 ms}
formats: {line: {pattern: '^P (?P<value>\\d+\\.\\d+)$', unit: mm}}
outputs: {line: {kind: jsonl, folder: ./inbox, publish: growing, every: 50 ms}}
journal: {gather: 100 ms, reserve: 100 kB}
"""


def test_a_frame_that_ends_by_a_gap_is_not_torn_by_gathering_what_busy_lines_bring(cell):
    busy, column, over = cell.column("busy"), cell.column("column"), threading.Event()
    cell.configure(BESIDE)
    cell.start()
    cell.open(2)

    def speak() -> None:
        while not over.wait(0.001):
            busy.send(b"P 1.0\r")

    speaking = threading.Thread(target=speak)
    speaking.start()
    try:
        time.sleep(1.0)                                        # it counts as busy from two hundred reads on
        rounds = []
        while len(rounds) < 5 and [12.0184] * 4 not in rounds:     # a machine that is too busy tears a frame by itself
            rounds.append(four_slow_frames(cell, column))
    finally:
        over.set()
        speaking.join()
    assert [12.0184] * 4 in rounds
    assert cell.stop() == 0


def four_slow_frames(cell, column) -> list[float | str]:
    """What became of four frames that take longer than a gap, byte by byte: values, and what was not read."""

    def made() -> list[float | str]:
        lines = [line for path in sorted(cell.inbox.iterdir()) for line in path.read_bytes().rpartition(b"\n")[0].splitlines()]
        records = map(json.loads, (line for line in lines if b'"port":"column"' in line))        # few among thousands
        return [one.get("value", one.get("raw", "")) for one in records if one["kind"] in ("measurement", "unread")]

    before = collections.Counter(made())
    for _ in range(4):
        for byte in b"P 12.0184000":
            column.send(bytes([byte]))
            time.sleep(0.01)
        time.sleep(0.25)
    with suppress(AssertionError):
        wait_for(lambda: len(made()) - before.total() >= 4, "all of them")
    return list((collections.Counter(made()) - before).elements())


@pytest.mark.punctual
def test_frames_of_a_length_find_their_place_again_where_a_line_has_lost_a_byte(cell):
    column = cell.column("column")
    cell.configure(BESIDE.replace("  busy: {device: ./tty-busy, format: line}\n", "").replace("gap: 100 ms", "length: 9"))
    cell.start()
    cell.open(1)
    for sent in (b"P 12.0181P 12.0182", b"P 12.018", b"P 12.0183P 12.0184"):       # the second has lost its last digit
        column.send(sent)
        time.sleep(1)
    wait_for(lambda: len(cell.records(kind="measurement")) == 4, "all that are whole")
    assert [one["value"] for one in cell.records(kind="measurement")] == [12.0181, 12.0182, 12.0183, 12.0184]
    unread, = cell.records(kind="unread")
    assert (unread["raw"], unread["detail"]["reason"]) == ("P 12.018", "cut")
    assert cell.stop() == 0


def reads_a_second(cell, column) -> float:
    """How often a busy line is read, by when it has been for a while: readings of one read have one time."""
    cell.start()
    cell.open()
    end = time.monotonic() + 3
    while time.monotonic() < end:
        column.send(b"P 12.0100\r\n" * 20)
        time.sleep(0.003)
    assert cell.stop() == 0
    text = cell.command("export", str(cell.config), "--kind", "measurement").stdout
    times = {datetime.fromisoformat(json.loads(line)["time"]) for line in text.splitlines()}
    return sum(time > max(times) - timedelta(seconds=1.5) for time in times) / 1.5


@pytest.mark.skipif(shutil.which("gcc") is None, reason="takes gcc")
def test_a_busy_line_is_read_more_often_where_syncs_take_long(cell, monkeypatch, tmp_path):
    """At most 33 times a second (gather: 30 ms) where they do not; the sync gathers where they take 20 ms."""
    column = cell.column("column")
    configure(cell, "device: ./tty-column")
    assert any(reads_a_second(cell, column) < 36 for _ in range(6))    # a busy machine's syncs may take long by themselves
    monkeypatch.setenv("LD_PRELOAD", str(built(tmp_path)))
    assert any(reads_a_second(cell, column) > 50 for _ in range(6))
