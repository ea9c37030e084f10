"""From bytes to records: what the pipeline adds to its stages."""

import json
from decimal import Decimal

import msgspec
import pytest

from collector.config.plan import read_plan
from collector.record import Chunk, Reading
from collector.service.cell import Cell
from collector.service.memory import Memory
from collector.service.numbering import Numbering
from collector.service.pipeline import Pipeline
from collector.service.tally import Tally

CONFIG = """
site: s
ports: {p: {device: /dev/ttyS9, format: f}}
formats:
  f: {pattern: '^(?P<part>[A-Z]+)? ?(?P<value>[+-]?\\d+\\.\\d+) ?(?P<time>\\d{4}-\\S+)? ?(?P<status>!)?$', unit: in, reads: deviation,
      over-range: [OPEN], time: {format: '%Y-%m-%dT%H:%M:%S', zone: Europe/Berlin}}
parts:
  A: {bore: {channel: p, nominal: 0.75 in, limits: {lower: -0.0003 in, upper: +0.0005 in}}}
  B: {bore: {channel: p, nominal: 20 mm, limits: {lower: 0 um, upper: +21 um}}}
outputs: {o: {kind: csv, folder: /srv/x}}
"""


@pytest.fixture
def pipeline(tmp_path):
    (tmp_path / "c.yaml").write_text(CONFIG)
    plan = read_plan(tmp_path / "c.yaml")
    return Pipeline(plan.ports["p"], Cell(plan, Numbering("s", "TEST0000", 1), Memory({})), Tally("d"))


def records(pipeline, data):
    return [json.loads(row.body) for row in pipeline.feed(Chunk("p", data, 10**18, 0))]


def test_a_deviation_becomes_a_size_of_the_part_that_the_frame_names(pipeline):
    found = records(pipeline, b"A -0.00030\nA -0.000301\nB +0.0005\n")
    assert [(one["part"], one["value"], one["unit"], one["verdict"], one.get("side")) for one in found] == [
        ("A", 0.7497, "in", "pass", None), ("A", 0.749699, "in", "fail", "below"), ("B", 20.0127, "mm", "pass", None)]


def test_where_the_part_is_not_known_nothing_is_judged_and_the_record_says_so(pipeline):
    for said in records(pipeline, b"+0.0001\nC +0.0001\n"):
        assert said["flags"] == ["no-part"] and "verdict" not in said and said["deviation"] == 0.0001


def test_status_and_column_time_are_kept_and_a_time_that_exists_twice_is_flagged_not_guessed(pipeline):
    sure, doubtful = records(pipeline, b"A +0.0001 2026-01-25T02:30:00 !\nA +0.0001 2026-10-25T02:30:00\n")
    assert sure["detail"]["status"] == "!" and sure["detail"]["column-time"]["utc"].startswith("2026-01-25T01:30:00")
    assert doubtful["flags"] == ["time-ambiguous"] and "utc" not in doubtful["detail"]["column-time"]


class Broken:
    """A parser with a bug in it: behind a good reading it gives what is none."""

    def parse(self, data):
        return [Reading(Decimal(1), "mm", {"part": "B"}), None]


def test_a_bug_in_processing_makes_an_unread_with_its_bytes_and_no_gap_in_the_numbers(pipeline):
    records(pipeline, b"A +0.0001\n")
    whole = pipeline.plan
    pipeline.plan = msgspec.structs.replace(whole, parser=Broken())
    found, = records(pipeline, b"A +0.0002\n")
    assert (found["kind"], found["raw"], found["detail"]["reason"], found["seq"]) == ("unread", "A +0.0002", "internal", 2)
    pipeline.plan = whole
    assert records(pipeline, b"A +0.0003\n")[0]["seq"] == 3


def test_marked_line_errors_are_unread_and_a_marked_good_byte_is_itself(pipeline):
    pipeline.marked = True
    error, other = records(pipeline, b"A +0.\xff\x0000001\nA\xff\xff1\n")
    assert (error["detail"]["reason"], other["detail"]["reason"], other["raw"]) == ("line-error", "encoding", "A\\xff1")
