"""The figures of a gauge study: as published, as an independent program has them, and a verdict that says what it rests on."""

import csv
import random
from decimal import Decimal
from pathlib import Path

import pandas
import pytest
import statsmodels.api as sm
from statsmodels.formula.api import ols

from collector.statistics.gauge_study import Trial
from collector.study.figures import component, work_out
from collector.study.told import json_text, study_told
from collector.study.verdict import of_one_master, of_study

DATA = Path(__file__).parent.parent / "data"


def published() -> list[Trial]:
    with open(DATA / "msa-10x3x3.csv", encoding="utf-8") as file:
        return [Trial(row["part"], row["appraiser"], Decimal(row["value"])) for row in csv.DictReader(file)]


def made(seed: int, parts: int = 6, operators: int = 3, trials: int = 3, interaction: float = 0.0) -> list[Trial]:
    """Readings whose truth is drawn: in micrometres about 12 mm."""
    draw = random.Random(seed)
    size = [draw.gauss(0, 4) for _ in range(parts)]
    off = [draw.gauss(0, 0.5) for _ in range(operators)]
    together = {(p, o): draw.gauss(0, interaction) for p in range(parts) for o in range(operators)}
    return [Trial(f"P{p}", f"O{o}", Decimal(f"{12 + (size[p] + off[o] + together[p, o] + draw.gauss(0, 0.4)) / 1000:.5f}"))
            for o in range(operators) for p in range(parts) for _ in range(trials)]


@pytest.mark.parametrize(("interaction", "kept"), [(0.0, False), (2.0, True)])
def test_the_analysis_of_variance_is_that_of_statsmodels(interaction, kept):
    for seed in range(5):
        trials = made(seed, interaction=interaction)
        study = work_out(trials, None)
        frame = pandas.DataFrame([(one.part, one.operator, float(one.value) * 1000) for one in trials], columns=["part", "operator", "value"])
        table = sm.stats.anova_lm(ols("value ~ C(part) + C(operator) + C(part):C(operator)", frame).fit())
        rows = {row.source: row for row in study.anova.anova}
        for ours, theirs in (("part", "C(part)"), ("operator", "C(operator)"), ("interaction", "C(part):C(operator)"), ("repeatability", "Residual")):
            assert rows[ours].squares * 1e6 == pytest.approx(table.loc[theirs, "sum_sq"], rel=1e-6)
            assert rows[ours].degrees == table.loc[theirs, "df"]
        assert rows["interaction"].p == pytest.approx(table.loc["C(part):C(operator)", "PR(>F)"], rel=1e-6)
        if kept:
            assert study.anova.interaction == "kept"
            assert rows["part"].f == pytest.approx(table.loc["C(part)", "mean_sq"] / table.loc["C(part):C(operator)", "mean_sq"], rel=1e-6)


def test_ranges_above_their_limit_are_named():
    trials = published()
    study = work_out(trials, None)
    assert study.ranges.mean == pytest.approx(0.341667, abs=1e-6)                       # check-values: R mean [memory]
    assert study.ranges.limit == pytest.approx(0.341667 * 2.574, abs=1e-3)              # D4 of 3 [verified: printed table]
    assert study.ranges.beyond == (("B", "4"),)
    assert [round(one.mean_range, 6) for one in study.operators] == [Decimal("0.184"), Decimal("0.513"), Decimal("0.328")]


def test_means_are_exact():
    study = work_out([Trial(part, who, Decimal(value)) for part, who, value in (
        ("a", "x", "12.0001"), ("a", "x", "12.0002"), ("b", "x", "12.0003"), ("b", "x", "12.0004"),
        ("a", "y", "12.0001"), ("a", "y", "12.0002"), ("b", "y", "12.0003"), ("b", "y", "12.0005"))], None)
    assert [one.mean for one in study.parts] == [Decimal("12.00015"), Decimal("12.000375")]
    assert [one.mean for one in study.operators] == [Decimal("12.00025"), Decimal("12.000275")]


def test_the_tolerance_decides_where_there_is_one_and_the_spread_where_there_is_none():
    trials = made(1)
    wide, narrow, none = (work_out(trials, tolerance) for tolerance in (Decimal("0.050"), Decimal("0.004"), None))
    assert [one.verdict.word for one in (wide, narrow)] == ["good", "not fit"]
    assert component(none.anova, "gauge").of_tolerance is None and "of the spread of these parts" in none.verdict.words[0]
    assert "common practice" in none.verdict.source and "from memory" in none.verdict.source


def test_every_place_that_is_not_balanced_is_named_and_there_are_no_figures():
    trials = [one for at, one in enumerate(made(1)) if at not in (0, 20, 21)]
    study = work_out(trials, Decimal("0.018"))
    assert study.anova is None and study.average_and_range is None and study.verdict.word == "none"
    assert study.why == ("The study is not balanced: most have 3 readings, part P0 by O0 has 2, part P0 by O1 has 2, "
                         "part P1 by O1 has 2.")
    told = study_told(study, "mm")
    assert "anova" not in told and told["why"] == study.why


def test_a_cell_that_is_missing_altogether_is_named_too():
    trials = [one for one in made(1) if (one.part, one.operator) != ("P2", "O1")]
    assert "part P2 by O1 has 0" in work_out(trials, None).why


def test_readings_that_do_not_differ_get_no_verdict():
    trials = [Trial(part, who, Decimal(f"12.00{part}")) for part in "123" for who in "ab" for _ in range(2)]
    study = work_out(trials, Decimal("0.018"))
    assert study.verdict.word == "none" and "too few digits" in study.verdict.words[0]
    json_text(study_told(study, "mm"))


def test_one_part_or_one_trial_is_said_to_be_too_few():
    assert "at least 2 parts" in work_out([Trial("a", "x", Decimal(1)), Trial("a", "x", Decimal(2))], None).why
    assert "2 trials" in work_out([Trial("a", "x", Decimal(1)), Trial("b", "x", Decimal(2))], None).why


@pytest.mark.parametrize(("percent", "word"), [(9.99, "good"), (10.0, "conditional"), (30.0, "conditional"), (30.01, "not fit")])
def test_thresholds_are_those_that_are_named(percent, word):
    assert of_study(percent, 99.0, 9).word == word == of_study(None, percent, 9).word


def test_fewer_than_five_categories_are_said():
    assert "too coarse" in of_study(5.0, 20.0, 4).words[-1] and "too coarse" not in of_study(5.0, 20.0, 5).words[-1]


@pytest.mark.parametrize(("spread", "place", "word"), [(1.32, 2, "not fit"), (1.33, 1.32, "conditional"), (1.33, 1.33, "good"), (None, None, "none")])
def test_one_master_is_judged_by_spread_then_by_place(spread, place, word):
    assert of_one_master(spread, place, True, 0.95).word == word
