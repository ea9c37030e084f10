"""Constants of control charts against a printed table and by other ways of computing them.

Source: tests/data/control-chart-constants.csv, five figures [computed with SciPy when the file was made]; the three
figures below [verified: a printed textbook table of factors, n = 2 to 10; that table has D4 = 2.574 at n = 3, the
integral gives 2.57459].
"""

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from scipy import integrate, special, stats

from collector.statistics.constants import c4, c5, d2, d2_star, d3, factors

DATA = Path(__file__).parent.parent / "data"
PRINTED = """
2 1.128 0.853 0.7979 1.880 0     3.267 2.659 0     3.267
3 1.693 0.888 0.8862 1.023 0     2.575 1.954 0     2.568
4 2.059 0.880 0.9213 0.729 0     2.282 1.628 0     2.266
5 2.326 0.864 0.9400 0.577 0     2.114 1.427 0     2.089
6 2.534 0.848 0.9515 0.483 0     2.004 1.287 0.030 1.970
7 2.704 0.833 0.9594 0.419 0.076 1.924 1.182 0.118 1.882
8 2.847 0.820 0.9650 0.373 0.136 1.864 1.099 0.185 1.815
9 2.970 0.808 0.9693 0.337 0.184 1.816 1.032 0.239 1.761
10 3.078 0.797 0.9727 0.308 0.223 1.777 0.975 0.284 1.716
""".split("\n")[1:-1]                                     # n d2 d3 c4 A2 D3 D4 A3 B3 B4


def of_size(size: int) -> list[float]:
    made = factors(size)
    return [d2(size), d3(size), c4(size), made.a2, made.d3_low, made.d4, made.a3, made.b3, made.b4]


@pytest.mark.parametrize("line", PRINTED, ids=lambda line: f"n={line.split()[0]}")
def test_every_printed_constant(line):
    size, *printed = line.split()
    for found, text in zip(of_size(int(size)), printed, strict=True):
        places = len(text.partition(".")[2])
        assert found == pytest.approx(float(text), abs=0.50001 * 10**-places), text


def test_every_constant_of_the_file_to_five_figures():
    with open(DATA / "control-chart-constants.csv", encoding="utf-8", newline="") as file:
        table = list(csv.DictReader(file))
    assert [int(row["n"]) for row in table] == list(range(2, 11))
    for row in table:
        size = int(row["n"])
        names = ("d2", "d3", "c4", "A2", "D3", "D4", "A3", "B3", "B4", "d2star_g1", "E2", "K1_inv_d2",
                 "K2_K3_inv_d2star_g1")
        found = [*of_size(size), d2_star(size), 3 / d2(size), 1 / d2(size), 1 / d2_star(size)]
        assert found == pytest.approx([float(row[name]) for name in names], abs=5.1e-6), size


def test_small_sizes_have_a_closed_form():
    """n = 2: |difference| of two normal values; n = 3: 3 / sqrt(pi); d2* of 3 from E(W**2) = 2 + 3 * sqrt(3) / pi."""
    assert d2(2) == pytest.approx(2 / math.sqrt(math.pi), rel=1e-12)
    assert d3(2) == pytest.approx(math.sqrt(2 - 4 / math.pi), rel=1e-11)
    assert d2(3) == pytest.approx(3 / math.sqrt(math.pi), rel=1e-12)
    assert d2_star(2) == pytest.approx(math.sqrt(2), rel=1e-11)
    assert d2_star(3) ** 2 == pytest.approx(2 + 3 * math.sqrt(3) / math.pi, rel=1e-11)
    assert c4(2) == pytest.approx(math.sqrt(2 / math.pi), rel=1e-14)


@pytest.mark.parametrize("size", [2, 5, 10, 25, 100, 1000])
def test_mean_range_is_twice_the_mean_of_the_largest(size):
    """Another integral: 2 * E(max) = 2 * integral of x * n * f(x) * F(x)**(n - 1)."""
    twice, _ = integrate.quad(lambda x: 2 * size * x * stats.norm.pdf(x) * special.ndtr(x) ** (size - 1), -9, 9,
                              epsabs=1e-11, limit=200)
    assert d2(size) == pytest.approx(twice, rel=1e-9)


@pytest.mark.parametrize("size", [2, 5, 10, 60])
def test_range_and_deviation_of_drawn_values(size):
    drawn = np.random.default_rng(22).standard_normal((200_000, size))
    ranges, deviations = np.ptp(drawn, axis=1), drawn.std(axis=1, ddof=1)
    assert ranges.mean() == pytest.approx(d2(size), rel=0.004)
    assert ranges.std() == pytest.approx(d3(size), rel=0.01)
    assert deviations.mean() == pytest.approx(c4(size), rel=0.004)
    assert deviations.std() == pytest.approx(c5(size), rel=0.01)


def test_deviation_of_many_values_is_hardly_biased():
    """c4 = 1 - 1 / (4 n) - 7 / (32 n**2) - ... [computed: the series of the gamma quotient]."""
    for size in (100, 10_000, 1_000_000):
        assert 1 - c4(size) == pytest.approx(1 / (4 * size) + 7 / (32 * size**2), rel=1e-3)


@pytest.mark.parametrize("constant", [d2, d3, c4, d2_star, factors])
def test_one_value_has_no_spread(constant):
    with pytest.raises(ValueError, match="at least 2 values, not 1"):
        constant(1)
