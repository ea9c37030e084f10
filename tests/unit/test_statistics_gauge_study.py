from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.statistics.gauge_study import NotBalanced, Trial, anova, average_and_range, balanced

METHODS = [average_and_range, anova]


def study(cells: dict[tuple[str, str], list]) -> list[Trial]:
    return [Trial(part, operator, Decimal(str(value)))
            for (part, operator), values in cells.items() for value in values]


@st.composite
def studies(draw) -> list[Trial]:
    parts, operators, trials = draw(st.tuples(st.integers(2, 4), st.integers(1, 3), st.integers(2, 3)))
    value = st.decimals(min_value=11, max_value=13, places=3)
    return [Trial(f"p{part}", f"o{operator}", draw(value))
            for part in range(parts) for operator in range(operators) for _ in range(trials)]


def of(found, name: str):
    return next(component for component in found.components if component.name == name)


def test_missing_trial_is_named_with_what_there_should_be():
    trials = study({("1", "A"): [1, 2], ("1", "B"): [1, 2], ("2", "A"): [1], ("2", "B"): [1, 2]})
    with pytest.raises(NotBalanced, match="part 2, operator A: 1 trials, there should be 2"):
        balanced(trials)


def test_part_that_an_operator_never_had_is_named():
    trials = study({("1", "A"): [1, 2], ("1", "B"): [1, 2], ("2", "A"): [1, 2]})
    for method in METHODS:
        with pytest.raises(NotBalanced, match="part 2, operator B: 0 trials, there should be 2"):
            method(trials)


def test_where_as_many_cells_have_more_the_more_is_what_there_should_be():
    trials = study({("1", "A"): [1, 2], ("2", "A"): [1, 2, 3]})
    with pytest.raises(NotBalanced, match="part 1, operator A: 2 trials, there should be 3"):
        balanced(trials)


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("cells", [{}, {("1", "A"): [1, 2]}, {("1", "A"): [1], ("2", "A"): [2]}],
                         ids=["nothing", "one part", "one trial"])
def test_too_few_parts_or_trials_are_refused(method, cells):
    with pytest.raises(ValueError, match="at least 2 parts and 2 trials"):
        method(study(cells))


@pytest.mark.parametrize("method", METHODS)
@given(trials=studies(), random=st.randoms(use_true_random=False))
def test_order_of_the_trials_changes_nothing(method, trials, random):
    one, other = method(trials), method(random.sample(trials, len(trials)))
    assert [(c.name, c.deviation) for c in one.components] == [(c.name, c.deviation) for c in other.components]
    assert (one.categories, one.interaction, one.anova) == (other.categories, other.interaction, other.anova)


@pytest.mark.parametrize("method", METHODS)
@given(trials=studies(), shift=st.integers(-(10**9), 10**9))
def test_shift_changes_nothing(method, trials, shift):
    moved = [Trial(trial.part, trial.operator, trial.value + shift) for trial in trials]
    assert method(moved) == method(trials)


@pytest.mark.parametrize("method", METHODS)
@given(trials=studies())
def test_variances_add_up(method, trials):
    found = method(trials, Decimal(2))
    variance = {component.name: component.variance for component in found.components}
    assert min(variance.values()) >= 0
    assert variance["gauge"] == pytest.approx(variance["repeatability"] + variance["reproducibility"])
    assert variance["total"] == pytest.approx(variance["gauge"] + variance["part"])
    if "operator" in variance:
        assert variance["reproducibility"] == pytest.approx(variance["operator"] + variance.get("interaction", 0))
    for component in found.components:
        assert component.deviation**2 == pytest.approx(component.variance)
        assert component.of_tolerance == pytest.approx(300 * component.deviation)
    assert found.categories >= 1


@given(trials=studies())
def test_rows_add_up_to_the_total_whether_pooled_or_not(trials):
    for pool_above in (-1.0, 0.25, 1.0):
        rows = {row.source: row for row in anova(trials, pool_above=pool_above).anova}
        shares = [rows[name] for name in ("part", "operator", "interaction", "repeatability") if name in rows]
        assert sum(row.degrees for row in shares) == rows["total"].degrees == len(trials) - 1
        assert sum(row.squares for row in shares) == pytest.approx(rows["total"].squares)


def test_one_operator_is_said_and_has_no_reproducibility():
    trials = study({("1", "A"): [1, 2], ("2", "A"): [5, 6], ("3", "A"): [9, 8]})
    for method in METHODS:
        found = method(trials)
        assert of(found, "reproducibility").deviation == 0.0
        assert found.notes == ("one operator: nothing is known of reproducibility",)
        assert found.interaction == ""
    assert [row.source for row in anova(trials).anova] == ["part", "repeatability", "total"]


def test_trials_that_do_not_differ_are_called_too_coarse():
    trials = study({(part, operator): [int(part)] * 2 for part in "123" for operator in "AB"})
    for method in METHODS:
        found = method(trials)
        assert of(found, "gauge").deviation == 0.0 and of(found, "part").of_total == 100
        assert found.categories == 1 and "too coarse" in found.notes[-1]


def test_nothing_that_differs_at_all_gives_zeros():
    trials = study({(part, operator): [7, 7] for part in "12" for operator in "AB"})
    for method in METHODS:
        assert {(c.deviation, c.of_total, c.contribution) for c in method(trials).components} == {(0.0, 0.0, 0.0)}


def test_interaction_that_is_all_there_is_is_kept():
    """No trial differs from its twin, yet operator B reads part 2 higher: it cannot be pooled away."""
    trials = study({("1", "A"): [1, 1], ("1", "B"): [1, 1], ("2", "A"): [2, 2], ("2", "B"): [3, 3]})
    found = anova(trials)
    assert found.interaction == "kept" and of(found, "interaction").variance > 0
    assert next(row for row in found.anova if row.source == "interaction").p is None


def test_interaction_is_pooled_only_above_the_given_p():
    trials = study({("1", "A"): [1.0, 1.2], ("1", "B"): [1.1, 1.2], ("2", "A"): [2.0, 2.1], ("2", "B"): [2.3, 2.1]})
    p = next(row.p for row in anova(trials).anova if row.source == "interaction")
    assert anova(trials, pool_above=p - 0.01).interaction == "pooled"
    assert anova(trials, pool_above=p + 0.01).interaction == "kept"


def test_pooled_is_said_with_its_p():
    trials = study({("1", "A"): [1.0, 1.2], ("1", "B"): [1.1, 1.2], ("2", "A"): [2.0, 2.1], ("2", "B"): [2.3, 2.1]})
    found = anova(trials)
    assert any(note.startswith("interaction pooled into repeatability: p 0.") for note in found.notes)
