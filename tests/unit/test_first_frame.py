"""A port is opened while a column is sending: no end of a frame is ever taken for a whole one."""

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.config.plan import read_plan
from collector.record import Chunk
from collector.service.cell import Cell
from collector.service.memory import Memory
from collector.service.numbering import Numbering
from collector.service.pipeline import Pipeline
from collector.service.tally import Tally

MS = 1_000_000
LINES = {                                                     # format, and how it writes a size
    "bare": ("pattern: '(?P<value>[+-]?\\d+\\.\\d+)'", "{:08.4f}\r\n"),
    "anchored": ("pattern: '^(?P<value>[+-]?\\d+\\.\\d+)$'", "{:.4f}\r\n"),
    "signed": ("pattern: '^(?P<value>[+-]\\d+\\.\\d+) mm$'", "+{:.4f} mm\r\n"),
    "named": ("pattern: '^P (?P<value>\\d+\\.\\d+)$'", "P {:.4f}\r\n"),
    "channel": ("pattern: '^(?P<channel>[A-Z]*\\d*) (?P<value>\\d+\\.\\d+)$'", "AB12 {:.4f}\r\n"),
    "fields": ("delimiter: ';', fields: [channel, value]", "A12;{:.4f}\r\n"),
    "positions": ("positions: {value: 1-8}", "{:.4f}\r\n"),
    "implied": ("pattern: '^(?P<value>\\d+)$', implied-decimals: 4", "{:.0f}\r\n"),
    "checksum": ("pattern: '^(?P<value>\\d+\\.\\d+)$', checksum: {kind: sum8, after: '*', form: hex}", "SUM8 {:.4f}\r\n"),
}


def sent(template: str, size: float) -> bytes:
    if template.startswith("SUM8 "):
        text = template[5:].strip().format(size).encode()
        return b"%s*%02X\r\n" % (text, sum(text) % 256)
    return template.format(size * 10_000 if ".0f" in template else size).encode()


def opened(tmp_path, form: str, at_ns: int) -> Pipeline:
    (tmp_path / "c.yaml").write_text("site: s\nports: {p: {device: /dev/ttyS9, format: f}}\nformats: {f: {unit: mm, " + form +
                                     "}}\noutputs: {o: {kind: csv, folder: /srv/x}}\n")
    plan = read_plan(tmp_path / "c.yaml")
    pipeline = Pipeline(plan.ports["p"], Cell(plan, Numbering("s", "TEST0000", 1), Memory({})), Tally("d"))
    pipeline.opened(False, at_ns)
    return pipeline


def values(pipeline, chunks) -> list:
    found = [json.loads(row.body) for data, at in chunks for row in pipeline.feed(Chunk("p", data, 10**18 + at, at))]
    return [(one["kind"], one.get("value", one.get("detail", {}).get("reason"))) for one in found]


@pytest.mark.parametrize("line", LINES)
@settings(max_examples=40)
@given(cut=st.integers(0, 40), chunk=st.integers(1, 30))
def test_no_end_of_a_frame_becomes_a_size(tmp_path_factory, line, cut, chunk):
    form, template = LINES[line]
    first, second, third = (sent(template, size) for size in (112.3456, 112.3457, 112.3458))
    stream = first[cut % len(first):] + second + third
    pipeline = opened(tmp_path_factory.mktemp("c"), form, 5 * MS)
    found = values(pipeline, [(stream[at:at + chunk], 6 * MS) for at in range(0, len(stream), chunk)])
    sizes = [value for kind, value in found if kind == "measurement"]
    assert set(sizes) <= {112.3456, 112.3457, 112.3458} and sizes[-2:] == [112.3457, 112.3458]
    assert all(reason in ("cut", "no-match", "number", "checksum") for kind, reason in found if kind == "unread")


@pytest.mark.parametrize("line", ["named", "checksum"])
def test_a_format_that_tells_whole_frames_by_itself_loses_none(tmp_path, line):
    form, template = LINES[line]
    assert values(opened(tmp_path, form, 5 * MS), [(sent(template, 112.3456), 6 * MS)]) == [("measurement", 112.3456)]


@pytest.mark.parametrize("first, at, wanted", [
    (b"", 54, "unread"), (b"", 55, "measurement"),             # the line was quiet for 50 ms before
    (b"\n", 6, "measurement"),                                 # it begins with the end of the one before
])
def test_a_first_frame_behind_quiet_or_behind_an_end_is_whole(tmp_path, first, at, wanted):
    form, template = LINES["anchored"]
    found = values(opened(tmp_path, form, 5 * MS), [(first + sent(template, 12.3456), at * MS), (sent(template, 12.3457), at * MS)])
    assert [kind for kind, _ in found] == [wanted, "measurement"]
    assert wanted == "measurement" or found[0][1] == "cut"


@pytest.mark.parametrize("quiet_ms, wanted", [(60, "unread"), (310, "measurement")])
def test_where_a_gap_ends_a_frame_only_a_longer_quiet_says_that_the_first_is_whole(tmp_path, quiet_ms, wanted):
    (tmp_path / "c.yaml").write_text("site: s\nports: {p: {device: /dev/ttyS9, format: f, gap: 300 ms}}\nformats: {f: {unit: mm, "
                                     "pattern: '^(?P<value>\\d+\\.\\d+)$'}}\noutputs: {o: {kind: csv, folder: /srv/x}}\n")
    plan = read_plan(tmp_path / "c.yaml")
    pipeline = Pipeline(plan.ports["p"], Cell(plan, Numbering("s", "TEST0000", 1), Memory({})), Tally("d"))
    pipeline.opened(False, 5 * MS)
    at = (5 + quiet_ms) * MS
    pipeline.feed(Chunk("p", b"2.0043", at, at))
    assert [json.loads(row.body)["kind"] for row in pipeline.tick(at + 400 * MS)] == [wanted]
