"""The pages of a study: text from a wire or a table can be anything and never becomes markup; the same data, the same bytes."""

from collections import Counter
from decimal import Decimal
from html.parser import HTMLParser

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.clock import Stamps
from collector.measuring.units import Unit
from collector.statistics.gauge_study import Trial
from collector.study import told as tell
from collector.study.beside import Beside
from collector.study.figures import work_out
from collector.study.masters import Check, study_drift, study_master
from collector.study.page import drift_page, master_page, plan_page, study_page
from collector.study.picking import Counted, Doubt, Found, Picked
from collector.study.planning import StudyPlan, draw

MADE = "2026-03-02T07:00:00.000000Z"
NONE = Beside((), "", "cell.yaml", MADE)
ANY = st.one_of(st.text(max_size=30), st.sampled_from([
    "<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "{{ 7 * 7 }}", "</svg><script>1</script>", "$x^2$", "&lt;b&gt;", "]]>", "\x1b[31m",
    "' onmouseover='1", "日本", "😀", "\x00\x08", "\ud800", "<!--", "x" * 64]))
NAMES = st.lists(ANY.filter(bool), min_size=2, max_size=3, unique=True)


class Seen(HTMLParser):
    """The tags and attributes of a page, its text, and what a browser would run."""

    def __init__(self, page: str):
        super().__init__()
        self.tags: Counter[str] = Counter()
        self.attributes: set[str] = set()
        self.text = ""
        self.feed(page)

    def handle_starttag(self, tag, attributes):
        self.tags[tag] += 1
        self.attributes |= {name for name, _ in attributes}

    def handle_data(self, data):
        self.text += data


def plan_of(serials, operators) -> StudyPlan:
    return StudyPlan(site="brunnenhof-4", made=MADE, journal="J", after=4, part="PH-200", characteristic="bore", unit="mm", seed=7,
                     serials=tuple(serials), operators=tuple(operators), trials=2, runs=draw(serials, operators, 2, 7))


def study_of(serials, operators, odd) -> str:
    plan = plan_of(serials, operators)
    found = [Found(run.run, MADE, run.serial, run.operator, Decimal(f"12.00{run.run % 7}"), "mm", (), ()) for run in plan.runs]
    doubts = tuple(Doubt(Found(90, MADE, one, one, None, one, (one,), ()), False, one) for one in odd)
    picked = Picked(tuple(map(Counted, plan.runs, found)), doubts, (), 3, 0)
    study = work_out([Trial(one.serial, one.operator, one.value) for one in found], Decimal("0.018"))
    told = {"what": odd[0], "progress": tell.progress_told(plan, picked, [odd[0]]), "study": tell.study_told(study, "mm")}
    tell.json_text(told)
    return study_page(told, study, odd[0], Beside((odd[0],), odd[0], odd[0], MADE))


PLAIN = Seen(study_of(["S1", "S2", "S3"], ["anna", "ben"], ["odd"]))


@settings(max_examples=12)
@given(NAMES, NAMES, st.lists(ANY, min_size=1, max_size=2))
def test_no_text_becomes_markup_on_the_page_of_a_study(serials, operators, odd):
    found = Seen(study_of(serials, operators, odd))
    assert set(found.tags) <= set(PLAIN.tags) and "script" not in found.tags and found.attributes <= PLAIN.attributes
    assert not any(name.startswith("on") for name in found.attributes)
    assert found.tags["h1"] == found.tags["main"] == 1 and found.tags["svg"] == 4
    for text in odd:
        assert text.replace("\r\n", "\n").replace("\r", "\n").strip()[:20].split("\n")[0].strip() in found.text.replace("\r", "\n")


@settings(max_examples=60)
@given(NAMES, NAMES, ANY)
def test_no_text_becomes_markup_on_the_sheet_of_a_plan(serials, operators, any_text):
    plan = plan_of(serials, operators)
    ways = {"named-by": [{"by": "scanner", "where": any_text, "fields": ("serial",), "words": any_text}]}
    found = Seen(plan_page(plan, ways, [any_text]))
    plain = Seen(plan_page(plan_of(["S1", "S2", "S3"], ["anna", "ben"]), {"named-by": [{"by": "", "where": "", "fields": ("serial",), "words": "x"}]}, ["y"]))
    assert set(found.tags) == set(plain.tags) and found.attributes == plain.attributes
    assert found.tags["span"] == len(plan.runs)                                      # a box for each run


def checks(count: int) -> list[Check]:
    return [Check(at + 1, at * 86_400_000_000, Stamps().text(at * 86_400_000_000_000), Decimal("12.0005") + Decimal(at) / 10**5 + Decimal(at % 3) / 10**6,
                  Decimal("12.0005"), "pass", ()) for at in range(count)]


@settings(max_examples=6)
@given(ANY)
def test_no_text_becomes_markup_on_the_pages_of_a_master(name):
    master = study_master(checks(30), Decimal("12.0005"), Decimal("0.018"))
    drift = study_drift(checks(30), Decimal("0.0004"), Unit.MM)
    for page in (master_page(tell.master_told(master, name, "mm"), master, Beside((name,), name, name, MADE)),
                 drift_page(tell.drift_told(drift, name, "mm"), drift, Beside((name,), name, name, MADE))):
        found = Seen(page)
        assert "script" not in found.tags and found.tags["svg"] == 1 and found.tags["img"] == 0
        assert not any(one.startswith("on") for one in found.attributes)


def test_the_same_data_gives_the_same_bytes():
    assert study_of(["S1", "S2"], ["anna", "ben"], ["odd"]) == study_of(["S1", "S2"], ["anna", "ben"], ["odd"])


@pytest.mark.parametrize("count", [0, 1, 2, 5])
def test_a_drift_with_few_checks_still_has_a_page(count):
    drift = study_drift(checks(count), None, Unit.MM)
    assert "Drift of the column" in drift_page(tell.drift_told(drift, "RING", "mm"), drift, NONE)


def test_a_study_without_a_tolerance_or_with_one_operator_has_a_page():
    for operators, tolerance in ((["a"], None), (["a", "b"], None), (["a"], Decimal("0.02"))):
        trials = [Trial(part, who, Decimal(value)) for who in operators for part, value in (("1", "12.001"), ("1", "12.002"), ("2", "12.004"), ("2", "12.006"))]
        study = work_out(trials, tolerance)
        told = {"what": "x", "study": tell.study_told(study, "mm")}
        assert Seen(study_page(told, study, "a table", NONE)).tags["svg"] == 4


def test_a_study_without_figures_has_a_page_that_says_why():
    study = work_out([Trial("1", "a", Decimal(1)), Trial("2", "a", Decimal(2)), Trial("2", "a", Decimal(2))], None)
    page = study_page({"what": "x", "study": tell.study_told(study, "")}, study, "a table", NONE)
    assert "not balanced" in page and Seen(page).tags["svg"] == 0
