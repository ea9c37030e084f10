"""A measurement that repeats another: its record is the one that the long way makes, byte for byte."""

import re
import tempfile
from functools import cache
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.config.plan import read_plan
from collector.record import Chunk, decode, encode, unescape
from collector.service import circuits
from collector.service.cell import Cell
from collector.service.memory import Memory
from collector.service.numbering import Numbering
from collector.service.pipeline import Pipeline
from collector.service.repeats import Repeats
from collector.service.tally import Tally

CONFIG = """
site: s
ports:
  p: {device: /dev/ttyS9, format: f, encoding: utf-8, end: "\\n"}
  q: {device: /dev/ttyS8, format: l, encoding: utf-8, end: "\\n"}
formats:
  f: {pattern: '^(?P<serial>[^;]*);(?P<operator>[^;]*);(?P<value>[+-]?\\d+\\.\\d+)(?P<unit>mm|in)(?P<status>!)?(?P<kind>R)?$', kinds: {R: master}}
  l: {pattern: '^(?P<lot>.*)$'}
parts:
  A%s: {"b\\"100 %%d": {channel: p, nominal: 12 mm, limits: {lower: 0 mm, upper: 0.018 mm}SAYS_MORE}}
context: {labels: {port: q, sets: [lot]}}
outputs: {o: {kind: csv, folder: /srv/x}}
"""
AT = 1_772_435_700_000_123_456


SAYS_MORE = """, uncertainty: 1 um, rule: proven, feature: hole, classes: {"1": [12 mm, 12.009 mm], "2": [12.009 mm, 12.018 mm]},
      masters: [{name: ring, size: 12 mm, within: 2 um, parts: 2}]"""


@cache
def plan_of(says_more):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "c.yaml")
        path.write_text(CONFIG.replace("SAYS_MORE", says_more))
        return read_plan(path)


def make(says_more=""):
    """The pipelines of the column and of the scanner."""
    plan = plan_of(says_more)
    cell = Cell(plan, Numbering("s", "TEST0000", 1), Memory({}))
    made = {name: Pipeline(port, cell, Tally("d")) for name, port in plan.ports.items()}
    return made["p"], made["q"]


def long_way(pipeline):
    """The same pipeline, but nothing repeats."""
    aims = pipeline.circuits.aims
    found = aims.of

    def of(channel, part, master):
        aim = found(channel, part, master)
        return type(aim)(**{**{name: getattr(aim, name) for name in aim.__struct_fields__}, "repeats": False})

    aims.of = of
    return pipeline


TEXTS = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\r\n;"), max_size=12)
HOSTILE = ["\\u0000i", "-\\u0000i", "\\u0000t", "\\u0000s", '"\\u0000s', "\\u0000r", "%s"]      # what a form marks, as letters
FEW = st.sampled_from(["", "anna", "n°7", 'a"b', " x", "b\\", *HOSTILE]) | TEXTS
SIZES = st.sampled_from(["12.0", "+12.000", "11.9999", "12.0180", "12.01801", "-0.0", "0.4724"])
ENDS = st.sampled_from(["mm"] * 6 + ["in", "mm!", "mmR", "mmR"])


@given(frames=st.lists(st.tuples(FEW, FEW, SIZES, ENDS), min_size=1, max_size=12), lots=st.lists(FEW, min_size=1, max_size=3),
       unsure=st.booleans(), says_more=st.sampled_from(["", SAYS_MORE]))
def test_a_repeated_measurement_has_the_bytes_of_one_that_is_made_anew(frames, lots, unsure, says_more):
    bodies = []
    for other in (lambda pipeline: pipeline, long_way):
        pipeline, scanner = make(says_more)
        pipeline, rows = other(pipeline), []
        for at, lot in enumerate(lots):
            pipeline._numbering.unsynchronised = unsure and at != 1
            rows += scanner.feed(Chunk("q", lot.encode() + b"\n", AT, 0))
            data = b"".join(f"{serial};{operator};{value}{end}\n".encode() for serial, operator, value, end in frames)
            rows += pipeline.feed(Chunk("p", data, AT, 0))
        bodies.append(rows)
    assert bodies[0] == bodies[1]
    for row in bodies[0]:
        assert encode(decode(row.body)) == row.body and row[:6] == (row.seq, AT // 1000, row.kind, row.port, row.part, row.lot)
        if row.kind == "measurement":
            said = unescape(decode(row.body).raw, "utf-8").decode()
            assert re.search(r";([+-]?[\d.]+)(mm|in)[!R]?$", said)


def values(rows):
    return [bytes(decode(row.body).value).decode() for row in rows]


def test_digits_stay_as_sent_also_where_the_size_is_the_same():
    pipeline, _ = make()
    rows = pipeline.feed(Chunk("p", b"1;a;12.0mm\n1;a;12.00mm\n1;a;12.0mm\n", AT, 0))
    assert values(rows) == ["12.0", "12.00", "12.0"]


def test_what_is_remembered_has_an_end():
    pipeline, _ = make()
    for at in range(0, 3_000, 1000):
        data = b"".join(b"1;op%d;12.%05dmm\n" % (number, number) for number in range(at, at + 1000))
        rows = pipeline.feed(Chunk("p", data, AT, 0))
    assert 0 < len(pipeline.circuits._repeats._known) <= 500
    assert values(rows)[-1] == "12.02999"


def test_a_repeated_measurement_is_flagged_as_what_is_true_now():
    pipeline, _ = make(SAYS_MORE)
    rows = pipeline.feed(Chunk("p", b"1;a;12.0mm\n0;a;12.0mmR\n" + b"1;a;12.0mm\n" * 3, AT, 0))
    assert [decode(row.body).flags for row in rows] == [("no-master-check",), (), (), (), ("overdue-master",)]


def test_what_came_twice_is_not_judged_again(monkeypatch):
    pipeline, _ = make()
    judge, judged = circuits.judged, []
    monkeypatch.setattr(circuits, "judged", lambda *said: judged.append(said) or judge(*said))
    rows = pipeline.feed(Chunk("p", "1;a;12.0mm\n2;a;12.0mm\nSN-2;a;12.0mm\n µ3 ;a;12.0mm\n".encode(), AT, 0))
    assert [decode(row.body).serial for row in rows] == ["1", "2", "SN-2", "µ3"] and len(judged) == 2
    assert decode(pipeline.feed(Chunk("p", b"  ;a;12.0mm\n" * 3, AT, 0))[-1].body).serial == "" and len(judged) == 4


def test_a_fault_in_a_repeated_measurement_makes_that_frame_unread_and_leaves_no_gap(monkeypatch):
    pipeline, _ = make()
    pipeline.feed(Chunk("p", b"1;a;12.0mm\n2;a;12.0mm\n", AT, 0))
    monkeypatch.setattr(circuits.Aim, "guard", property(lambda aim: 1 / 0))         # a bug, before its number is taken or after
    filled = pipeline._numbering.filled
    rows = pipeline.feed(Chunk("p", b"3;a;12.0mm\n", AT, 0))
    monkeypatch.undo()
    pipeline._numbering.filled = lambda *said: filled(*said) and 1 / 0
    rows += pipeline.feed(Chunk("p", b"4;a;12.0mm\n", AT, 0))
    pipeline._numbering.filled = filled
    rows += pipeline.feed(Chunk("p", b"5;a;12.0mm\n", AT, 0))
    assert [row.seq for row in rows] == [3, 4, 5] and [row.kind for row in rows] == ["unread", "unread", "measurement"]


def test_what_is_kept_goes_in_the_order_in_which_it_came():
    repeats = Repeats(plan_of("").ports["p"].parser)
    texts = [(b"s%d" % at, b"", b"12.%d" % at, b"mm", None, None) for at in range(500)]
    assert not any(repeats.is_awaited(one) for one in texts) and all(repeats.is_awaited(one) for one in texts)
    repeats.keep(texts[1], "kept")
    repeats.is_awaited((b"", b"", b"13", b"mm", None, None))
    assert not repeats.is_awaited(texts[0]) and repeats.of(texts[1])[0] is None and repeats.is_awaited(texts[2])


PART = """
site: s
ports:
  p: {device: /dev/ttyS9, format: f}
  q: {device: /dev/ttyS8, format: l}
formats:
  f: {pattern: '^(?P<channel>[AB]) (?P<value>\\d+\\.\\d+)(?: (?P<serial>\\S+))?$', unit: mm}
  l: {pattern: '^(?P<serial>.*)$'}
parts:
  housing:
    upper: {channel: p/A, nominal: 12 mm, limits: {lower: 0 mm, upper: 0.018 mm}}
    lower: {channel: p/B, nominal: 12 mm, limits: {lower: 0 mm, upper: 0.018 mm}}
    taper: {from: upper - lower, unit: um, limits: {min: -5 um, max: 5 um}}
context: {labels: {port: q, sets: [serial], until: used}}
outputs: {o: {kind: csv, folder: /srv/x}}
"""


@pytest.fixture
def part(tmp_path):
    (tmp_path / "c.yaml").write_text(PART)
    plan = read_plan(tmp_path / "c.yaml")
    cell = Cell(plan, Numbering("s", "TEST0000", 1), Memory({}))
    made = {name: Pipeline(port, cell, Tally("d")) for name, port in plan.ports.items()}
    return lambda port, data: [decode(row.body) for row in made[port].feed(Chunk(port, data, AT, 0))]


def test_what_follows_from_a_repeated_measurement_has_the_serial_of_now(part):
    for serial in (b"S1", b"S2", b"S3"):
        records = part("p", b"A 12.010 %s\rB 12.008 %s\r" % (serial, serial))
        assert [one.kind for one in records] == ["measurement", "measurement", "derived", "part"]
        assert {one.serial for one in records} == {serial.decode()} and bytes(records[2].value) == b"2"


def test_a_repeated_measurement_uses_the_context_up_as_the_first_did(part):
    for serial in (b"S1", b"S2", b"S3"):
        part("q", serial + b"\r")
        records = part("p", b"A 12.010\rA 12.010\rB 12.008\r")
        assert [one.serial for one in records if one.kind == "measurement"] == [serial.decode(), "", serial.decode()]


@pytest.mark.parametrize("text", ["12.018", "12.0180", "+12.018"])
def test_a_size_on_its_limit_is_inside_also_when_it_comes_again(text):
    pipeline, _ = make()
    rows = pipeline.feed(Chunk("p", f"1;a;{text}mm\n2;a;{text}mm\n".encode(), AT, 0))
    assert [decode(row.body).verdict for row in rows] == ["pass", "pass"]
