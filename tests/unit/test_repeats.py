"""A measurement that repeats another: its record is the one that the long way makes, byte for byte."""

import re
import tempfile
from functools import cache
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.config.plan import read_plan
from collector.journal import forms
from collector.record import Chunk, decode, encode, unescape
from collector.service import circuits
from collector.service.cell import Cell
from collector.service.memory import Memory
from collector.service.numbering import Numbering
from collector.service.pipeline import Pipeline
from collector.service.repeats import Repeat, Repeats, Under
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
def plan_of(says_more, serial, encoding="utf-8"):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "c.yaml")
        path.write_text(CONFIG.replace("SAYS_MORE", says_more).replace("?P<serial>", "?P<serial>" if serial else "?:")
                        .replace("encoding: utf-8", f"encoding: {encoding}"))
        return read_plan(path)


def make(says_more="", serial=True, encoding="utf-8"):
    """The pipelines of the column and of the scanner."""
    plan = plan_of(says_more, serial, encoding)
    cell = Cell(plan, Numbering("s", "TEST0000", 1), Memory({}))
    made = {name: Pipeline(port, cell, Tally("d")) for name, port in plan.ports.items()}
    return made["p"], made["q"]


def feed(pipeline, chunk):
    """The rows, each with its JSON."""
    return [pipeline._numbering.forms.whole(row) for row in pipeline.feed(chunk)]


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
       unsure=st.booleans(), says_more=st.sampled_from(["", SAYS_MORE]), serial=st.booleans(),
       cuts=st.lists(st.integers(0, 36), max_size=5).map(sorted))
def test_a_repeated_measurement_has_the_bytes_of_one_that_is_made_anew(frames, lots, unsure, says_more, serial, cuts):
    bodies, counted = [], []
    for other in (lambda pipeline: pipeline, long_way):
        pipeline, scanner = make(says_more, serial)
        pipeline, rows = other(pipeline), []
        for lot in lots:
            rows += feed(scanner, Chunk("q", lot.encode() + b"\n", AT, 0))
            lines = [f"{number};{operator};{value}{end}\n".encode() for number, operator, value, end in frames] * 3
            for begin, end in pairwise([0, *cuts, len(lines)]):
                pipeline._numbering.unsynchronised = unsure and begin % 2 == 1
                rows += feed(pipeline, Chunk("p", b"".join(lines[begin:end]), AT, 0))
        bodies.append(rows)
        counted.append((pipeline.tally.as_dict(), pipeline._cell.memory.whole()))
    assert bodies[0] == bodies[1] and counted[0] == counted[1]
    for row in bodies[0]:
        assert encode(decode(row.body)) == row.body and row[:6] == (row.seq, AT // 1000, row.kind, row.port, row.part, row.lot)
        if row.kind == "measurement":
            said = unescape(decode(row.body).raw, "utf-8").decode()
            assert re.search(r";([+-]?[\d.]+)(mm|in)[!R]?$", said)


def test_what_has_an_old_form_is_made_anew(monkeypatch):
    """A form is in use until so many newer ones were made; the writer keeps it only for so long."""
    monkeypatch.setattr(forms, "IN_USE", 3)
    frames = [b"1;a;12.00%dmm\n" % size for size in (0, 1, 2, 1, 3, 4, 3, 4, 0, 1, 2, 3, 4, 4, 4)] * 4
    made = [make()[0], long_way(make()[0])]
    for frame in frames:
        (row,), (other,) = [pipeline.feed(Chunk("p", frame, AT, 0)) for pipeline in made]
        known = made[0]._numbering.forms
        assert known.whole(row) == other and (not row.form or row.form >= known.oldest == max(1, known.last - 2))
    assert known.last > 20 and row.form


def values(rows):
    return [bytes(decode(row.body).value).decode() for row in rows]


def test_digits_stay_as_sent_also_where_the_size_is_the_same():
    pipeline, _ = make()
    rows = feed(pipeline, Chunk("p", b"1;a;12.0mm\n1;a;12.00mm\n1;a;12.0mm\n", AT, 0))
    assert values(rows) == ["12.0", "12.00", "12.0"]


def test_what_is_remembered_has_an_end():
    pipeline, _ = make()
    for at in range(0, 3_000, 1000):
        data = b"".join(b"1;op%d;12.%05dmm\n" % (number, number) for number in range(at, at + 1000))
        rows = feed(pipeline, Chunk("p", data, AT, 0))
    assert 0 < len(pipeline.circuits.repeats._known) <= 500
    assert values(rows)[-1] == "12.02999"


@pytest.mark.parametrize("at_once", [1, 2, 3, 5])
def test_a_repeated_measurement_is_flagged_as_what_is_true_now(at_once):
    pipeline, _ = make(SAYS_MORE)
    frames, flags = [b"1;a;12.0mm\n"] * 3 + [b"0;a;12.0mmR\n"] + [b"1;a;12.0mm\n"] * 3, []
    for at in range(0, len(frames), at_once):
        rows = feed(pipeline, Chunk("p", b"".join(frames[at:at + at_once]), AT, 0))
        flags += [decode(row.body).flags for row in rows]
    assert flags == [("no-master-check",)] * 3 + [()] * 3 + [("overdue-master",)]


def test_a_repeated_measurement_says_whether_the_clock_is_right_now():
    pipeline, _ = make()
    for at in range(8):
        pipeline._numbering.unsynchronised = at in (3, 6)
        row, = feed(pipeline, Chunk("p", b"1;a;12.0mm\n", AT, 0))
        assert decode(row.body).flags == (("clock-unsynchronised",) if at in (3, 6) else ())


def test_what_was_made_under_another_lot_is_made_anew_behind_what_was_not():
    pipeline, scanner = make()
    for size in (b"12.0", b"12.01"):
        feed(pipeline, Chunk("p", b"1;a;%smm\n" % size * 2, AT, 0))
    feed(scanner, Chunk("q", b"L2\n", AT, 0))
    feed(pipeline, Chunk("p", b"1;a;12.0mm\n", AT, 0))
    rows = feed(pipeline, Chunk("p", b"2;a;12.0mm\n3;a;12.01mm\n4;a;12.0mm\n", AT, 0))
    assert [(row.lot, decode(row.body).lot, decode(row.body).serial) for row in rows] == [
        ("L2", "L2", "2"), ("L2", "L2", "3"), ("L2", "L2", "4")]


def test_the_beginning_of_a_frame_repeats_nothing():
    pipeline, _ = make()
    feed(pipeline, Chunk("p", b"1;a;12.0mm\n" * 3 + b"1;a;12.0mm", AT, 0))
    row, = pipeline.cut(AT, 0, "port-lost")
    assert row.kind == "unread" and b'"reason":"cut"' in row.body


@pytest.mark.parametrize("serial", [True, False])
def test_marks_of_the_driver_are_no_text_that_was_read_before(serial):
    """A driver that marks errors doubles each byte 0xff: termios(3), PARMRK."""
    pipeline, _ = make("", serial, "latin-1")
    pipeline.opened(True, 0, was_quiet=True)
    rows = [row for sent in (b"\xff\xff\xff\xff", b"\xff\xff\xff\xff", b"\xff\xff", b"\xff\xff\xff\xff", b"\xff\x00b")
            for row in feed(pipeline, Chunk("p", b"1;a%s;12.0mm\n" % sent, AT, 0))]
    assert [decode(row.body).operator for row in rows] == ["aÿÿ", "aÿÿ", "aÿ", "aÿÿ", ""]
    assert [row.kind for row in rows] == ["measurement"] * 4 + ["unread"]


def test_what_came_twice_is_not_judged_again(monkeypatch):
    pipeline, scanner = make()
    feed(pipeline, Chunk("p", b"1;a;12.0mm\n2;a;12.0mm\n", AT, 0))
    judge, judged = circuits.judged, []
    monkeypatch.setattr(circuits, "judged", lambda *said: judged.append(said) or judge(*said))
    rows = feed(pipeline, Chunk("p", "2;a;12.0mm\nSN-2;a;12.0mm\n µ3 ;a;12.0mm\n".encode(), AT, 0))
    assert [decode(row.body).serial for row in rows] == ["2", "SN-2", "µ3"] and not judged
    assert decode(feed(pipeline, Chunk("p", b"  ;a;12.0mm\n" * 2, AT, 0))[-1].body).serial == "" and judged
    judged.clear()
    assert decode(feed(pipeline, Chunk("p", b"  ;a;12.0mm\n" * 2, AT, 0))[-1].body).serial == "" and not judged
    feed(scanner, Chunk("q", b"L2\n", AT, 0))
    feed(pipeline, Chunk("p", b"1;a;12.0mm\n", AT, 0))
    judged.clear()
    assert feed(pipeline, Chunk("p", b"2;a;12.0mm\n", AT, 0))[0].lot == "L2" and not judged


def test_a_fault_in_repeated_measurements_costs_no_frame_but_that_which_has_it(monkeypatch):
    pipeline, _ = make()
    feed(pipeline, Chunk("p", b"1;a;12.0mm\n2;a;12.0mm\n", AT, 0))
    filled, faults = pipeline._numbering.filled, []

    def faulty(many, *said):
        rows = filled(many, *said)                     # a bug, behind the taking of numbers
        faults.append(any(b"4" == serial for *_, serial, _ in many) and 1 / 0)
        return rows

    pipeline._numbering.filled = faulty
    rows = feed(pipeline, Chunk("p", b"3;a;12.0mm\n4;a;12.0mm\n5;a;12.0mm\n", AT, 0))
    assert [decode(row.body).serial for row in rows] == ["3", "4", "5"] and [row.seq for row in rows] == [3, 4, 5]
    monkeypatch.setattr(pipeline.circuits, "take", lambda *said: 1 / 0)         # and one in the long way
    rows = feed(pipeline, Chunk("p", b"3;a;12.0mm\n4;a;12.0mm\n5;a;12.0mm\n", AT, 0))
    assert [row.kind for row in rows] == ["unread"] * 3 and [row.seq for row in rows] == [6, 7, 8]
    assert not faults and pipeline.tally.frames == 8 and pipeline.tally.read + pipeline.tally.not_read == 8


def test_what_is_kept_goes_in_the_order_in_which_it_came():
    repeats = Repeats(plan_of("", True).ports["p"].parser)
    texts = [(b"s%d" % at, b"", b"12.%d" % at, b"mm", None, None) for at in range(500)]
    assert not any(repeats.is_awaited(one) for one in texts) and all(repeats.is_awaited(one) for one in texts)
    under = Under(None, "", {}, (), False)
    repeats.keep(texts[1], Repeat(1, under, {}, None))
    frames = [b"s1;;12.1mm", b"s7;;12.2mm"]
    assert [one and one[1:] for one in repeats.of(frames)] == [(b"s1", frames[0]), None]
    repeats.is_awaited((b"", b"", b"13", b"mm", None, None))
    repeats.is_awaited((b"", b"", b"14", b"mm", None, None))
    assert not repeats.is_awaited(texts[0]) and repeats.of(frames) == [None, None]
    assert repeats.is_awaited(texts[4])


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
    return lambda port, data: [decode(row.body) for row in feed(made[port], Chunk(port, data, AT, 0))]


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


def test_each_repeated_measurement_of_a_part_is_followed_by_what_follows(part):
    found = [part("p", b"A 12.010\rA 12.009\rA 12.010\rB 12.008\r") for _ in range(4)]
    kinds = [[one.kind for one in records] for records in found]
    assert kinds[0].count("derived") >= 1 and kinds.count(kinds[0]) == 4
    assert len({tuple(bytes(one.value) for one in records) for records in found}) == 1


TWO = """
site: s
ports: {p: {device: /dev/ttyS9, format: f}}
formats: {f: {pattern: '^(?P<part>\\w+) (?P<value>\\d+\\.\\d+)$', unit: mm}}
parts:
  one: {bore: {channel: p, nominal: 12 mm, limits: {lower: 0 mm, upper: 0.018 mm}}}
  two: {bore: {channel: p, nominal: 12 mm, limits: {lower: 0 mm, upper: 0.008 mm}}}
outputs: {o: {kind: csv, folder: /srv/x}}
"""


def test_a_repeated_measurement_is_of_the_part_that_its_frame_names(tmp_path):
    (tmp_path / "c.yaml").write_text(TWO)
    plan = read_plan(tmp_path / "c.yaml")
    pipeline = Pipeline(plan.ports["p"], Cell(plan, Numbering("s", "TEST0000", 1), Memory({})), Tally("d"))
    for _ in range(4):
        rows = feed(pipeline, Chunk("p", b"one 12.010\rtwo 12.010\rone 12.010\r", AT, 0))
        assert [(row.part, decode(row.body).part, decode(row.body).verdict) for row in rows] == [
            ("one", "one", "pass"), ("two", "two", "fail"), ("one", "one", "pass")]


@pytest.mark.parametrize("text", ["12.018", "12.0180", "+12.018"])
def test_a_size_on_its_limit_is_inside_also_when_it_comes_again(text):
    pipeline, _ = make()
    rows = feed(pipeline, Chunk("p", f"1;a;{text}mm\n2;a;{text}mm\n".encode(), AT, 0))
    assert [decode(row.body).verdict for row in rows] == ["pass", "pass"]


def test_the_first_frame_of_an_opening_is_looked_at_though_it_was_read_before():
    pipeline, _ = make("", False)
    feed(pipeline, Chunk("p", b"1;a;12.0mm\n" * 3, AT, 0))
    pipeline.cut(AT, 10**9, "port-lost")
    pipeline.opened(False, 10**9)
    rows = feed(pipeline, Chunk("p", b"1;a;12.0mm\n" * 3, AT, 10**9))
    assert [row.kind for row in rows] == ["unread", "measurement", "measurement"] and b'"reason":"cut"' in rows[0].body


@pytest.mark.parametrize("bad", [b"\xff", b"\0"])
def test_bytes_that_are_no_text_are_unread_though_all_that_is_looked_at_was_read_before(bad):
    pipeline, _ = make("", False)
    feed(pipeline, Chunk("p", b"1;a;12.0mm\n" * 3, AT, 0))
    rows = feed(pipeline, Chunk("p", b"2;a;12.0mm\n%s;a;12.0mm\n3;a;12.0mm\n" % bad, AT, 0))
    assert [row.kind for row in rows] == ["measurement", "unread", "measurement"] and b'"reason":"encoding"' in rows[1].body


def test_a_wrong_checksum_is_unread_though_its_texts_were_read_before(tmp_path):
    (tmp_path / "c.yaml").write_text(TWO.replace("+)$'", "+)'").replace("unit: mm}", "unit: mm, checksum: {kind: sum8, after: '*', form: hex}}"))
    plan = read_plan(tmp_path / "c.yaml")
    pipeline = Pipeline(plan.ports["p"], Cell(plan, Numbering("s", "TEST0000", 1), Memory({})), Tally("d"))
    right = b"one 12.010*%02X\r" % (sum(b"one 12.010") % 256)
    for _ in range(3):
        assert [row.kind for row in feed(pipeline, Chunk("p", right, AT, 0))] == ["measurement"]
    rows = feed(pipeline, Chunk("p", right + b"one 12.010*00\r", AT, 0))
    assert [row.kind for row in rows] == ["measurement", "unread"] and b'"reason":"checksum"' in rows[1].body
