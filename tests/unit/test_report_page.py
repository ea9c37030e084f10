"""A report's page and charts: nothing from a wire becomes markup, nothing is lost where charts are thinned."""

import random
from datetime import datetime, timezone
from decimal import Decimal
from html.parser import HTMLParser
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.journal import Row
from collector.logs import plain
from collector.pages.charts import envelope, few
from collector.pages.report_charts import Control, Level, Mark, control_charts, histogram, run_chart
from collector.record import Record, detail, encode, number
from collector.report import shown
from collector.report.figures import Wanted
from collector.report.made import make
from collector.report.page import page
from collector.report.selection import Selection
from collector.statistics.capability import Index

NOW = datetime(2026, 3, 3, tzinfo=timezone.utc)
HOSTILE = ("<script>alert(1)</script>", "\"><img src=x onerror=alert(1)>", "</title></svg><script>", "{{ 7 * 7 }}", "$x^{2}$",
           "javascript:alert(1)", "]]><x>", "<!--", "&lt;b&gt;", "\u202ebore", "=1+1", "' onload='x", "$\\frac{1}{0}$", "%n", "\\")
TEXTS = st.one_of(st.sampled_from(HOSTILE), st.text(min_size=1, max_size=24)).filter(str.strip)


class Rows:
    """Records as a source of rows."""

    def __init__(self, records):
        self.rows = [Row(one.seq, one.seq * 1_000_000, one.kind, one.port, one.part, one.lot, encode(one))
                     for one in records]

    def select(self, since_us=None, until_us=None, port=None, part=None, lot=None, kinds=(), first=1, through=None):
        return (row for row in self.rows if (not kinds or row.kind in kinds) and row.seq >= first
                and (through is None or row.seq <= through) and part in (None, row.part) and lot in (None, row.lot))


def records(text):
    """One of each kind that a page shows, every text that may come over a wire being `text`."""
    common = {"site": text, "port": text, "channel": text, "part": text, "time": "2026-03-02T06:00:00.000000Z"}
    said = {"characteristic": text, "serial": text, "lot": text, "operator": text, "flags": (text,), "unit": "mm"}
    limits = {"nominal": number(Decimal(25)), "lower": number(Decimal("25.000")), "upper": number(Decimal("25.021"))}
    size = {"value": number(Decimal("25.0300")), "verdict": "fail", "side": "above", "raw": text}
    made = [("master", {"unit": "mm", **limits, **size, "characteristic": text, "detail": detail({"master": text})}),
            ("measurement", {**said, **limits, **size}),
            ("event", {"detail": detail({"event": text, "cause": text, text: text})}),
            ("event", {"detail": detail({"event": "context", "sets": {"lot": text}, "source": text})}),
            ("unread", {"raw": text, "detail": detail({"reason": text, "why": text})}),
            ("derived", {**said, **limits, **size, "port": "", "channel": "", "detail": detail({"inputs": {text: "x-J-2"}})}),
            ("part", {**{key: said[key] for key in ("serial", "lot")}, "verdict": "fail",
                      "detail": detail({"readings": {text: "x-J-2"}})}),
            ("suspect", {"detail": detail({"master": text, "first": 2, "last": 2, "count": 1, "since": text, "until": text,
                                           "failed": text})})]
    return [Record(seq=seq, id=f"{text}-J-{seq}", kind=kind, **(common | more)) for seq, (kind, more) in enumerate(made, 1)]


def paged(text, asked=None):
    report = make(Rows(records(text)), Selection(part=asked, lot=asked, since="2026-03-01") if asked else Selection(), Wanted(), NOW)
    return page(report, f"collector export {text}", {"figures.csv": "0" * 64})


class Shape(HTMLParser):
    """Elements with the names of their attributes, in order, and all text."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.elements, self.text, self.links = [], "", []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        if tag in ("path", "use", "defs", "g", "text", "span"):
            return                                        # drawn strokes: there may be one more or less
        self.elements.append((tag, tuple(name for name, _ in attrs)))
        self.links += [value for name, value in attrs if name in ("href", "src")]

    def handle_data(self, data):
        self.text += data


BENIGN = "bore"
SHAPE = Shape(paged(BENIGN))


@settings(max_examples=25)
@given(TEXTS)
def test_no_text_from_a_wire_changes_what_the_page_is_made_of(text):
    page_text = paged(text)
    shape = Shape(page_text)
    assert shape.elements == SHAPE.elements
    assert shape.links == SHAPE.links == ["figures.csv"]
    assert "<script" not in page_text and "<img" not in page_text
    for char in page_text:
        assert char in "\n\t" or char.isprintable()


def test_hostile_text_is_shown_as_it_was_sent():
    for text in HOSTILE:
        assert plain(text) in Shape(paged(text)).text


def test_what_was_asked_for_is_text_too():
    shape = Shape(paged(HOSTILE[0], HOSTILE[0]))
    assert f"Lot {HOSTILE[0]}, part {HOSTILE[0]}" in shape.text
    assert not [one for one in shape.elements if one[0] in ("script", "img")]


def test_the_same_records_make_the_same_bytes():
    assert paged("bore") == paged("bore")


@settings(max_examples=60)
@given(st.integers(0, 2**32), st.integers(1, 20_000), st.integers(1, 700))
def test_an_envelope_loses_no_outlier(seed, count, columns):
    draw = random.Random(seed)
    values = [draw.gauss(0, 1) for _ in range(count)]
    starts, low, high = envelope(values, columns)
    ends = [*starts[1:], count]
    assert len(starts) == min(columns, count) and starts[0] == 0
    for start, end, least, most in zip(starts, ends, low, high, strict=True):
        assert (least, most) == (min(values[start:end]), max(values[start:end]))


def test_of_many_marks_the_outermost_of_each_column_are_drawn():
    draw = random.Random(1)
    at = sorted(draw.sample(range(1, 100_000), 5000))
    values = [draw.gauss(0, 1) for _ in at]
    kept = few(at, values, 100_000, 100)
    assert len(kept) <= 202
    assert max(values) in [values[one] for one in kept] and min(values) in [values[one] for one in kept]


def test_a_thinned_chart_says_so_and_stays_small():
    draw = random.Random(2)
    values = [draw.gauss(25, 0.002) for _ in range(100_000)]
    values[77_777] = 26.5
    text = run_chart("Values", values, "mm", [Level(1, 100_000, "25", "24.9", "25.1")], out=[77_778])
    assert len(text) < 150_000 and "and 26.5 mm; 1 out of limits" in text
    ElementTree.fromstring(text)


def test_text_in_a_chart_is_text():
    for text in HOSTILE:
        drawn = ElementTree.fromstring(run_chart(text, [1.0, 2.0], plain(text), [], events=[Mark(1, letter=plain(text))]))
        assert [each.text for each in drawn.iter("{http://www.w3.org/2000/svg}text")].count(plain(text)) == 2


def test_charts_of_degenerate_values_can_be_drawn():
    for values in ([25.0], [25.0, 25.0], [0.0] * 50, [1e-7, 2e-7], [-3.0, 1e6]):
        level = Level(1, len(values), "", "", "5")
        for text in (run_chart("a", values, "mm", [level], doubted=[(1, 1)], events=[Mark(0, True, "a"), Mark(1, False, "b")],
                               checks=[Mark(len(values))]),
                     histogram("a", values, "mm", 0.0001, level),
                     control_charts("a", [Control("x", values, 1.0, 0.0, 2.0, [1]), Control("y", values, 1.0, 0.0, 2.0, [])], "mm",
                                    "value", 3)):
            ElementTree.fromstring(text)


@pytest.mark.parametrize("count", [1, 2, 3, 60])
def test_what_is_counted_has_no_number_twice_on_its_axis(count):
    values = [25.0 + at % 3 for at in range(count)]
    level = Level(1, count, "", "", "")
    for drawn in (run_chart("a", values, "mm", [level]), histogram("a", values, "mm", 1.0, level),
                  control_charts("a", [Control("x", values, 26.0, 25.0, 27.0, [])] * 2, "mm", "value", 3)):
        found = [one.text for one in ElementTree.fromstring(drawn).iter("{http://www.w3.org/2000/svg}text")]
        counted = [text for text in found if text.isdigit()]
        assert len(counted) == len(set(counted)) and counted


def test_few_values_are_not_called_stable():
    for count, word in ((29, "too few to say"), (30, "stable")):
        made = [Record(seq=at, id=f"x-J-{at}", kind="measurement", site="x", time="2026-03-02T06:00:00.000000Z", part="P",
                       characteristic="bore", unit="mm", value=number(Decimal(25) + at % 2)) for at in range(1, count + 1)]
        text = page(make(Rows(made), Selection(), Wanted(), NOW), "", {})
        assert f">{word}<" in text and ("stable</strong>" in text) == (count == 30)


def test_bars_are_whole_steps_and_none_is_lost():
    draw = random.Random(3)
    for count in (1, 7, 300, 5000):
        values = [round(draw.gauss(25.01, 0.003), 4) for _ in range(count)]
        text = histogram("a", values, "mm", 0.0001, Level(1, count, "", "25.000", "25.021"))
        assert f"<desc>{count} values in " in text


def test_figures_for_the_eye_are_rounded_half_to_even_and_never_with_an_exponent():
    assert shown.figure(Decimal("25.00125"), 4) == "25.0012" and shown.figure(Decimal("25.00135"), 4) == "25.0014"
    assert shown.figure(1e-9, 4) == "0.0000" and shown.figure(-0.5, 1) == "\N{MINUS SIGN}0.5" and shown.figure(None, 3) == "–"
    assert shown.index(Index(1.335, -0.5, 2.0)) == ("1.33", "\N{MINUS SIGN}0.50 to 2.00")
    assert [shown.percent(*pair) for pair in ((0, 9), (9, 9), (1, 100_000), (99_999, 100_000), (1, 3), (0, 0))] == [
        "0.0 %", "100.0 %", "under 0.1 %", "over 99.9 %", "33.3 %", "–"]
