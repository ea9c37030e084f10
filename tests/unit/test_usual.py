"""The usual measurement, made the short way: its record is the one that the long way makes, byte for byte."""

import re
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.config.plan import read_plan
from collector.record import Chunk, decode, encode, unescape
from collector.service.cell import Cell
from collector.service.memory import Memory
from collector.service.numbering import Numbering
from collector.service.pipeline import Pipeline
from collector.service.tally import Tally

CONFIG = """
site: s
ports:
  p: {device: /dev/ttyS9, format: f, encoding: utf-8, end: "\\n"}
  q: {device: /dev/ttyS8, format: l, encoding: utf-8, end: "\\n"}
formats:
  f: {pattern: '^(?P<serial>[^;]*);(?P<operator>[^;]*);(?P<value>[+-]?\\d+\\.\\d+)(?P<unit>mm|in)(?P<status>!)?$'}
  l: {pattern: '^(?P<lot>.*)$'}
parts:
  A%s: {"b\\"100 %%d": {channel: p, nominal: 12 mm, limits: {lower: 0 mm, upper: 0.018 mm}}}
context: {labels: {port: q, sets: [lot]}}
outputs: {o: {kind: csv, folder: /srv/x}}
"""
AT = 1_772_435_700_000_123_456


def make(folder):
    (folder / "c.yaml").write_text(CONFIG)
    plan = read_plan(folder / "c.yaml")
    cell = Cell(plan, Numbering("s", "TEST0000", 1), Memory({}))
    made = {name: Pipeline(port, cell, Tally("d")) for name, port in plan.ports.items()}
    return made["p"], made["q"]


def long_way(pipeline):
    """The same pipeline without the short way: no aim offers it."""
    aims = pipeline.circuits.aims
    found = aims.of

    def of(channel, part, master):
        aim = found(channel, part, master)
        return type(aim)(**{**{name: getattr(aim, name) for name in aim.__struct_fields__}, "usual": None})

    aims.of = of
    return pipeline


TEXTS = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\r\n;"), max_size=12)


@given(frames=st.lists(st.tuples(TEXTS, TEXTS, st.sampled_from(["12.0", "+12.000", "11.9999", "12.0180", "12.01801",
                                                              "-0.0", "0.4724"]),
                                 st.sampled_from(["mm", "in"]), st.booleans()), min_size=1, max_size=6),
       lot=TEXTS, unsure=st.booleans())
def test_the_short_way_gives_the_bytes_of_the_long_one(tmp_path_factory, frames, lot, unsure):
    bodies = []
    for other in (lambda pipeline: pipeline, long_way):
        pipeline, scanner = make(tmp_path_factory.mktemp("cell"))
        pipeline = other(pipeline)
        pipeline._numbering.unsynchronised = unsure
        rows = scanner.feed(Chunk("q", lot.encode() + b"\n", AT, 0))
        data = b"".join(f"{serial};{operator};{value}{unit}{'!' * marked}\n".encode()
                        for serial, operator, value, unit, marked in frames)
        bodies.append(rows + pipeline.feed(Chunk("p", data, AT, 0)))
    assert bodies[0] == bodies[1]
    for row in bodies[0]:
        assert encode(decode(row.body)) == row.body and row[:6] == (row.seq, AT // 1000, row.kind, row.port, row.part, row.lot)
        if row.kind == "measurement":
            said = unescape(decode(row.body).raw, "utf-8").decode()
            assert re.search(r";([+-]?[\d.]+)(mm|in)!?$", said)


def test_a_size_is_judged_once_for_each_way_of_writing_it(tmp_path):
    pipeline, _ = make(tmp_path)
    rows = pipeline.feed(Chunk("p", b"1;a;12.0mm\n1;a;12.00mm\n1;a;12.0mm\n", AT, 0))
    assert [bytes(decode(row.body).value) for row in rows] == [b"12.0", b"12.00", b"12.0"]


def test_what_is_remembered_of_sizes_and_texts_has_an_end(tmp_path):
    pipeline, _ = make(tmp_path)
    for at in range(0, 12_000, 1000):
        data = b"".join(b"1;op%d;12.%05dmm\n" % (number, number) for number in range(at, at + 1000))
        rows = pipeline.feed(Chunk("p", data, AT, 0))
    usual = pipeline.circuits.aims.of("", "", None).usual
    assert len(usual._sizes) <= 1_000 and len(usual._forms) <= 200
    assert Decimal(bytes(decode(rows[-1].body).value).decode()) == Decimal("12.11999")


@pytest.mark.parametrize("text", ["12.018", "12.0180", "+12.018"])
def test_a_size_on_its_limit_is_inside_also_when_it_comes_again(tmp_path, text):
    pipeline, _ = make(tmp_path)
    rows = pipeline.feed(Chunk("p", f"1;a;{text}mm\n2;a;{text}mm\n".encode(), AT, 0))
    assert [decode(row.body).verdict for row in rows] == ["pass", "pass"]
