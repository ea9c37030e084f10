"""Each rule fires exactly where a naive reading of its words fires, and as often as chance says."""

from itertools import combinations, pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.statistics.rules import CHANCE, NELSON, RULES, WESTERN_ELECTRIC, Signal, signals

HALVES = st.lists(st.integers(-8, 8).map(lambda half: half / 2), max_size=40)
LEANING = st.lists(st.integers(-1, 4).map(lambda half: half / 2), max_size=40)
TURNING = st.lists(st.sampled_from([-1.5, 1.5, -1.0, 0.5]), max_size=40)


def some_beyond(many: int, of: int, zone: float):
    """`many` of the `of` points that end here, the last among them, lie beyond the zone on one side."""
    def reads(points: list[float], at: int) -> bool:
        here = range(max(0, at - of + 1), at + 1)
        chosen = [[points[place] for place in places] for places in combinations(here, many) if at in places]
        return any(all(point > zone for point in some) or all(point < -zone for point in some) for some in chosen)
    return reads


def last(many: int, holds):
    """`many` points in a row, up to this one, of which `holds` is true."""
    return lambda points, at: at + 1 >= many and holds(points[at + 1 - many:at + 1])


def by_turns(points: list[float]) -> bool:
    ups = [later > earlier for earlier, later in pairwise(points)]
    return all(later != earlier for earlier, later in pairwise(points)) and all(a != b for a, b in pairwise(ups))


WORDS = {
    "Western Electric 1": some_beyond(1, 1, 3),
    "Western Electric 2": some_beyond(2, 3, 2),
    "Western Electric 3": some_beyond(4, 5, 1),
    "Western Electric 4": last(8, lambda row: min(row) > 0 or max(row) < 0),
    "Nelson 1": some_beyond(1, 1, 3),
    "Nelson 2": last(9, lambda row: min(row) > 0 or max(row) < 0),
    "Nelson 3": last(6, lambda row: all(a < b for a, b in pairwise(row)) or all(a > b for a, b in pairwise(row))),
    "Nelson 4": last(14, by_turns),
    "Nelson 5": some_beyond(2, 3, 2),
    "Nelson 6": some_beyond(4, 5, 1),
    "Nelson 7": last(15, lambda row: all(abs(point) <= 1 for point in row)),
    "Nelson 8": last(8, lambda row: all(abs(point) > 1 for point in row) and min(row) < 0 < max(row)),
}


def test_every_rule_has_its_words_and_its_chance():
    assert list(RULES) == list(WORDS) == list(CHANCE) == [*WESTERN_ELECTRIC, *NELSON]


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("places", [HALVES, LEANING, TURNING], ids=["any", "leaning", "turning"])
def test_rule_fires_exactly_where_its_words_say(rule, places):
    @given(places)
    def fires(points):
        expected = tuple(Signal(at, rule) for at in range(len(points)) if WORDS[rule](points, at))
        assert signals(points, 0.0, 1.0, [rule]) == expected
    fires()


SHORTEST = {
    "Western Electric 1": [3.5], "Western Electric 2": [2.5, 0, 2.5], "Western Electric 3": [1.5, 1.5, 0, 1.5, 1.5],
    "Western Electric 4": [0.5] * 8, "Nelson 1": [-3.5], "Nelson 2": [-0.5] * 9, "Nelson 3": [0, 1, 2, 3, 4, 5],
    "Nelson 4": [0, 1] * 7, "Nelson 5": [-2.5, 2.5, -2.5], "Nelson 6": [-1.5, -1.5, 3, -1.5, -1.5],
    "Nelson 7": [0.5, -0.5, 0] * 5, "Nelson 8": [1.5] * 7 + [-1.5],
}


@pytest.mark.parametrize("rule", RULES)
def test_shortest_pattern_fires_at_its_last_point_and_not_one_sooner(rule):
    pattern = SHORTEST[rule]
    assert signals(pattern, 0, 1, [rule]) == (Signal(len(pattern) - 1, rule),)
    assert signals(pattern[1:], 0, 1, [rule]) == ()


def test_point_on_a_limit_is_not_beyond_it():
    assert signals([3.0, -3.0], 0, 1) == ()


def test_point_on_the_centre_line_ends_a_run():
    assert signals([0.5] * 7 + [0] + [0.5] * 7, 0, 1) == ()


def test_signals_come_by_point_then_by_rule():
    found = signals([2.5, 4.0, 4.0], 0, 1)
    assert found == (Signal(1, "Western Electric 1"), Signal(1, "Western Electric 2"),
                     Signal(2, "Western Electric 1"), Signal(2, "Western Electric 2"))


def test_no_rules_and_no_points_give_no_signals():
    assert signals([9.0], 0, 1, ()) == signals([], 0, 1) == ()


def test_unknown_rule_is_refused():
    with pytest.raises(KeyError):
        signals([0.0], 0, 1, ["Western Electric 5"])


@given(HALVES, st.floats(-100, 100).map(round), st.sampled_from([0.5, 2.0, 4.0]))
def test_only_the_distance_in_deviations_counts(points, centre, sigma):
    moved = [centre + sigma * point for point in points]
    assert signals(moved, centre, sigma, tuple(RULES)) == signals(points, 0, 1, tuple(RULES))


@pytest.mark.parametrize("rule", RULES)
def test_chance_is_what_a_million_drawn_points_show(rule):
    """Neighbouring signals share points, so a count scatters more than Poisson's root: five times it is allowed."""
    drawn = np.random.default_rng(20).standard_normal(1_000_000)
    found, expected = len(signals(drawn, 0, 1, [rule])), CHANCE[rule] * len(drawn)
    assert abs(found - expected) < 5 * expected**0.5 + 5


@pytest.mark.parametrize("rules, length", [(WESTERN_ELECTRIC, 91.75), (WESTERN_ELECTRIC[:1], 370.398)])
def test_points_until_the_first_false_alarm_are_as_many_as_published(rules, length):
    """All four Western Electric rules one in 91.75 [verified: encyclopedia page]; beyond 3 deviations alone one in
    370.398 [computed: scipy.stats.norm].  The mean of 2500 drawn series, within three of its standard errors."""
    draw = np.random.default_rng(23)
    first = [found[0].at + 1 for found in (signals(draw.standard_normal(5000), 0, 1, rules) for _ in range(2500))]
    assert len(first) == 2500
    assert np.mean(first) == pytest.approx(length, abs=3 * np.std(first) / 50)
