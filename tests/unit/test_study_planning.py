"""A plan of a gauge study: each part by each operator in each trial, in an order that anyone can draw again."""

import hashlib
import json
from collections import Counter

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.config.plan import read_plan
from collector.errors import StoppedByIO
from collector.study.naming import characteristic_of, unnamed, ways
from collector.study.planning import PlanRefused, StudyPlan, draw, names, plan_json, read_study

LABELS = st.lists(st.text(st.characters(codec="utf-8", categories=("L", "N", "P", "S")), min_size=1, max_size=8), min_size=2, max_size=6,
                  unique=True)


def plan(serials=("S1", "S2"), operators=("anna", "ben"), trials=2, seed=7) -> StudyPlan:
    return StudyPlan(site="s", made="2026-03-02T07:00:00.000000Z", journal="J", after=4, part="PH-200", characteristic="bore", unit="mm",
                     seed=seed, serials=tuple(serials), operators=tuple(operators), trials=trials, runs=draw(serials, operators, trials, seed))


@given(LABELS, LABELS, st.integers(2, 4), st.integers(0, 10**9))
def test_each_operator_has_each_part_once_a_trial_and_never_twice_in_a_row(serials, operators, trials, seed):
    runs = draw(serials, operators, trials, seed)
    assert Counter((run.trial, run.operator, run.serial) for run in runs) == Counter(
        (trial, operator, serial) for trial in range(1, trials + 1) for operator in operators for serial in serials)
    assert [run.run for run in runs] == list(range(1, len(runs) + 1)) and [run.trial for run in runs] == sorted(run.trial for run in runs)
    assert all((one.operator, one.serial) != (two.operator, two.serial) for one, two in zip(runs, runs[1:]))
    assert runs == draw(serials[::-1], operators[::-1], trials, seed)          # of the seed alone, not of how they were named


def test_the_order_is_that_of_the_sums_that_the_page_names():
    """Worked with sha256 apart from the code: SEED/TRIAL/OPERATOR, then SEED/TRIAL/OPERATOR/PART."""
    def lot(text: str) -> str:
        return hashlib.sha256(text.encode()).hexdigest()

    operators, serials = ["anna", "ben", "Çelik"], ["S1", "S2", "S3", "S4"]
    first = sorted(operators, key=lambda one: lot(f"42/1/{one}"))
    expected = [(one, part) for one in first for part in sorted(serials, key=lambda part: lot(f"42/1/{one}/{part}"))]
    assert [(run.operator, run.serial) for run in draw(serials, operators, 2, 42)[:12]] == expected


def test_another_seed_draws_another_order():
    serials = [f"S{number}" for number in range(10)]
    assert len({draw(serials, ["anna", "ben"], 2, seed) for seed in range(20)}) == 20


def test_labels_are_made_or_named():
    assert names("3", 2, 9, "STUDY-{:02d}") == ("STUDY-01", "STUDY-02", "STUDY-03")
    assert names("anna, ben", 1, 9, "-") == ("anna", "ben")


@pytest.mark.parametrize(("given_", "why"), [("1", "from 2 to 9"), ("12", "from 2 to 9"), ("a,a", "twice"), ("a,", "can't be a label"),
                                             ("a,b\x1b", "can't be a label"), (f"a,{'b' * 65}", "can't be a label")])
def test_labels_that_can_not_be_told_apart_or_read_are_refused(given_, why):
    with pytest.raises(PlanRefused, match=why):
        names(given_, 2, 9, "S{}")


def test_a_plan_is_the_same_when_it_is_read_again(tmp_path):
    (tmp_path / "plan.json").write_bytes(plan_json(plan()))
    assert read_study(tmp_path / "plan.json") == plan()
    assert len((tmp_path / "plan.json").read_text().splitlines()) < 50                # a line a run


@pytest.mark.parametrize(("change", "why"), [
    (lambda told: told["runs"].pop(), "changed by hand"),
    (lambda told: told["serials"].append("S9"), "changed by hand"),
    (lambda told: told["runs"][0].update(run=2), "changed by hand"),
    (lambda told: told.update(trials=10**9), "changed by hand"),
    (lambda told: told.update(study=2), "version 2"),
    (lambda told: told.pop("seed"), "no plan of a gauge study")])
def test_a_plan_that_is_not_whole_is_refused(tmp_path, change, why):
    told = json.loads(plan_json(plan()))
    change(told)
    (tmp_path / "plan.json").write_text(json.dumps(told))
    with pytest.raises(PlanRefused, match=why):
        read_study(tmp_path / "plan.json")


@given(st.binary(max_size=200))
def test_no_bytes_in_a_plan_make_anything_else_than_a_refusal(tmp_path_factory, data):
    path = tmp_path_factory.getbasetemp() / "plan.json"
    path.write_bytes(data)
    with pytest.raises(PlanRefused):
        read_study(path)


def test_a_plan_that_is_not_there_is_an_error_of_io(tmp_path):
    with pytest.raises(StoppedByIO, match="can't be read: No such file"):
        read_study(tmp_path / "none.json")


NO_CONTEXT = "{l: {port: scanner, applies-to: [third]}}"
CELL = """
site: s
ports:
  column: {device: ./tty-a, format: line}
  other: {device: ./tty-b, format: line}
  third: {device: ./tty-d, format: line}
  scanner: {device: ./tty-c, format: label}
formats:
  line: {pattern: '^(?P<value>[0-9.]+)$', unit: mm}
  label: {pattern: '^(BADGE (?P<operator>\\S+)|PART (?P<serial>\\S+))$'}
parts:
  PH-200: {bore: {channel: column, limits: {max: 12 mm}}, seat: {channel: other, limits: {max: 9 mm}}, both: {from: bore - seat}}
  PH-210: {bore: {channel: column, limits: {max: 12 mm}}}
context: {CONTEXT}
outputs: {o: {kind: csv, folder: ./x}}
"""


@pytest.mark.parametrize(("context", "of", "found", "nobody"), [
    (NO_CONTEXT, "seat", [], ["serial", "operator"]),
    ("{l: {port: scanner, applies-to: [column]}}", "seat", [], ["serial", "operator"]),
    ("{l: {port: scanner, applies-to: [column]}}", "both", [("scanner", ("serial", "operator"))], []),
    ("{l: {port: scanner, sets: [serial, part]}}", "seat", [("scanner", ("serial",))], ["operator"]),
    ("{l: {port: scanner, sets: [serial]}, m: {folder: ./orders, sets: [operator, lot]}}", "seat",
     [("scanner", ("serial",)), ("orders", ("operator",))], [])])
def test_it_is_said_who_names_part_and_operator_and_what_nobody_names(tmp_path, context, of, found, nobody):
    (tmp_path / "cell.yaml").write_text(CELL.replace("{CONTEXT}", context))
    cell = read_plan(tmp_path / "cell.yaml")
    told = ways(cell, characteristic_of(cell, of))
    assert [(way.by, way.fields) for way in told] == found and unnamed(told) == nobody


def test_a_frame_that_says_serial_and_operator_is_a_way_of_its_own(tmp_path):
    text = CELL.replace("{CONTEXT}", NO_CONTEXT).replace("'^(?P<value>[0-9.]+)$'", "'^(?P<serial>H\\d+) (?P<operator>\\w+) (?P<value>[0-9.]+)$'")
    (tmp_path / "cell.yaml").write_text(text)
    cell = read_plan(tmp_path / "cell.yaml")
    way, = ways(cell, characteristic_of(cell, "PH-210/bore"))
    assert (way.by, way.fields) == ("frame", ("serial", "operator"))


def test_a_name_that_two_parts_have_is_asked_back(tmp_path):
    (tmp_path / "cell.yaml").write_text(CELL.replace("{CONTEXT}", NO_CONTEXT))
    cell = read_plan(tmp_path / "cell.yaml")
    with pytest.raises(Exception, match="which of them is meant by 'bore'. write PH-200/bore, PH-210/bore"):
        characteristic_of(cell, "bore")
    with pytest.raises(Exception, match="there is no characteristic 'bohr'; there are PH-200/bore, "):
        characteristic_of(cell, "bohr")
    assert msgspec.structs.asdict(characteristic_of(cell, "PH-210/bore"))["part"] == "PH-210"
