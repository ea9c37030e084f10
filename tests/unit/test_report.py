"""What a report makes of records: which values it counts, by what they were judged, what is in doubt, and its files."""

import csv
import io
import json
import random
import statistics
import subprocess
import sys
from datetime import datetime, timezone
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.commands import COMMANDS
from collector.journal import JournalReader
from collector.record import Record, detail
from collector.report.figures import Wanted
from collector.report.lot import Doubt, Doubts
from collector.report.made import Nothing, make
from collector.report.selection import Selection, Tracing
from collector.report.steadiness import steadiness
from collector.report.tables import as_json, tables
from collector.statistics.charts import individuals
from tests.report_cell import BEGAN_US, CONFIG, Writing, check, housings, judged

NOW = datetime(2026, 3, 3, tzinfo=timezone.utc)
ALL = Selection()


@pytest.fixture(scope="module")
def lot(tmp_path_factory):
    folder = tmp_path_factory.mktemp("lot")
    (folder / "cell.yaml").write_text(CONFIG)
    housings(folder / "state")
    return folder


def reported(folder, selection=ALL, wanted=Wanted(), **more):
    journal = JournalReader.open(folder)
    try:
        return make(journal, selection, wanted, NOW, **more)
    finally:
        journal.close()


def written(folder, write):
    to = Writing(folder)
    write(to)
    to.close()
    return folder


def bore(to, value, place=0, unit="mm", lower="25.000", upper="25.021", **more):
    fields = {"port": "bore-column", "channel": "U", "part": "PH-200", "characteristic": "upper", "lot": "L1"} | more
    sides = judged(Decimal(value), Decimal(lower), Decimal(upper)) if lower and upper else {"value": Decimal(value)}
    return to.add("measurement", BEGAN_US + place * 1_000_000, unit=unit, **fields, **sides)


def test_figures_are_those_of_the_recorded_digits(tmp_path):
    values = [f"{25 + random.Random(4).randrange(1, 200) * place % 200 / 10000:.4f}" for place in range(1, 80)]
    report = reported(written(tmp_path, lambda to: [bore(to, value, place) for place, value in enumerate(values)]))
    one, = report.characteristics
    each, = one.sets
    sizes = [Decimal(value) for value in values]
    summary = each.all.summary
    assert summary.count == 79 and summary.mean == statistics.mean(sizes)
    assert abs(summary.deviation - statistics.stdev(sizes)) < Decimal("1e-20")
    assert (summary.smallest, summary.largest, summary.median) == (min(sizes), max(sizes), statistics.median(sizes))
    assert one.decimals == 4 and [str(value) for value in one.values] == values


def test_what_a_failed_check_puts_in_doubt_is_counted_apart_and_not_charted(lot):
    report = reported(lot / "state")
    upper, lower, taper = report.characteristics
    assert (upper.doubted, lower.doubted, taper.doubted) == (36, 0, 36)      # a derived value by what it was made of
    assert [each.all.summary.count for each in upper.sets] == [90, 90]
    assert [each.figures.summary.count for each in upper.sets] == [90, 54]
    assert len(upper.sets[1].charts.location.points) == 54
    assert [one.suspect for one in report.yields] == [36]


def test_a_check_that_fails_behind_the_lot_still_puts_it_in_doubt(tmp_path):
    def write(to):
        good = check(to, BEGAN_US, Decimal("0.0001"), "")
        for place in range(5):
            bore(to, f"25.01{place:02}", place + 1)
        bore(to, "25.0100", 9, lot="L2")
        check(to, BEGAN_US + 20_000_000, Decimal("0.0030"), good, 6)
    report = reported(written(tmp_path, write), Selection(lot="L1"))
    assert report.characteristics[0].doubted == 5
    assert report.characteristics[0].sets[0].figures.summary.count == 0      # nothing sound is left, and that is no crash
    assert report.characteristics[0].sets[0].all.summary.count == 5
    assert [one.when for one in report.around.checks] == ["before", "behind"]


@given(st.lists(st.tuples(st.integers(1, 60), st.integers(0, 20)), max_size=6), st.integers(1, 90))
def test_a_seq_is_in_doubt_where_any_span_holds_it(spans, seq):
    doubts = Doubts(Doubt(0, "", "bore", "U", "", "", "", first, first + more, "", "", "") for first, more in spans)
    record = Record(seq=seq, id="", time="", kind="measurement", port="bore", channel="U")
    assert doubts.about(record) == any(first <= seq <= first + more for first, more in spans)
    assert not doubts.about(Record(seq=seq, id="", time="", kind="measurement", port="bore", channel="L"))


def test_limits_that_change_make_sets_and_the_same_limit_in_other_digits_does_not(tmp_path):
    def write(to):
        for place, (upper, value) in enumerate([("25.021", "25.0010"), ("25.0210", "25.0020"), ("25.020", "25.0030")]):
            bore(to, value, place, upper=upper)
    one, = reported(written(tmp_path, write)).characteristics
    assert [(str(each.judged.upper), each.all.summary.count) for each in one.sets] == [("25.021", 2), ("25.020", 1)]


def test_a_characteristic_in_two_units_is_shown_in_the_metric_one_exactly(tmp_path):
    def write(to):
        bore(to, "0.9847", 0, "in", "0.9843", "0.9851")
        bore(to, "25.0100", 1)
    one, = reported(written(tmp_path, write)).characteristics
    assert one.unit == "mm" and one.recorded_units == ("in", "mm")
    assert list(one.values) == [Decimal("25.01138"), Decimal("25.0100")]
    assert one.sets[0].judged.lower == Decimal("0.9843") * Decimal("25.4")


def test_a_value_without_a_characteristic_is_kept_by_its_column(tmp_path):
    def write(to):
        bore(to, "25.0100", characteristic="", part="", lower="", upper="", flags=("no-part",))
    one, = reported(written(tmp_path, write)).characteristics
    assert one.group.name == "(no characteristic) bore-column/U" and one.sets[0].all.counts.unjudged == 1
    assert one.sets[0].capability.why[:2] == ("fewer than 30 readings", "no limits")


def test_whole_parts_are_counted_by_their_own_verdict(tmp_path):
    def write(to):
        for verdict, told in (("pass", {}), ("fail", {}), ("fail", {"missing": ["lower"]}), ("", {"missing": ["lower"]}),
                              ("undecided", {}), ("pass", {"verdicts": {"missing": "pass"}})):
            to.add("part", BEGAN_US, part="PH-200", verdict=verdict, detail=detail({"readings": {}, **told}))
    one, = reported(written(tmp_path, write)).yields
    assert (one.count, one.passed, one.failed, one.undecided, one.incomplete) == (6, 2, 2, 1, 1)


def test_context_that_each_part_brings_is_counted_and_a_change_of_lot_is_told(tmp_path):
    def write(to):
        for place in range(4):
            bore(to, "25.0100", place)
            to.event(BEGAN_US + place, "context", source="labels", sets={"serial": f"S{place}", "part": "PH-200"},
                     ports=["bore-column"])
        to.event(BEGAN_US, "context", source="labels", sets={"part": "PH-210"}, ports=["other-column"])
        to.event(BEGAN_US, "context", source="orders", sets={"lot": "L2"}, ports=["bore-column"])
        to.event(BEGAN_US, "port-lost", "other-column", cause="gone")
        bore(to, "25.0100", 9)
    around = reported(written(tmp_path, write)).around
    assert around.serial_changes == 3
    assert [one.words for one in around.events][1:] == ["part PH-210, source labels", "lot L2, source orders"]


def test_nothing_selected_says_what_there_is(lot):
    with pytest.raises(Nothing, match=r"no record fits lot L9; there are parts: PH-200 \(720 records\); lots: L0417"):
        reported(lot / "state", Selection(lot="L9"))


def test_one_reading_makes_a_report_without_a_chart(tmp_path):
    each = reported(written(tmp_path, lambda to: bore(to, "25.0100"))).characteristics[0].sets[0]
    assert each.charts is None and "at least 2 points" in each.no_chart
    assert each.all.summary.deviation is None and each.capability.ppk is None
    assert each.capability.why == ("fewer than 30 readings", "no deviation within is known")


def test_progress_is_told_as_records_pass(lot):
    told = []
    journal = JournalReader.open(lot / "state")
    tracing = Tracing(told.append, each=100)
    assert len(list(tracing.through(Selection(lot="L0417").records(journal)))) == 720
    journal.close()
    assert told == [100, 200, 300, 400, 500, 600, 700] and tracing.trace().kinds == {
        "measurement": 360, "derived": 180, "part": 180}


@pytest.mark.parametrize("count", [30, 100, 1000])
def test_a_process_that_does_not_change_is_seldom_called_not_stable(count):
    draw = random.Random(count)
    found = [steadiness(individuals([Decimal(f"{draw.gauss(25, 0.002):.5f}") for _ in range(count)])).stable
             for _ in range(100)]
    assert sum(found) >= 95


@pytest.mark.parametrize("drift", ["trend", "step", "outlier"])
def test_a_process_that_changes_is_called_not_stable(drift):
    draw = random.Random(7)
    for _ in range(20):
        values = [draw.gauss(0, 1) + {"trend": place / 40, "step": 2 * (place > 60), "outlier": 7 * (place == 33)}[drift]
                  for place in range(120)]
        assert not steadiness(individuals([Decimal(f"{25 + value / 500:.5f}") for value in values])).stable


def test_tables_have_every_digit_and_no_formula(tmp_path):
    def write(to):
        for place in range(3):
            bore(to, f"25.022{place}", place, serial="=1+1", operator="+49")
    report = reported(written(tmp_path, write))
    made = {name: list(csv.DictReader(io.StringIO(data.decode(), newline=""))) for name, data in tables(report).items()}
    row, = made["figures.csv"]
    assert row["mean"] == "25.0221" and row["largest"] == "25.0222" and row["fail-above"] == "3"
    assert [(one["value"], one["serial"], one["operator"]) for one in made["out.csv"]][0] == ("25.0220", "'=1+1", "'+49")
    told = json.loads(as_json(report, "command"), parse_float=Decimal)
    assert told["characteristics"][0]["sets"][0]["all"]["summary"]["mean"] == Decimal("25.0221")
    assert b"e-" not in as_json(report, "").lower().replace(b"made-", b"").split(b'"why"')[0].split(b'"capability"')[0]


def collector(*words, **more):
    return subprocess.run([sys.executable, "-m", "collector", *map(str, words)], capture_output=True, text=True, **more)


@pytest.mark.parametrize("words", [["--help"], ["status", "CONFIG"], ["export", "CONFIG"], ["report", "--help"],
                                   ["check", "CONFIG"]])
def test_no_command_begins_with_what_only_pages_need(lot, words):
    words = [str(lot / "cell.yaml") if word == "CONFIG" else word for word in words]
    script = ("import sys, atexit\natexit.register(lambda: print([name for name in ('numpy', 'scipy', 'matplotlib', 'jinja2') "
              f"if name in sys.modules], file=sys.stderr))\nfrom collector.cli import main\nsys.exit(main({words!r}))")
    told = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert told.stderr.splitlines()[-1] == "[]" and "report" in COMMANDS


@pytest.mark.parametrize("library", ["numpy", "jinja2", "matplotlib", "scipy"])
def test_without_the_extra_it_says_which_one(lot, tmp_path, library):
    script = (f"import sys\nsys.modules[{library!r}] = None\nfrom collector.cli import main\n"
              f"sys.exit(main(['report', {str(lot / 'cell.yaml')!r}, '--to', {str(tmp_path / 'out')!r}]))")
    told = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert told.returncode == 1 and "pip install 'CHECKOUT[report]'" in told.stderr and "Traceback" not in told.stderr
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("words, said", [
    (["report"], "say which configuration"), (["report", "CONFIG"], "say --to FOLDER"),
    (["report", "CONFIG", "--to", "x", "--since", "noon"], "is not a time"),
    (["report", "CONFIG", "--to", "x", "--subgroup", "0"], "not a size of a subgroup"),
    (["report", "CONFIG", "--to", "x", "--lot", "\udcff"], "is not UTF-8"),
    (["report", "CONFIG", "--to", "\udcff.html"], "is not UTF-8"),
    (["report", "CONFIG", "--to", "x", "--confidence", "95"], "is not a confidence")])
def test_wrong_usage_is_said(lot, words, said):
    told = collector(*(lot / "cell.yaml" if word == "CONFIG" else word for word in words))
    assert told.returncode == 2 and said in told.stderr
