"""Mean, standard deviation and TIR against certified and published figures.

Sources.  tests/data/nist-strd-*.csv: NIST Statistical Reference Datasets, univariate: data and certified values
[verified: header blocks of the data files as stored in public numerics projects; every certified figure recomputed in
exact rational arithmetic].  NumAcc2 to NumAcc4 are made here by their published recipe: one value, then 500 pairs.
PiDigits (5000 digits) is certified too, but its data are not kept here: it is left out.
tests/data/float-traps.csv: means and differences that binary floating point puts out of a limit they meet [verified:
computed in binary64 beside decimal].  The bore at three levels: worked from the formulas of form [verified: computed].
"""

import csv
from decimal import Decimal
from pathlib import Path

import pytest

from collector.measuring.spread import Spread

DATA = Path(__file__).parent.parent / "data"
RECIPES = {"NumAcc2": "1.2", "NumAcc3": "1000000.2", "NumAcc4": "10000000.2"}
NOT_KEPT = {"PiDigits"}


def rows(name: str) -> list[dict[str, str]]:
    with open(DATA / name, encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def data_of(dataset: str) -> list[str]:
    if dataset not in RECIPES:
        return [row["y"] for row in rows(f"nist-strd-{dataset.lower()}.csv")]
    first = RECIPES[dataset]
    return [first] + [first[:-1] + "1", first[:-1] + "3"] * 500


def spread_of(values: list[str]) -> Spread:
    spread = Spread()
    for value in values:
        spread.add(Decimal(value))
    return spread


CERTIFIED = rows("nist-strd-univariate-certified.csv")
KEPT = [row for row in CERTIFIED if row["dataset"] not in NOT_KEPT]


@pytest.mark.parametrize("row", KEPT, ids=lambda row: row["dataset"])
def test_certified_mean_and_standard_deviation_to_every_digit(row):
    spread = spread_of(data_of(row["dataset"]))
    mean, deviation = Decimal(row["certified_mean"]), Decimal(row["certified_sd_n_minus_1"])
    assert spread.count == int(row["n"])
    assert spread.mean(Decimal("1e-30")).quantize(mean) == mean
    assert spread.standard_deviation().quantize(deviation) == deviation


def test_all_nine_sets_but_the_one_not_kept_were_looked_at():
    assert len(CERTIFIED) == 9 and NOT_KEPT < {row["dataset"] for row in CERTIFIED}


@pytest.mark.parametrize("dataset, mean", [("NumAcc1", "10000002"), *RECIPES.items()])
def test_sets_with_an_exact_answer_give_it_exactly(dataset, mean):
    spread = spread_of(data_of(dataset))
    assert spread.mean(Decimal("0.1")) == Decimal(mean)
    assert spread.standard_deviation() == Decimal("1" if dataset == "NumAcc1" else "0.1")


def test_one_pass_variance_in_floats_fails_where_exact_sums_do_not():
    values = [float(value) for value in data_of("NumAcc4")]
    n, mean = len(values), sum(values) / len(values)
    one_pass = (sum(value * value for value in values) - n * mean * mean) / (n - 1)
    assert abs(one_pass - 0.01) > 0.001, "the certified variance is 0.01"
    assert spread_of(data_of("NumAcc4")).standard_deviation() ** 2 == Decimal("0.01")


@pytest.mark.parametrize("row", [row for row in rows("float-traps.csv") if row["family"][0] in "GH"],
                         ids=lambda row: f"{row['family'][0]} {row['inputs']}")
def test_mean_and_difference_that_floats_put_out_of_limit(row):
    spread = spread_of([word for word in row["inputs"].split() if word[0].isdigit()])
    found = spread.mean(Decimal("0.000001")) if row["family"][0] == "G" else spread.tir
    assert found == Decimal(row["exact_result"])


def test_bore_at_three_levels():
    levels = [spread_of(["25.012", "25.006"]), spread_of(["25.010", "25.006"]), spread_of(["25.018", "25.010"])]
    fine = Decimal("0.000001")
    assert [level.mean(fine) for level in levels] == [Decimal("25.009"), Decimal("25.008"), Decimal("25.014")]
    assert [level.tir for level in levels] == [Decimal("0.006"), Decimal("0.004"), Decimal("0.008")]
    whole = spread_of(["25.012", "25.006", "25.010", "25.006", "25.018", "25.010"])
    assert (whole.largest, whole.smallest, whole.tir) == (Decimal("25.018"), Decimal("25.006"), Decimal("0.012"))
    assert whole.mean(fine) == Decimal("25.010333")
