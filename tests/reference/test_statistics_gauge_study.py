"""Both methods of a gauge study against the published study of 10 parts, 3 operators and 3 trials, and a referee.

Source: tests/data/msa-10x3x3.csv, the example of AIAG, Measurement Systems Analysis, 4th edition [verified: all 90
values seen in a public test file].  Its published figures are [memory], their agreement with what the data give
[verified: computed]; the manual's own digits come from rounded intermediates, hence the tolerance of 2e-4.
"""

import csv
from decimal import Decimal
from pathlib import Path

import numpy as np
import pandas
import pytest
from scipy import stats
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

from collector.statistics.constants import d2, d2_star
from collector.statistics.gauge_study import Trial, anova, average_and_range

with open(Path(__file__).parent.parent / "data" / "msa-10x3x3.csv", encoding="utf-8", newline="") as _file:
    TRIALS = [Trial(row["part"], row["appraiser"], Decimal(row["value"])) for row in csv.DictReader(_file)]
FOUR = "repeatability reproducibility gauge part"


def deviations(study) -> dict[str, float]:
    return {component.name: component.deviation for component in study.components}


def shares(study, names: str) -> list[float]:
    of_total = {component.name: component.of_total for component in study.components}
    return [of_total[name] for name in names.split()]


def rows_of(study) -> dict[str, tuple]:
    return {row.source: (row.degrees, row.squares, row.mean_square, row.f, row.p) for row in study.anova}


def test_constants_of_the_manual():
    """K1, K2, K3 as printed to four figures [memory]; the last figure may differ by 1 from printed tables."""
    assert [1 / d2(trials) for trials in (2, 3)] == pytest.approx([0.8862, 0.5908], abs=1e-4)
    printed = [0.7071, 0.5231, 0.4467, 0.4030, 0.3742, 0.3534, 0.3375, 0.3249, 0.3146]
    assert [1 / d2_star(parts) for parts in range(2, 11)] == pytest.approx(printed, abs=1.1e-4)


def test_average_and_range_as_published():
    study = average_and_range(TRIALS, Decimal(8))
    assert (study.parts, study.operators, study.trials) == (10, 3, 3)
    published = {"repeatability": 0.20188, "reproducibility": 0.22963, "gauge": 0.30575, "part": 1.10456,
                 "total": 1.14610}
    assert deviations(study) == pytest.approx(published, abs=2e-4)
    assert shares(study, FOUR) == pytest.approx([17.62, 20.04, 26.68, 96.38], abs=0.01)
    assert study.categories == 5
    assert study.anova == () and study.interaction == "" and study.notes == ()
    gauge = next(component for component in study.components if component.name == "gauge")
    assert gauge.of_tolerance == pytest.approx(100 * 6 * 0.30575 / 8, abs=0.01)


def test_analysis_of_variance_as_published_with_the_interaction_pooled():
    study = anova(TRIALS)
    assert study.interaction == "pooled" and study.categories == 4
    published = {"repeatability": 0.199933, "reproducibility": 0.226838, "operator": 0.226838, "gauge": 0.302373,
                 "part": 1.042327, "total": 1.085300}
    assert deviations(study) == pytest.approx(published, abs=2e-6)
    assert shares(study, FOUR) == pytest.approx([18.42, 20.90, 27.86, 96.04], abs=5e-3)
    contribution = {component.name: component.contribution for component in study.components}
    assert [contribution[name] for name in ("repeatability", "reproducibility", "gauge", "part")] == pytest.approx(
        [3.39, 4.37, 7.76, 92.24], abs=5e-3)
    assert study.notes == ("interaction pooled into repeatability: p 0.974 is above 0.25",)


def test_sums_of_squares_as_published():
    rows = rows_of(anova(TRIALS, pool_above=1))
    squares = {"operator": (2, 3.167262), "part": (9, 88.361934), "interaction": (18, 0.358982),
               "repeatability": (60, 2.758933), "total": (89, 94.647112)}
    assert set(rows) == set(squares)
    for source, (degrees, published) in squares.items():
        assert rows[source][0] == degrees and rows[source][1] == pytest.approx(published, abs=6e-7)
    assert rows["interaction"][3:] == pytest.approx((0.43372, 0.97411), abs=5e-6)
    assert (rows["operator"][3], rows["part"][3]) == pytest.approx((79.406, 492.291), abs=5e-4), "on interaction"


def drawn(parts: int, operators: int, trials: int, interaction: float, seed: int) -> list[Trial]:
    random = np.random.default_rng(seed)
    part, operator = random.normal(0, 1, parts), random.normal(0, 0.5, operators)
    both = random.normal(0, interaction, (parts, operators))
    return [Trial(f"p{p}", f"o{o}", Decimal(str(round(10 + part[p] + operator[o] + both[p, o] + noise, 4))))
            for p in range(parts) for o in range(operators) for noise in random.normal(0, 0.2, trials)]


STUDIES = [TRIALS, drawn(5, 2, 2, 0.0, 1), drawn(5, 2, 2, 0.6, 2), drawn(2, 3, 4, 0.3, 3), drawn(12, 4, 3, 0.1, 4)]


@pytest.mark.parametrize("trials", STUDIES, ids=range(len(STUDIES)))
def test_table_and_components_agree_with_an_independent_referee(trials):
    """statsmodels.anova_lm of a crossed model gives the table, of an additive one the pooled error; scipy.stats.f gives
    p on the interaction."""
    frame = pandas.DataFrame({"part": [t.part for t in trials], "operator": [t.operator for t in trials],
                              "value": [float(t.value) for t in trials]})
    full = anova_lm(ols("value ~ C(part) * C(operator)", frame).fit())
    additive = anova_lm(ols("value ~ C(part) + C(operator)", frame).fit())
    names = {"part": "C(part)", "operator": "C(operator)", "interaction": "C(part):C(operator)",
             "repeatability": "Residual"}
    kept, pooled = rows_of(anova(trials, pool_above=1)), rows_of(anova(trials, pool_above=-1))
    for source, name in names.items():
        for found in (kept, pooled):
            assert found[source][:3] == pytest.approx(tuple(full.loc[name, ["df", "sum_sq", "mean_sq"]]), rel=1e-8)
    assert kept["interaction"][3:] == pytest.approx(tuple(full.loc[names["interaction"], ["F", "PR(>F)"]]), rel=1e-8)
    assert pooled["pooled"][:3] == pytest.approx(tuple(additive.loc["Residual", ["df", "sum_sq", "mean_sq"]]), rel=1e-8)
    for source in ("part", "operator"):
        assert pooled[source][3:] == pytest.approx(tuple(additive.loc[names[source], ["F", "PR(>F)"]]), rel=1e-6)
        f = full.loc[names[source], "mean_sq"] / full.loc[names["interaction"], "mean_sq"]
        p = stats.f.sf(f, full.loc[names[source], "df"], full.loc[names["interaction"], "df"])
        assert kept[source][3:] == pytest.approx((f, p), rel=1e-6)


@pytest.mark.parametrize("trials", STUDIES, ids=range(len(STUDIES)))
def test_components_come_from_the_mean_squares_of_their_own_level(trials):
    """Interaction kept: (parts - interaction) / (operators * trials), (operators - interaction) / (parts * trials),
    (interaction - error) / trials; pooled: parts and operators less the pooled error [memory: D. C. Montgomery]."""
    for pool_above in (-1, 1):
        study = anova(trials, pool_above=pool_above)
        mean = {row.source: row.mean_square for row in study.anova}
        error, by = ("pooled", "pooled") if pool_above < 0 else ("repeatability", "interaction")
        expected = {"part": (mean["part"] - mean[by]) / (study.operators * study.trials),
                    "operator": (mean["operator"] - mean[by]) / (study.parts * study.trials),
                    "repeatability": mean[error]}
        if pool_above > 0:
            expected["interaction"] = (mean["interaction"] - mean[error]) / study.trials
        found = {component.name: component.variance for component in study.components if component.name in expected}
        assert found == pytest.approx({name: max(0.0, variance) for name, variance in expected.items()})


@pytest.mark.parametrize("pool_above", [-1.0, 1.0], ids=["pooled", "kept"])
def test_components_of_many_drawn_studies_come_to_what_they_were_drawn_from(pool_above):
    """Parts 1, operators 0.25, interaction 0 or 0.09, repeatability 0.04: the estimates are unbiased."""
    interaction = 0.0 if pool_above < 0 else 0.3
    names = ("part", "repeatability", "operator") + (("interaction",) if interaction else ())
    found = {name: [] for name in names}
    for seed in range(150):
        study = anova(drawn(6, 6, 2, interaction, seed), pool_above=pool_above)
        for component in study.components:
            if component.name in found:
                found[component.name].append(component.variance)
    truth = {"part": 1.0, "repeatability": 0.04, "operator": 0.25, "interaction": 0.09}
    for name in names:
        error = np.std(found[name]) / np.sqrt(len(found[name]))
        assert abs(np.mean(found[name]) - truth[name]) < 4 * error, name
