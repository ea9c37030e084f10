"""Anything at all on the wire of a random configuration: the real pipeline, in this process, valid frames in between.

A case is its seed: `python -c "from tests.faults.test_fuzz import case; case('SEED')"` runs it again.
"""

import json
import os
import random
import time
from functools import reduce
from operator import xor
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from msgspec import Struct

from collector.config.plan import Plan, read_plan
from collector.record import Chunk
from collector.service.cell import Cell
from collector.service.memory import Memory
from collector.service.numbering import Numbering
from collector.service.pipeline import Pipeline
from collector.service.tally import Tally

MS, BEGAN_NS = 1_000_000, 1_790_000_000 * 10**9
SEED = os.environ.get("FUZZ_SEED", "20261")


class Framing(Struct, frozen=True):
    """`ends` lets a frame begin behind noise; where `length`, noise is padded to it; where `gap`, time does that."""

    config: str
    before: bytes
    after: bytes
    ends: bytes = b""
    length: int = 0
    gap: bool = False


FRAMINGS = (
    Framing("longest: 64", b"", b"\r\n", b"\r"),
    Framing('end: "\\r\\n", longest: 40', b"", b"\r\n", b"\r\n"),
    Framing('start: "\\x02", end: "\\x03", longest: 50', b"\x02", b"\x03", b"\x03"),
    Framing('start: "<<", end: ">>", longest: 50', b"<<", b">>", b">>"),
    Framing('start: "\\x02", end: "\\r", longest: 50', b"\x02", b"\r", b"\r"),
    Framing("length: 24, longest: 64", b"", b"", length=24),
    Framing("gap: 20 ms, longest: 64", b"", b"", gap=True),
)


def print_line(kind: str, channel: str, digits: str) -> bytes:
    return f"{kind} {channel} {digits} mm".encode()


def fields(kind: str, channel: str, digits: str) -> bytes:
    return f"{channel};{kind};{digits}".encode()


def spans(kind: str, channel: str, digits: str) -> bytes:
    return f"{kind}{channel} {digits:>12}".encode()


def checked(kind: str, channel: str, digits: str) -> bytes:
    body = f"{kind},{channel},{digits}".encode()
    return body + b"*%02X" % reduce(xor, body)


KINDS = "kinds: {P: measurement, R: master, B: sweep-start, E: sweep-end}, over-range: [OPEN], unit: mm"
FORMATS = (
    (r"pattern: '^(?P<kind>[PRBE]) (?P<channel>[A-Z]1) (?P<value>[+-]?\d+\.\d+) mm *$'", print_line),
    ("delimiter: ';', fields: [channel, kind, value]", fields),
    ("positions: {kind: 1, channel: 2-3, value: 5-16}", spans),
    (r"pattern: '^(?P<kind>[PRBE]),(?P<channel>[A-Z]1),(?P<value>[+-]?\d+\.\d+)$', "
     "checksum: {kind: xor, after: '*', form: hex}", checked),
    (r"repeat: yes, pattern: '(?P<kind>[PRBE]) (?P<channel>[A-Z]1) (?P<value>[+-]?\d+\.\d+) mm'", print_line),
)
STREAMS = (
    "",
    "evaluate: {settled: {band: 500 um, time: 30 ms, keep-readings: yes}},",
    "evaluate: {settled: {band: 500 um, time: 30 ms, until: quiet, quiet: 100 ms, keep-readings: yes}},",
    "evaluate: {sweep: {report: tir, until: marks, keep-readings: yes}},",
    "evaluate: {sweep: {report: max, until: over-range, keep-readings: yes}},",
    "evaluate: {sweep: {report: mean, until: quiet, quiet: 50 ms, keep-readings: yes}},",
)
MASTERS = ("", "masters: [{name: R12, size: 12 mm, within: 100 um, parts: 5}],",
           "masters: [{name: LO, size: 12.0 mm, within: 100 um, every: 1 h}, "
           "{name: HI, size: 12.9 mm, within: 100 um, every: 1 h}],")
DERIVED = ("", "    taper: {from: bore - seal, unit: um, limits: {min: -5 um, max: 5 um}}\n",
           "    ratio: {from: (bore + seal) / 3, unit: um, limits: {max: 9 mm}}\n")
LIMITS = ("limits: {lower: 0 mm, upper: 0.018 mm}", "tolerance: H7",
          "limits: {max: 12.9 mm}, uncertainty: 1 um, rule: proven",
          'limits: {lower: 0 mm, upper: 1 mm}, classes: {"1": [12 mm, 12.5 mm], "2": [12.5 mm, 13 mm]}')
OTHER = ("", "  PH-210:\n    bore: {channel: p/A1, nominal: 13 mm, tolerance: H8}\n")
LABEL = (r"  label: {pattern: '^(?:S(?P<serial>\d+)|W(?P<operator>\w+)|L(?P<lot>\d+)|M(?P<master>\w+)|(?P<part>PH-\d+))"
         "$'}\n")
SAID = (b"S17", b"S18", b"Wanna", b"L0123", b"MR12", b"MHI", b"PH-200", b"PH-210", b"PH-9", b"\xff\x00M")
CONTEXT = ("", "context: {labels: {port: scanner, sets: [part, serial, operator], until: used}}\n",
           "context: {labels: {port: scanner, sets: [part, lot, master], until: replaced}}\n")


def configured(dice: random.Random, folder: Path) -> tuple[Plan, Framing, object]:
    """A random configuration, its framing, and what makes a valid frame of it."""
    framing, (format, make) = dice.choice(FRAMINGS), dice.choice(FORMATS)
    context, stream, masters, limits = map(dice.choice, (CONTEXT, STREAMS, MASTERS, LIMITS))
    if "tir" in stream:                                    # of a span, which is no size
        masters, limits = "", "limits: {max: 12.9 mm}"
    scanner = "  scanner: {device: ./tty-scanner, format: label}\n" if context else ""
    label = LABEL if context else ""
    text = (f"site: s\nports:\n  p: {{device: ./tty, format: f, {framing.config}}}\n{scanner}"
            f"formats:\n  f: {{{format}, {KINDS}}}\n{label}"
            f"parts:\n  PH-200:\n    bore: {{channel: p/A1, nominal: 12 mm, {stream} {masters} {limits}}}\n"
            f"    seal: {{channel: p/B1, nominal: 12 mm, {dice.choice(LIMITS[:2])}}}\n"
            f"{dice.choice(DERIVED)}{dice.choice(OTHER)}{context}outputs: {{o: {{kind: csv, folder: ./x}}}}\n")
    (folder / "c.yaml").write_text(text)
    return read_plan(folder / "c.yaml"), framing, make


class Bytes(Struct, frozen=True):
    """What comes on a port at one moment.  `frame`: its text, where it is a valid one."""

    port: str
    at_ns: int
    data: bytes
    frame: bytes = b""


def noise(dice: random.Random, frames: list[bytes]) -> bytes:
    """Random bytes, bytes that mean something, or a frame that was sent before, damaged."""
    way = dice.randrange(4)
    if way == 0:
        return dice.randbytes(dice.choice((1, 3, 30, 300)))
    if way == 1:
        return bytes(dice.choices(b"\x00\x02\x03\r\n<>\xff*;, PRBEAB01.+-m", k=dice.randrange(1, 120)))
    frame = bytearray(dice.choice(frames) if frames else b"OPEN")
    if way == 2 and frame:
        frame[dice.randrange(len(frame))] ^= 1 << dice.randrange(8)
        return bytes(frame)
    return bytes(frame[:dice.randrange(len(frame) + 1)] + frame[dice.randrange(len(frame) + 1):]) * dice.randrange(1, 3)


def wire(dice: random.Random, plan: Plan, framing: Framing, make, count: int) -> list[Bytes]:
    """What comes, in order; noise is closed so that the next frame is not damaged by it."""
    found, frames, at = [], [], BEGAN_NS
    for number in range(count):
        at += dice.choice((0, 1, 10, 40, 200, 4000)) * MS
        if "scanner" in plan.ports and dice.random() < 0.2:
            found.append(Bytes("scanner", at, dice.choice((*SAID, dice.randbytes(9))) + b"\r\n"))
        if framing.gap:
            at += 21 * MS
        if dice.random() < 0.4:
            data = noise(dice, frames)
            if framing.length:
                data += b" " * (-len(data) % framing.length)
            found.append(Bytes("p", at, data + framing.ends))
        elif dice.random() < 0.1:
            found.append(Bytes("p", at, framing.before + b"OPEN".ljust(framing.length) + framing.after))
        else:
            whole, digits = dice.choice(("12", "12", "12", "13", "-1", "9999")), f"{number:06d}"
            frame_kind, channel = dice.choice("PPPPRRBE"), dice.choice("AAB") + "1"
            frame = make(frame_kind, channel, f"{whole}.{digits}")
            if framing.length and make is not spans:
                frame = make(frame_kind, channel, f"{whole}.{digits}{'0' * (framing.length - len(frame))}")
            frame = frame.ljust(framing.length)
            frames.append(frame)
            found.append(Bytes("p", at, framing.before + frame + framing.after, frame))
    return found


def cut_up(dice: random.Random, data: bytes, way: str) -> list[bytes]:
    if way == "whole":
        return [data]
    cuts = range(len(data)) if way == "bytes" else [dice.randrange(len(data) + 1) for _ in range(4)]
    edges = sorted({0, *cuts, len(data)})
    return [data[one:two] for one, two in zip(edges, edges[1:])]


class Line:
    """The pipelines of a cell, fed as the worker feeds them."""

    def __init__(self, plan: Plan, marked: bool):
        self.cell = Cell(plan, Numbering("s", "TEST0000", 1), Memory({}))
        self.pipelines = {name: Pipeline(port, self.cell, Tally("d")) for name, port in plan.ports.items()}
        self.rows: list = []
        for pipeline in self.pipelines.values():
            pipeline.marked = marked
            pipeline.circuits.runs.opened(BEGAN_NS)

    def go(self, brought: list[Bytes], dice: random.Random, way: str) -> list[dict]:
        for one in brought:
            self._tick(one.at_ns)
            for data in cut_up(dice, one.data, way):
                self.rows += self.pipelines[one.port].feed(Chunk(one.port, data, one.at_ns, one.at_ns))
            self._books()
        end_ns = brought[-1].at_ns + 10**9
        self._tick(end_ns)
        for pipeline in self.pipelines.values():
            self.rows += pipeline.cut(end_ns, end_ns, "stopped")
        self._books()
        for name in self.pipelines:
            assert self.cell.memory.ledger.account(name).waiting == 0
        return [json.loads(row.body) for row in map(self.cell.numbering.forms.whole, self.rows)]

    def _tick(self, now_ns: int) -> None:
        for pipeline in self.pipelines.values():
            if pipeline.due_ns is not None and pipeline.due_ns <= now_ns:
                self.rows += pipeline.tick(now_ns)
        self.rows += self.cell.tick(now_ns)

    def _books(self) -> None:
        """The ledger balances at every moment; what is to be remembered can be written down and read again."""
        ledger, counted = self.cell.memory.ledger, getattr(self, "counted", 0)
        for name, pipeline in self.pipelines.items():
            ledger.read(name, pipeline.meter)
        ledger.count(self.rows[counted:])
        self.counted = len(self.rows)
        assert [fault for account in ledger.accounts.values() for fault in account.faults()] == []
        Memory({key: text for key, text in self.cell.changed().items() if text is not None})


def case(seed: str, count: int = 60) -> int:
    """One random configuration with what comes on its wires, in three chunkings: how many bytes that is."""
    dice = random.Random(seed)
    with TemporaryDirectory() as folder:
        plan, framing, make = configured(dice, Path(folder))
    brought, marked = wire(dice, plan, framing, make, count), dice.random() < 0.3
    records = Line(plan, marked).go(brought, dice, "whole")
    for way in ("bytes", "cuts"):
        assert Line(plan, marked).go(brought, dice, way) == records, f"other records in other chunks: {way}"
    assert [one["seq"] for one in records] == list(range(1, len(records) + 1))
    said = [one.get("detail", {}) for one in records]
    assert not [one for one in said if "internal" in (one.get("reason"), one.get("event"))]
    read = [(one["kind"], one.get("raw", "")) for one in records if one["kind"] in ("measurement", "reading", "master")]
    for one in brought:
        if one.frame:
            raw = one.frame.decode()
            kinds = [kind for kind, text in read if text == raw]
            kinds = [kind for kind in kinds if kind == "reading"] or kinds     # what it completed has its text as well
            noise_too = sum(other.data.count(one.frame.strip()) for other in brought if not other.frame)
            whole = [each for each in records if each.get("raw") == raw]
            assert 1 <= len(kinds) <= 1 + noise_too, f"{raw!r} gave {kinds}: {whole}"
    return 3 * sum(len(one.data) for one in brought)


def run(seed: str, seconds: float) -> tuple[int, int, list[str]]:
    """Cases for so long: how many, how many bytes, and what went wrong."""
    fed, number, broken, end = 0, 0, [], time.monotonic() + seconds
    while time.monotonic() < end and len(broken) < 5:
        number += 1
        try:
            fed += case(f"{seed}-{number}")
        except Exception as error:
            broken.append(f"case {seed}-{number}: {type(error).__name__} {str(error)[:900]}")
    return number, fed, broken


@pytest.mark.parametrize("seconds", [6, pytest.param(300, marks=pytest.mark.long)])
def test_whatever_comes_makes_no_fault_and_hides_no_reading(seconds):
    number, fed, broken = run(SEED, seconds)
    print(f"fuzz: {number} configurations, {fed:,} bytes, seed {SEED}")
    assert broken == []
    assert number > seconds
