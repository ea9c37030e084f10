"""The real daemon killed at any moment: what it remembers of masters, context, parts and turns is what its journal says.

The oracle (`Walk`) goes through the exported records one by one and reckons anew, from the words of the contract alone, what
each must say and what must follow it; it knows nothing of restarts but that a turn that was open is interrupted.
"""

import contextlib
import json
import os
import random
import select
import signal
import sqlite3
import threading
import time
from decimal import Decimal
from pathlib import Path

import pytest

from collector.journal import Journal

LINE = r"  line: {pattern: '^(?P<kind>[PR]) (?P<channel>[AB]1) (?P<value>\d+\.\d+)$', unit: mm, kinds: {P: measurement, R: master}}"
TURN = r"  turn: {pattern: '^(?P<kind>BEGIN|END)? ?V(?P<value>\d{5}\.\d{4})$', unit: mm, kinds: {BEGIN: sweep-start, END: sweep-end}}"
LABEL = r"  label: {pattern: '^(?P<serial>H\d+)$'}"
COLUMN = f"""
site: brunnenhof
ports:
  column: {{device: ./tty-column, format: line}}
  turns: {{device: ./tty-turns, format: turn}}
  scanner: {{device: ./tty-scanner, format: label}}
formats:
{LINE}
{TURN}
{LABEL}
parts:
  PH-200:
    bore: {{channel: column/A1, nominal: 12 mm, limits: {{lower: 0 mm, upper: +0.018 mm}},
           masters: [{{name: R12, size: 12 mm, within: 1 um, parts: 15}}]}}
    seal: {{channel: column/B1, nominal: 25 mm, limits: {{lower: 0 mm, upper: +0.021 mm}}}}
  PH-300:
    runout: {{channel: turns, unit: mm, evaluate: {{sweep: {{report: tir, until: marks, keep-readings: yes}}}}}}
context: {{labels: {{port: scanner, applies-to: [column], until: used}}}}
outputs: {{line: {{kind: jsonl, folder: ./inbox, publish: growing}}}}
"""
TURNS = f"""
site: brunnenhof
ports: {{turns: {{device: ./tty-turns, format: turn}}}}
formats:
{TURN}
parts:
  PH-300: {{runout: {{channel: turns, limits: {{max: 0.005 mm}}, evaluate: {{sweep: {{report: tir, until: marks, keep-readings: yes}}}}}}}}
outputs: {{line: {{kind: jsonl, folder: ./inbox, publish: growing}}}}
"""
ORDERED = f"""
site: brunnenhof
ports: {{column: {{device: ./tty-column, format: line}}}}
formats:
{LINE}
parts:
  PH-200: {{bore: {{channel: column/A1, nominal: 12 mm, limits: {{lower: 0 mm, upper: +0.018 mm}}}}}}
  PH-210: {{bore: {{channel: column/A1, nominal: 14 mm, limits: {{lower: 0 mm, upper: +0.018 mm}}}}}}
context: {{mes: {{folder: ./orders, sets: [part, lot]}}}}
outputs: {{line: {{kind: jsonl, folder: ./inbox, publish: growing}}}}
"""
AT_THE_MOVE = """
import os, signal, sys, time
def watch(event, arguments):
    if event == "os.rename" and str(arguments[1]).startswith(TAKEN):
        ACT
sys.addaudithook(watch)
"""
"""Run in every child before anything else: what to do right before an order is moved to `taken/`."""
NAMES, CHANNELS = {"A1": "bore", "B1": "seal"}, {"A1", "B1"}
VALUES = 20


class Walk:
    """What an uninterrupted run would know after these records, in numbers and lists of its own."""

    def __init__(self):
        self.measured = 0                                   # of A1, in all
        self.since_good: list[dict] = []                    # measurements of A1 since its last good check
        self.good, self.failed, self.checked = None, False, False
        self.serial, self.used = "", set()
        self.parts: dict[str, dict[str, str]] = {}          # serial -> characteristic -> id
        self.turn: list[dict] = []
        self.phase = "off"
        self.crossed = 0                                    # turns that a start found open
        self.due: list[dict] = []                           # records that must come next, as the fields that are told

    def go(self, records: list[dict]) -> "Walk":
        for seq, one in enumerate(records, start=1):
            assert one["seq"] == seq
            if one["kind"] == "event" and one["detail"]["event"] == "lost":
                continue                                    # of bytes that the killed one had read; no record hangs on it
            if self.due:
                wanted = self.due.pop(0)
                assert {key: one.get(key) for key in wanted} == wanted, (one, wanted)
            else:
                said = one.get("detail", {})
                assert one["kind"] not in ("part", "suspect", "sweep") and "ends" not in said, one
                assert said.get("event") not in ("interrupted", "internal") or said.get("cause") == "stopped", one
            getattr(self, one["kind"], lambda record: None)(one)
        assert self.due == []
        return self

    def event(self, one: dict) -> None:
        said = one["detail"]
        if said["event"] == "interrupted" and said["cause"] == "stopped":
            assert self.turn and said["readings"] == len(self.turn), one
            self.turn, self.phase = [], "rest"
        if said["event"] == "started" and self.turn:
            self.crossed += 1
            self.due.append({"kind": "event", "port": "turns", "part": "PH-300", "characteristic": "runout",
                             "detail": {"event": "interrupted", "cause": "restart", "began": self.turn[0]["time"]}})
            self.turn, self.phase = [], "rest"
        if said["event"] == "context" and "sets" in said:
            self.serial, self.used = said["sets"]["serial"], set()

    def master(self, one: dict) -> None:
        is_good = abs(one["value"] - 12) <= Decimal("0.001")
        assert one["verdict"] == ("pass" if is_good else "fail") and "serial" not in one
        self.checked, self.failed = True, not is_good
        if is_good:
            self.good, self.since_good = one["id"], []
            return
        if self.since_good:
            first, last = self.since_good[0], self.since_good[-1]
            detail = {"master": "R12", "first": first["seq"], "last": last["seq"], "count": len(self.since_good),
                      "since": first["time"], "until": last["time"], "failed": one["id"]}
            self.due.append({"kind": "suspect", "channel": "A1", "detail": detail | ({"last-good": self.good} if self.good else {})})

    def measurement(self, one: dict) -> None:
        channel, serial = one["channel"], ""
        if self.serial and channel not in self.used:
            serial = self.serial
            self.used.add(channel)
        assert one.get("serial", "") == serial, one
        assert _flags_but_the_clock_s(one) == (self._flags() if channel == "A1" else []), one
        if channel == "A1":
            self.measured += 1
            self.since_good.append(one)
        part = self.parts.setdefault(serial, {})
        if not serial and NAMES[channel] in part:
            self._closed("", part)
            part = self.parts[""] = {}
        part[NAMES[channel]] = one["id"]
        if len(part) == 2:
            self._closed(serial, self.parts.pop(serial))
        if serial and self.used == CHANNELS:
            self.due.append({"kind": "event", "detail": {"event": "context", "source": "labels", "ends": ["serial"],
                                                         "ports": ["column"], "why": "used"}})
            self.serial, self.used = "", set()

    def _flags(self) -> list[str]:
        if not self.checked:
            return ["no-master-check"]
        if self.failed:
            return ["failed-master-check"]
        return ["overdue-master"] if len(self.since_good) >= 15 else []

    def _closed(self, serial: str, part: dict[str, str]) -> None:
        missing = [name for name in NAMES.values() if name not in part]
        detail = {"readings": part, "verdicts": dict.fromkeys(part, "pass")} | ({"missing": missing} if missing else {})
        self.due.append({"kind": "part", "serial": serial or None, "verdict": "undecided" if missing else "pass", "detail": detail})

    def reading(self, one: dict) -> None:
        if one["raw"].startswith("BEGIN"):
            assert not self.turn, "a turn that is open is said to be interrupted first"
            self.turn, self.phase = [one], "on"
            return
        if self.turn:
            self.turn.append(one)
        if one["raw"].startswith("END"):
            if self.turn:
                values = [each["value"] for each in self.turn]
                assert len(values) == VALUES, "a turn with a part of its readings"
                self.due.append({"kind": "sweep", "value": max(values) - min(values), "time": one["time"]})
            self.turn, self.phase = [], "off"


def _flags_but_the_clock_s(one: dict) -> list[str]:
    """Whether the clock of the machine that tests is right is not what is tested."""
    return [flag for flag in one.get("flags", []) if flag != "clock-unsynchronised"]


def exported(cell) -> list[dict]:
    """Every record of the journal; numbers exact."""
    text = cell.command("export", str(cell.config)).stdout
    return [json.loads(line, parse_float=Decimal, parse_int=int) for line in text.splitlines()]


def is_remembered(cell, walk: Walk) -> None:
    """The journal of a daemon that is dead remembers what the walk over its records knows, neither more nor less."""
    journal = Journal.open(cell.folder / "state")
    kept = {key: json.loads(text) for key, text in journal.memory().items()}
    journal.close()
    held = kept.get("context", {}).get("ports", {}).get("column", {}).get("serial", {"text": "", "by": []})
    assert (held["text"], {place.rpartition("/")[2] for place in held["by"]}) == (walk.serial, walk.used)
    parts = {tuple(key.removeprefix("part:").split("\n")): one for key, one in kept.items() if key.startswith("part:")}
    assert {serial: {name: got["id"] for name, got in one["got"].items()} for (_, serial), one in parts.items()} == walk.parts
    book = kept.get("channel:column/A1", {})
    assert max(one.get("count", 0) for one in (book, kept.get("readings:column/A1", {}))) == walk.measured
    check = book.get("checks", {}).get("R12")
    assert (check is not None) == walk.checked
    if walk.checked:
        assert (check.get("failed", False), check.get("good_id")) == (walk.failed, walk.good)
    assert kept.get("stream:turns/", {"phase": "off"})["phase"] == walk.phase


class Sender:
    """Two threads that send whole cycles for ever: numbered readings with labels and masters between, and numbered turns.

    While nobody reads, the line fills and the column waits, so that only a kill can lose anything of a turn.
    """

    def __init__(self, cell, seed: int):
        self._cell, self._dice, self._ended = cell, random.Random(seed), threading.Event()
        for column in cell.columns.values():
            os.set_blocking(column.master, False)
        self._threads = [threading.Thread(target=send) for send in (self._parts, self._turns)]
        for thread in self._threads:
            thread.start()

    def end(self) -> None:
        self._ended.set()
        for thread in self._threads:
            thread.join()

    def _send(self, name: str, text: str) -> None:
        """One line, whole, once there is room for it."""
        fd, line = self._cell.columns[name].master, text.encode() + b"\r\n"
        left = line
        while left and (left is not line or not self._ended.is_set()):
            if select.select([], [fd], [], 0.05)[1]:
                with contextlib.suppress(BlockingIOError):
                    left = left[os.write(fd, left):]
        self._ended.wait(0.003)

    def _parts(self) -> None:
        number, dice = 0, self._dice
        while not self._ended.is_set():
            number += 1
            if dice.random() < 0.1:
                self._send("column", f"R A1 {dice.choice(['12.0000', '12.0004', '11.9989'])}")
            if dice.random() < 0.8:
                self._send("scanner", f"H{number:05d}")
            self._send("column", f"P A1 12.{number:06d}")
            if dice.random() < 0.1:
                self._send("column", f"P A1 12.{number:06d}")
            if dice.random() < 0.9:
                self._send("column", f"P B1 25.{number:06d}")

    def _turns(self) -> None:
        number = 0
        while not self._ended.is_set():
            number += 1
            for place in range(VALUES):
                mark = {0: "BEGIN ", VALUES - 1: "END "}.get(place, "")
                self._send("turns", f"{mark}V{number:05d}.{place:04d}")


def delivered_bytes(cell) -> int:
    return sum(path.stat().st_size for path in cell.inbox.glob("*.jsonl"))


@pytest.mark.parametrize("kills", [2, pytest.param(40, marks=pytest.mark.long)])
def test_killed_at_any_moment_it_knows_what_an_uninterrupted_run_would_know(cell, until, kills):
    cell.configure(COLUMN)
    for name in ("column", "turns", "scanner"):
        cell.column(name)
    dice, sender = random.Random(kills), Sender(cell, kills)
    try:
        for _ in range(kills):
            cell.start()
            cell.open(3)
            wanted = delivered_bytes(cell) + dice.randrange(2_000, 150_000)
            until(lambda: delivered_bytes(cell) >= wanted, "more records", 30)
            cell.stop(signal.SIGKILL)
            is_remembered(cell, Walk().go(exported(cell)))
        cell.start()
        cell.open(3)
        wanted = delivered_bytes(cell) + 50_000
        until(lambda: delivered_bytes(cell) >= wanted, "more records", 30)
    finally:
        sender.end()
    assert cell.stop() == 0
    records = exported(cell)
    walk = Walk().go(records)
    is_remembered(cell, walk)
    assert [one["id"] for one in cell.records()] == [one["id"] for one in records]
    assert {one["kind"] for one in records} >= {"measurement", "master", "suspect", "part", "reading", "sweep", "event"}
    assert walk.crossed or kills < 10
    flags = {flag for one in records for flag in one.get("flags", [])}
    assert flags >= {"no-master-check", "failed-master-check"}


# --- one kill, at a moment that is known


def killed(cell, ports: int) -> None:
    cell.stop(signal.SIGKILL)
    cell.start()
    cell.open(ports)


def test_flags_the_suspect_the_serial_and_the_half_measured_part_reach_over_a_restart(cell):
    cell.configure(COLUMN)
    for name in ("column", "turns", "scanner"):
        cell.column(name)
    cell.start()
    cell.open(3)
    send = cell.columns["column"].send
    send(b"R A1 12.0000\r\n")
    cell.wait_records(1, kind="master")
    cell.columns["scanner"].send(b"H1\r\n")
    cell.wait_records(1, kind="event", serial="H1")
    send(b"P A1 12.0010\r\n")
    cell.wait_records(1, kind="measurement")
    killed(cell, 3)
    send(b"P A1 12.0020\r\nP B1 25.0010\r\nR A1 12.0020\r\n")
    suspect, = cell.wait_records(1, kind="suspect")
    killed(cell, 3)
    send(b"P A1 12.0030\r\n")
    *measured, flagged = cell.wait_records(4, kind="measurement")
    assert [(one["characteristic"], one.get("serial"), _flags_but_the_clock_s(one)) for one in measured] == [
        ("bore", "H1", []), ("bore", None, []), ("seal", "H1", [])]
    assert _flags_but_the_clock_s(flagged) == ["failed-master-check"]
    whole, = cell.records(kind="part", serial="H1")
    assert whole["detail"]["readings"] == {"bore": measured[0]["id"], "seal": measured[2]["id"]}
    assert (suspect["detail"]["first"], suspect["detail"]["last"], suspect["detail"]["count"]) == (measured[0]["seq"], measured[1]["seq"], 2)
    cell.stop()
    walk = Walk().go(exported(cell))
    is_remembered(cell, walk)
    assert list(walk.parts) == [""]


def turn(first: int, last: int, number: int = 1) -> bytes:
    """Readings `first` to `last` of a turn of 20."""
    marks = {0: b"BEGIN ", VALUES - 1: b"END "}
    return b"".join(marks.get(place, b"") + b"V%05d.%04d\r\n" % (number, place) for place in range(first, last + 1))


def events(cell, *names: str) -> list[dict]:
    return [one["detail"] for one in cell.records(kind="event") if one["detail"]["event"] in names]


def test_an_open_turn_at_the_kill_is_interrupted_after_the_start_and_its_rest_is_no_turn(cell):
    cell.configure(TURNS)
    line = cell.column("turns")
    cell.start()
    cell.open()
    line.send(turn(0, 9))
    cell.wait_records(10, kind="reading")
    killed(cell, 1)
    line.send(turn(10, 19) + turn(0, 19, 2))
    sweep, = cell.wait_records(1, kind="sweep")
    assert (sweep["value"], sweep["detail"]["readings"], sweep["detail"]["min"]) == (0.0019, 20, 2)
    assert [(one["event"], one.get("cause")) for one in events(cell, "started", "interrupted")] == [
        ("started", None), ("started", None), ("interrupted", "restart")]
    assert len(cell.records(kind="reading")) == 40


def reloaded(cell, until, text: str) -> None:
    before = len(events(cell, "configuration"))
    cell.configure(text)
    cell.daemon.send_signal(signal.SIGHUP)
    until(lambda: len(events(cell, "configuration")) > before, "the new configuration")


def test_a_turn_goes_on_over_a_reload_that_changes_nothing_of_it_and_is_interrupted_by_new_limits(cell, until):
    cell.configure(TURNS)
    line = cell.column("turns")
    cell.start()
    cell.open()
    line.send(turn(0, 9))
    cell.wait_records(10, kind="reading")
    reloaded(cell, until, TURNS + "  # a comment\n" + "journal: {keep: 30 d}\n")
    line.send(turn(10, 19))
    sweep, = cell.wait_records(1, kind="sweep")
    assert (sweep["detail"]["readings"], sweep["upper"], sweep["verdict"]) == (20, 0.005, "pass")
    line.send(turn(0, 9, 2))
    cell.wait_records(30, kind="reading")
    reloaded(cell, until, TURNS.replace("max: 0.005 mm", "max: 0.001 mm"))
    line.send(turn(10, 19, 2) + turn(0, 19, 3))
    _, sweep = cell.wait_records(2, kind="sweep")
    assert (sweep["detail"]["min"], sweep["detail"]["readings"], sweep["upper"], sweep["verdict"]) == (3, 20, 0.001, "fail")
    assert [one.get("cause") for one in events(cell, "configuration", "interrupted")] == [None, "configuration", None]
    assert events(cell, "interrupted")[0]["readings"] == 10
    assert cell.stop() == 0


# --- orders


class Orders:
    """The MES: drops orders, one after another."""

    def __init__(self, folder: Path):
        self.folder, self.dropped = folder, 0
        folder.mkdir()

    def drop(self, part: str) -> str:
        self.dropped += 1
        name = f"{self.dropped:06d}.json"
        (self.folder / f".{name}").write_text(json.dumps({"part": part, "lot": f"L{self.dropped}"}))
        os.replace(self.folder / f".{name}", self.folder / name)
        return name

    def taken(self) -> list[str]:
        return sorted(path.name for path in self.folder.glob("taken/*"))


def test_an_order_switches_the_part_and_lies_in_taken_once_its_event_is_in_the_journal(cell, until):
    orders = Orders(cell.folder / "orders")
    cell.configure(ORDERED)
    line = cell.column("column")
    cell.start()
    cell.open()
    line.send(b"P A1 14.0010\r\n")
    cell.wait_records(1, kind="measurement")
    for part in ("PH-210", "PH-200"):
        name = orders.drop(part)
        until(lambda: name in orders.taken(), "the order in taken/")
        said = exported(cell)
        assert (said[-1]["detail"]["order"], said[-1]["detail"]["sets"]["part"]) == (name, part)
        line.send(b"P A1 14.0010\r\n")
        cell.wait_records(orders.dropped + 1, kind="measurement")
    assert [(one.get("part"), one.get("lot"), one.get("verdict")) for one in cell.records(kind="measurement")] == [
        (None, None, None), ("PH-210", "L1", "pass"), ("PH-200", "L2", "fail")]
    (cell.folder / "orders" / "bad.json").write_text('{"part": 17}')
    until(lambda: events(cell, "order-refused"), "the refusal")
    assert [path.name for path in sorted((cell.folder / "orders" / "refused").iterdir())] == ["bad.json", "bad.json.reason.txt"]


def test_a_reload_leaves_the_orders_as_they_are(cell, until):
    orders = Orders(cell.folder / "orders")
    cell.configure(ORDERED)
    line = cell.column("column")
    cell.start()
    cell.open()
    orders.drop("PH-210")
    until(lambda: len(orders.taken()) == 1, "the order in taken/")
    reloaded(cell, until, ORDERED.replace("+0.018 mm", "+0.019 mm"))
    line.send(b"P A1 14.0190\r\n")
    one, = cell.wait_records(1, kind="measurement")
    assert (one["part"], one["lot"], one["verdict"]) == ("PH-210", "L1", "pass")
    orders.drop("PH-200")
    until(lambda: len(orders.taken()) == 2, "the next order in taken/")
    assert cell.stop() == 0


@pytest.mark.parametrize("kills", [2, pytest.param(40, marks=pytest.mark.long)])
def test_an_order_dropped_right_before_a_kill_is_applied_once(cell, until, kills):
    orders, dice = Orders(cell.folder / "orders"), random.Random(kills)
    cell.configure(ORDERED)
    line = cell.column("column")
    for kill in range(kills):
        cell.start()
        cell.open()
        part = ("PH-200", "PH-210")[kill % 2]
        orders.drop(part)
        time.sleep(dice.random() * 0.7)                     # any moment: it is looked at within half a second
        cell.stop(signal.SIGKILL)
        cell.start()
        cell.open()
        until(lambda: len(orders.taken()) == orders.dropped, "every order in taken/")
        line.send(b"P A1 14.0010\r\n")
        measured = cell.wait_records(kill + 1, kind="measurement")[-1]
        assert (measured["part"], measured["lot"]) == (part, f"L{orders.dropped}")
        cell.stop(signal.SIGKILL)
    assert ordered(cell) == orders.taken() and len(orders.taken()) == kills


@pytest.mark.parametrize(("act", "is_moved"), [("time.sleep(60)", False), ("os.kill(os.getppid(), signal.SIGKILL)", True)])
def test_a_kill_between_the_commit_of_an_order_and_its_move_neither_loses_nor_repeats_it(cell, until, monkeypatch, act, is_moved):
    orders = Orders(cell.folder / "orders")
    cell.configure(ORDERED)
    cell.column("column")
    hook = cell.folder / "hook"
    hook.mkdir()
    taken = str(cell.folder / "orders" / "taken")
    (hook / "sitecustomize.py").write_text(AT_THE_MOVE.replace("TAKEN", repr(taken)).replace("ACT", act))
    for number in (1, 2):
        with monkeypatch.context() as patched:
            patched.setenv("PYTHONPATH", str(hook))
            patched.setenv("PYTHONDONTWRITEBYTECODE", "1")
            cell.start()
            cell.open()
        orders.drop(("PH-200", "PH-210")[number % 2])
        if is_moved:
            assert cell.daemon.wait(10) == -signal.SIGKILL
            until(lambda: len(orders.taken()) == number, "the move")
        else:
            until(lambda: len(ordered(cell)) == number, "the order's event")
            assert len(orders.taken()) == number - 1
            cell.stop(signal.SIGKILL)
        assert ordered(cell)[-1] == f"{number:06d}.json"
        cell.start()
        cell.open()
        until(lambda: len(orders.taken()) == number, "the order in taken/")
        cell.stop()
    assert ordered(cell) == orders.taken()


def ordered(cell) -> list[str]:
    """The orders that the journal has applied."""
    return [one["detail"]["order"] for one in exported(cell) if one["kind"] == "event" and one["detail"]["event"] == "context"]


def test_an_order_is_not_moved_before_it_is_committed(cell, until):
    orders = Orders(cell.folder / "orders")
    cell.configure(ORDERED)
    cell.column("column")
    cell.start()
    cell.open()
    held = sqlite3.connect(cell.folder / "state" / "journal.sqlite", isolation_level=None)
    held.execute("BEGIN IMMEDIATE")                         # the daemon's commit waits for this
    orders.drop("PH-210")
    until((orders.folder / "taken").is_dir, "the order read")
    time_to_have_moved = time.monotonic() + 1.0
    while time.monotonic() < time_to_have_moved:
        assert orders.taken() == []
        time.sleep(0.02)
    held.execute("ROLLBACK")
    held.close()
    until(lambda: len(orders.taken()) == 1, "the order in taken/")
    assert ordered(cell) == orders.taken()
    assert cell.stop() == 0
