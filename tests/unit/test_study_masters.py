"""A column on its master: which records count, repeatability and bias, a trend that is only drawn on with care."""

import random
from decimal import Decimal

import numpy
import pytest
import scipy.stats
import statsmodels.api as sm

from collector.clock import Stamps
from collector.journal import Row
from collector.measuring.characteristic import Characteristic, Master
from collector.measuring.units import Unit
from collector.record import Record, detail, encode, number
from collector.study.masters import Check, checks_of, study_drift, study_master

DAY_NS = 86_400_000_000_000
START_NS = 1_767_225_600_000_000_000                                     # 2026-01-01
BORE = Characteristic(part="PH-200", name="bore", unit=Unit.MM, channel="column/A1",
                      masters=(Master(name="RING", size=Decimal("12.0005"), within=Decimal("0.0015")),))


def row(seq: int, value: str, kind: str = "master", master: str = "RING", at_ns: int = START_NS, serial: str = "", **more) -> Row:
    told = dict(port="column", channel="A1", part="PH-200", characteristic="bore", unit="mm", nominal=number(Decimal("12.0005"))) | more
    if kind == "master":
        told.setdefault("detail", detail({"master": master}))
    record = Record(seq=seq, id=f"s-J-{seq}", time=Stamps().text(at_ns), kind=kind, serial=serial, value=number(Decimal(value)), **told)
    return Row(seq, at_ns // 1000, kind, told["port"], told["part"], "", encode(record))


def test_checks_of_a_master_are_taken_over_all_parts_of_its_channel_and_nothing_else_is():
    rows = [row(1, "12.0006"), row(2, "12.0007", part="PH-210"), row(3, "12.0170", master="RING-HIGH"),
            row(4, "0.0165", detail=detail({"master": "RING", "check": "gain"})), row(5, "12.0008", channel="B1"),
            row(6, "12.0009", kind="measurement"), row(7, "12.0004", port="other"), row(8, "12.0005")]
    assert [one.seq for one in checks_of(rows, BORE, "RING")] == [1, 2, 8]
    assert [one.deviation for one in checks_of(rows, BORE, "RING")] == [Decimal("0.0001"), Decimal("0.0002"), 0]


def test_readings_of_a_part_by_its_serial_are_no_checks():
    rows = [row(1, "12.0006"), row(2, "12.0007", kind="measurement", serial="RING"), row(3, "12.0008", kind="measurement", serial="H7")]
    assert [(one.seq, one.size) for one in checks_of(rows, BORE, "", "RING")] == [(2, None)]


def test_a_check_in_another_unit_is_converted():
    one, = checks_of([row(1, "12000.6", unit="um", nominal=number(Decimal("12000.5")))], BORE, "RING")
    assert (one.value, one.size, one.deviation) == (Decimal("12.0006"), Decimal("12.0005"), Decimal("0.0001"))


def checks(deviations, every_days: float = 1.0, size: str = "12.0005") -> list[Check]:
    return [Check(at + 1, int(START_NS // 1000 + at * every_days * 86_400_000_000), Stamps().text(int(START_NS + at * every_days * DAY_NS)),
                  Decimal(size) + Decimal(one), Decimal(size), "pass", ()) for at, one in enumerate(deviations)]


def test_repeatability_and_bias_are_those_of_scipy():
    draw = random.Random(3)
    found = study_master(checks([f"{0.0003 + draw.gauss(0, 0.0002):.6f}" for _ in range(30)], every_days=0.001), Decimal("12.0005"), Decimal("0.018"))
    values = [float(one.deviation) for one in found.checks]
    low, high = scipy.stats.t.interval(0.95, 29, numpy.mean(values), scipy.stats.sem(values))
    assert float(found.study.bias) == pytest.approx(numpy.mean(values)) and found.study.repeatability == pytest.approx(numpy.std(values, ddof=1))
    assert (found.study.bias_low, found.study.bias_high) == (pytest.approx(low), pytest.approx(high)) and found.study.significant
    assert found.spread_index == pytest.approx(0.2 * 0.018 / (6 * numpy.std(values, ddof=1)))
    assert found.place_index == pytest.approx((0.0018 - abs(numpy.mean(values))) / (3 * numpy.std(values, ddof=1)))
    assert found.notes == () and found.verdict.word == "good"


def test_few_readings_and_a_size_that_was_changed_are_said():
    found = study_master([*checks(["0.0001", "0.0002"]), *checks(["0.0001"], size="12.0007")], Decimal("12.0007"), None)
    assert found.study.bias == pytest.approx(Decimal("0.000133333333"), abs=Decimal("1e-9"))
    assert any("12.0005, 12.0007" in note for note in found.notes) and any("3 readings" in note for note in found.notes)
    assert found.verdict.word == "none"


def test_readings_of_many_days_are_said_to_hold_drift_too():
    assert any("over 29 days" in note for note in study_master(checks([f"0.000{at % 3}" for at in range(30)]), Decimal("12.0005"), None).notes)


def test_the_trend_is_that_of_statsmodels():
    draw = random.Random(5)
    found = study_drift(checks([f"{at * 0.00001 + draw.gauss(0, 0.0001):.6f}" for at in range(60)]), Decimal("0.0015"), Unit.MM)
    fit = sm.OLS([float(one.deviation) for one in found.checks], sm.add_constant(numpy.array(found.days))).fit()
    low, high = fit.conf_int()[1]
    assert found.trend.slope == pytest.approx(fit.params[1]) and found.trend.intercept == pytest.approx(fit.params[0], rel=1e-6)
    assert (found.trend.slope_low, found.trend.slope_high) == (pytest.approx(low), pytest.approx(high))
    assert found.trend.significant and found.trend.p == pytest.approx(fit.pvalues[1])


def test_the_day_of_the_crossing_is_where_a_line_without_scatter_meets_the_bound():
    """10 nm a day from 0, with a scatter that is even about the line: 0.0015 mm on day 150, 2026-05-31."""
    found = study_drift(checks([str(Decimal("0.00001") * at + (Decimal("0.000001") if at % 2 else Decimal("-0.000001"))) for at in range(100)]),
                        Decimal("0.0015"), Unit.MM)
    assert found.crossing.day in ("2026-05-30", "2026-05-31") and found.crossing.bound == Decimal("0.0015")
    assert found.crossing.earliest <= found.crossing.day <= found.crossing.latest
    assert "If it went on as it has" in found.words[1] and "drawn on beyond" in found.words[1]


def test_a_falling_column_meets_the_lower_bound():
    found = study_drift(checks([str(Decimal("-0.00001") * at - Decimal(at % 3) / 10**6) for at in range(100)]), Decimal("0.0015"), Unit.MM)
    assert found.crossing.bound == Decimal("-0.0015") and found.crossing.earliest <= found.crossing.day <= found.crossing.latest


def test_no_day_is_said_further_ahead_than_the_checks_reach_back():
    found = study_drift(checks([str(Decimal("0.00001") * at + Decimal(at % 3) / 10**6) for at in range(60)]), Decimal("0.0015"), Unit.MM)
    assert found.trend.significant and found.crossing is None and "no day is said" in found.words[1]


def test_a_bound_that_the_line_has_reached_is_said_to_be_reached():
    found = study_drift(checks([str(Decimal("0.00001") * at + Decimal(at % 3) / 10**6) for at in range(200)]), Decimal("0.0015"), Unit.MM)
    assert found.crossing is None and "already: set the column" in found.words[1]


def test_without_a_trend_nothing_is_drawn_on():
    """Of 40 runs of pure chance about one in twenty calls itself a trend, as its 95 % say."""
    called = 0
    for seed in range(40):
        draw = random.Random(seed)
        found = study_drift(checks([f"{draw.gauss(0, 0.0003):.6f}" for _ in range(50)]), Decimal("0.0015"), Unit.MM)
        called += found.trend.significant
        assert found.trend.significant or found.crossing is None and "No trend can be told from chance" in found.words[0]
    assert called <= 6


def test_checks_that_hang_together_beside_the_line_are_said_to():
    """A column that goes up and down with the seasons of its hall."""
    wave = [f"{0.00001 * at + 0.0003 * numpy.sin(at / 8):.6f}" for at in range(100)]
    assert any("hangs together" in one for one in study_drift(checks(wave), Decimal("0.0015"), Unit.MM).words)
    draw = random.Random(2)
    even = [f"{0.00001 * at + draw.gauss(0, 0.0001):.6f}" for at in range(100)]
    assert not any("hangs together" in one for one in study_drift(checks(even), Decimal("0.0015"), Unit.MM).words)


def test_checks_that_swing_beside_the_line_are_not_said_to_make_the_interval_too_narrow():
    """A column that is set after each check reads too large and too small by turns."""
    turns = [f"{0.0001 * (-1) ** at + 0.00001 * at:.6f}" for at in range(60)]
    words = " ".join(study_drift(checks(turns), Decimal("0.0015"), Unit.MM).words)
    assert "swings from check to check" in words and "too wide" in words and "hangs together" not in words


@pytest.mark.parametrize("found", [[], checks(["0.0001"]), checks(["0.0001", "0.0002"]), checks(["0.0001"] * 5, every_days=0)])
def test_too_few_checks_are_no_trend(found):
    assert study_drift(found, None, Unit.MM).trend is None
