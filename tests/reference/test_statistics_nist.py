"""Summary, charts, levels of spread and a line against certified and published figures.

Sources.  tests/data/nist-strd-*.csv: NIST Statistical Reference Datasets, univariate [verified: header blocks of the
data files as stored in public numerics projects; every certified figure recomputed in exact rational arithmetic].
NumAcc2 to NumAcc4 and PiDigits are made here by their published recipes.  PiDigits as certified has a 3 where pi has an
8, its 957th digit [verified: the row in a stored copy of the data; with it the certified figures come out].
nist-strd-norris.csv: StRD, linear regression [verified: data and certified values of Norris.dat as stored in SciPy's
own tests].  nist-pmc322-flowrate.csv, nist-gear-diameter.csv, nist-machine-screw.csv, nist-mpc441-check-standard.csv,
nist-mpc61-gauge-study.csv: data sets of the NIST/SEMATECH e-Handbook of Statistical Methods [verified: public copies of
its data files]; which figure is printed there and which was computed from the data is said beside each.
"""

import csv
import math
from decimal import Decimal
from pathlib import Path

import pytest

from collector.statistics.capability import capability
from collector.statistics.charts import individuals, subgroups
from collector.statistics.drift import trend
from collector.statistics.gauge_study import Trial, anova
from collector.statistics.rules import Signal
from collector.statistics.summary import summarise

DATA = Path(__file__).parent.parent / "data"
RECIPES = {"NumAcc2": "1.2", "NumAcc3": "1000000.2", "NumAcc4": "10000000.2"}


def rows(name: str) -> list[dict[str, str]]:
    with open(DATA / name, encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def digits_of_pi(count: int) -> list[str]:
    """The first digits, 3 among them, by J. Machin's formula: pi = 16 arctan(1/5) - 4 arctan(1/239), in integers."""
    one = 10 ** (count + 10)

    def arctan_of_one_over(number: int) -> int:
        power, total, odd = one // number, 0, 1
        while power:
            total += power // odd if odd % 4 == 1 else -(power // odd)
            power, odd = power // number**2, odd + 2
        return total

    text = Decimal(16 * arctan_of_one_over(5) - 4 * arctan_of_one_over(239))
    return [str(digit) for digit in text.as_tuple().digits[:count]]


def data_of(dataset: str) -> list[Decimal]:
    if dataset == "PiDigits":
        digits = digits_of_pi(5000)
        assert digits[956] == "8"
        digits[956] = "3"                                # as in the certified data
        return [Decimal(digit) for digit in digits]
    if dataset in RECIPES:
        first = RECIPES[dataset]
        return [Decimal(text) for text in [first] + [first[:-1] + "1", first[:-1] + "3"] * 500]
    return [Decimal(row["y"]) for row in rows(f"nist-strd-{dataset.lower()}.csv")]


CERTIFIED = rows("nist-strd-univariate-certified.csv")


@pytest.mark.parametrize("row", CERTIFIED, ids=lambda row: row["dataset"])
def test_certified_figures_to_every_digit(row):
    found = summarise(data_of(row["dataset"]))
    mean, deviation, neighbours = (Decimal(row[name]) for name in (
        "certified_mean", "certified_sd_n_minus_1", "certified_lag1_autocorrelation"))
    assert found.count == int(row["n"])
    assert found.mean.quantize(mean) == mean
    assert found.deviation.quantize(deviation) == deviation
    assert Decimal(repr(found.autocorrelation)).quantize(neighbours) == neighbours


def test_all_nine_sets_were_looked_at():
    assert len(CERTIFIED) == 9


@pytest.mark.parametrize("dataset", RECIPES)
def test_made_sets_have_exactly_the_answer_they_were_made_for(dataset):
    found = summarise(data_of(dataset))
    assert found.mean == Decimal(RECIPES[dataset])
    assert found.deviation == Decimal("0.1")
    assert found.autocorrelation == -0.999


def test_individuals_and_moving_range_of_the_handbook():
    """6.3.2.2: mean 50.81, mean moving range 1.8778, limits 55.8041 and 45.8159 with the divisor 1.128, no point
    outside [verified: page pmc322.htm].  Upper limit of the moving range, 3.267 x 1.8778 = 6.1347 [computed]."""
    charts = individuals([Decimal(row["flowrate"]) for row in rows("nist-pmc322-flowrate.csv")])
    assert charts.location.centre == 50.81
    assert round(charts.spread.centre, 4) == 1.8778
    reach = (charts.location.upper - charts.location.centre) * (2 / math.sqrt(math.pi)) / 1.128
    assert round(50.81 + reach, 4) == 55.8041 and round(50.81 - reach, 4) == 45.8159
    assert charts.location.lower + charts.location.upper == pytest.approx(2 * 50.81)
    assert charts.spread.upper == pytest.approx(6.1347, abs=0.001) and charts.spread.lower == 0.0
    assert charts.stable


GEAR = [Decimal(row["diameter_in"]) for row in rows("nist-gear-diameter.csv")]


def test_gear_diameters_summarised():
    """Grand mean 0.99764, deviation 0.006278905 [computed from the data]."""
    found = summarise(GEAR)
    assert found.mean == Decimal("0.99764")
    assert round(found.deviation, 9) == Decimal("0.006278905")


@pytest.mark.parametrize("spread, centre, within, limits, spread_limits, beyond", [
    ("range", 0.0181, 0.00588044, (0.9920652, 1.0032148), (0.0040363, 0.0321637), ()),
    ("deviation", 0.005582928, 0.00573962, (0.9921967, 1.0030834), (0.0015856, 0.0095803), (5,))])
def test_gear_diameters_by_subgroups_of_ten(spread, centre, within, limits, spread_limits, beyond):
    """Limits with the printed constants of size 10 (three figures) [computed from the data]: ours have all figures."""
    charts = subgroups(GEAR, 10, spread)
    assert charts.spread.what == spread and charts.left_over == 0
    assert charts.location.centre == 0.99764
    assert charts.spread.centre == pytest.approx(centre, rel=1e-6)
    assert charts.within == pytest.approx(within, rel=2e-4)
    assert (charts.location.lower, charts.location.upper) == pytest.approx(limits, abs=1e-5)
    assert (charts.spread.lower, charts.spread.upper) == pytest.approx(spread_limits, abs=1e-5)
    assert charts.location.points == (0.998, 0.9991, 0.9954, 0.9982, 0.9919, 0.9988, 1.0015, 1.0004, 0.9983, 0.9948)
    assert charts.location.signals == (Signal(4, "Western Electric 1"),), "batch 5 lies below its limit"
    assert charts.spread.signals == tuple(Signal(at, "Western Electric 1") for at in beyond)
    assert not charts.stable


def test_sixth_batch_of_gears_scatters_more_by_its_deviation_than_the_limit():
    """Its deviation, 0.00989 in, lies above 0.00958; its range, 0.032 in, below 0.0322 [computed from the data]."""
    batch = GEAR[50:60]
    assert round(summarise(batch).deviation, 6) == Decimal("0.009886")
    assert max(batch) - min(batch) == Decimal("0.032")


def test_gear_diameters_between_invented_limits():
    """Pp 1.061756 and Ppk 0.936469 against 1.000 +- 0.020 in [computed from the data]."""
    found = capability(summarise(GEAR), None, 0.0, Decimal("0.980"), Decimal("1.020"), stable=False)
    assert (found.pp.value, found.ppk.value) == pytest.approx((1.061756, 0.936469), abs=5e-7)


def test_capability_of_the_handbook():
    """6.1.6: limits 8 and 20, mean 16, deviation 2: Cp 1.0, upper 0.6667, lower 1.3333, Cpk 0.6667 [memory: inputs of
    the e-Handbook; arithmetic computed]."""
    values = [Decimal(text) for text in ("14", "16", "18")]
    summary, lower, upper = summarise(values), Decimal(8), Decimal(20)
    assert (summary.mean, summary.deviation) == (16, 2)
    both = capability(summary, 2.0, 2.0, lower, upper, stable=True)
    assert (both.cp.value, both.pp.value) == (1.0, 1.0)
    assert both.cpk.value == both.ppk.value == pytest.approx(2 / 3)
    assert capability(summary, 2.0, 2.0, None, upper, stable=True).cpk.value == pytest.approx(2 / 3)
    assert capability(summary, 2.0, 2.0, lower, None, stable=True).cpk.value == pytest.approx(4 / 3)


def pooled(deviations: list[float]) -> float:
    return math.sqrt(sum(deviation * deviation for deviation in deviations) / len(deviations))


def levels(measured: list[dict[str, str]], deviation: str) -> tuple[float, float, float]:
    """Within a day, between days of a run, between runs: three levels of the handbook's nested design (2.4.4)."""
    by_wafer: dict[str, dict[str, list[Decimal]]] = {}
    for row in measured:
        by_wafer.setdefault(row["wafer"], {}).setdefault(row["run"], []).append(Decimal(row["average_ohm_cm"]))
    days = [float(summarise(run).deviation) for runs in by_wafer.values() for run in runs.values()]
    runs = [float(summarise([summarise(run).mean for run in runs.values()]).deviation) for runs in by_wafer.values()]
    return pooled([float(row[deviation]) for row in measured]), pooled(days), pooled(runs)


def test_check_standard_of_the_handbook():
    """Level 2, wafer 140, probe 2362: run 1 0.027280, run 2 0.027560, pooled 0.02742 [verified: page mpc442.htm, which
    rounds to about four figures]; levels 1 and 3: 0.0787144, 0.0288500 [computed from the data]."""
    data = rows("nist-mpc441-check-standard.csv")
    for run, printed in (("1", 0.027280), ("2", 0.027560)):
        found = summarise([Decimal(row["average_ohm_cm"]) for row in data if row["run"] == run])
        assert float(found.deviation) == pytest.approx(printed, rel=5e-4)
    first, second, third = levels(data, "stddev")
    assert second == pytest.approx(0.02742, rel=5e-4)
    assert (first, third) == pytest.approx((0.0787144, 0.0288500), abs=1e-7)


@pytest.mark.parametrize("probe, expected", [
    ("2362", (0.0728667, 0.0361682, 0.0196452)), ("2062", (0.1519998, 0.0575181, 0.0733402))])
def test_gauge_study_of_the_handbook_at_three_levels(probe, expected):
    """2.6.1, five wafers, two runs of six days [computed from the data]."""
    data = [row for row in rows("nist-mpc61-gauge-study.csv") if row["probe"] == probe]
    assert len(data) == 60
    assert levels(data, "stddev_6_reps") == pytest.approx(expected, abs=1e-7)


def test_machine_screws_by_one_way_analysis():
    """Means 0.1248867, 0.1229683, 0.1240217; F(2, 177) = 30.0097, p = 5.99e-12 [computed with statsmodels]."""
    data = rows("nist-machine-screw.csv")
    means = [summarise([Decimal(row["diameter_in"]) for row in data if row["machine"] == machine]).mean
             for machine in "123"]
    assert [round(mean, 7) for mean in means] == [Decimal("0.1248867"), Decimal("0.1229683"), Decimal("0.1240217")]
    between = anova([Trial(row["machine"], "one", Decimal(row["diameter_in"])) for row in data]).anova[0]
    assert (between.source, between.degrees) == ("part", 2)
    assert between.f == pytest.approx(30.0097, abs=5e-5)
    assert between.p == pytest.approx(5.99e-12, abs=5e-15)


def test_line_through_the_ozone_data():
    """StRD Norris: all certified figures to nine places or better (doubles carry 15 to 16)."""
    data = rows("nist-strd-norris.csv")
    found = trend([float(row["x"]) for row in data], [Decimal(row["y"]) for row in data])
    assert found.count == 36
    assert found.slope == pytest.approx(1.00211681802045, rel=1e-14)
    assert found.intercept == pytest.approx(-0.262323073774029, rel=1e-12)
    assert found.residual == pytest.approx(0.884796396144373, rel=1e-13)
    quantile = 2.0322445093177186                         # Student's t, 34 degrees, 0.975 [computed: scipy.stats.t]
    assert found.slope_high - found.slope == pytest.approx(quantile * 0.429796848199937e-3, rel=1e-9)
