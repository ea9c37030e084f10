"""Units, rounding and judging against figures from outside the project.

Sources.  tests/data/unit-conversion.csv: exact arithmetic on 1 in = 25.4 mm (international yard and pound agreement,
in force 1 July 1959), every row computed in decimals.  tests/data/float-traps.csv: cases computed in binary64 beside
decimal, in each of which the binary result lies outside a limit that the exact one meets.  tests/data/rounding.csv:
ties to even after ISO 80000-1 Annex B and ASTM E29 (that these are the standards' own examples is from memory).
pint: a general-purpose units library, with its Decimal registry.
"""

import csv
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.measuring.judge import Limits, build_judging, judge
from collector.measuring.normalise import Characteristic, normalise
from collector.measuring.units import EXACT, Inexact, Unit, convert, convert_exactly, round_to
from collector.record import Reading

DATA = Path(__file__).parent.parent / "data"


def rows(name: str) -> list[dict[str, str]]:
    with open(DATA / name, encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("row", rows("unit-conversion.csv"), ids=lambda row: f"{row['value']}{row['unit']}")
def test_conversion_table(row):
    value, unit = Decimal(row["value"]), Unit(row["unit"])
    assert convert(value, unit, Unit.MM) == Decimal(row["mm_exact"])
    assert convert(value, unit, Unit.UM) == Decimal(row["um_exact"])
    text, _, rounded = row["inch"].partition(" ")
    assert convert(value, unit, Unit.IN, Decimal("0.000000000001")) == Decimal(text)
    if rounded:
        with pytest.raises(Inexact):
            convert_exactly(value, unit, Unit.IN)


_PINT = pint.UnitRegistry(non_int_type=Decimal)
_PINT_NAMES = {Unit.MM: "mm", Unit.UM: "um", Unit.IN: "inch", Unit.UIN: "microinch", Unit.THOU: "thou"}
lengths = st.integers(-10**9, 10**9).map(lambda digits: Decimal(digits).scaleb(-6))


@given(value=lengths, source=st.sampled_from(Unit), target=st.sampled_from(Unit))
def test_conversion_agrees_with_pint(value, source, target):
    ours = convert(value, source, target, Decimal("1e-20"))
    theirs = _PINT.Quantity(value, _PINT_NAMES[source]).to(_PINT_NAMES[target]).magnitude
    assert abs(ours - theirs) <= max(abs(theirs) * Decimal("1e-24"), Decimal("1e-20"))


@given(value=lengths, source=st.sampled_from(Unit), target=st.sampled_from(Unit))
def test_exact_conversion_is_exact_there_and_back(value, source, target):
    try:
        there = convert_exactly(value, source, target)
    except Inexact:
        return
    assert convert_exactly(there, target, source) == value
    factor = {Unit.MM: Fraction(1), Unit.UM: Fraction(1, 1000), Unit.IN: Fraction(127, 5), Unit.UIN: Fraction(127, 5_000_000),
              Unit.THOU: Fraction(127, 5000)}
    assert Fraction(there) * factor[target] == Fraction(value) * factor[source]


@pytest.mark.parametrize("row", rows("rounding.csv"), ids=lambda row: f"{row['value']} to {row['quantum']}")
def test_rounding_half_to_even(row):
    assert round_to(Decimal(row["value"]), Decimal(row["quantum"])) == Decimal(row["half_even"])


def test_only_an_endless_quotient_is_rounded_and_only_once():
    assert convert(Decimal("0.0762"), Unit.MM, Unit.IN, Decimal("0.1")) == Decimal("0.003")
    assert str(convert(Decimal("12.018"), Unit.MM, Unit.IN, Decimal("0.00005"))) == "0.47315"
    assert str(convert(Decimal("12.018"), Unit.MM, Unit.IN)) == "0.4731496"


def trap(row: dict[str, str]) -> Decimal:
    """The exact quantity of a row: through the normaliser where it is one reading, else through its arithmetic."""
    words = row["inputs"].split()
    family = row["family"][0]
    if family in "BCD":
        unit = {"B": "in", "C": "mm", "D": "um"}[family]
        target = Unit.IN if family == "C" else Unit.MM
        return normalise(Reading(Decimal(words[0]), unit, {}), False, Characteristic(part="p", name="c", unit=target)).value
    if family == "A":
        held = Characteristic(part="p", name="c", unit=Unit.MM, nominal=Decimal(words[2]))
        return normalise(Reading(Decimal(words[0]), "mm", {}), False, held).deviation
    if family == "F":
        held = Characteristic(part="p", name="c", unit=Unit.MM, nominal=Decimal(words[0]))
        return normalise(Reading(Decimal(words[2]), "mm", {}), True, held).value
    values = [Decimal(word) for word in words if word[0].isdigit()]
    if family == "G":
        return EXACT.divide(sum(values), Decimal(3))
    return EXACT.subtract(values[0], values[1])


@pytest.mark.parametrize("row", rows("float-traps.csv"), ids=lambda row: f"{row['family'][0]} {row['inputs']}")
def test_float_trap_is_judged_rightly(row):
    exact = trap(row)
    limit = Decimal(row["limit"])
    limits = Limits(lower=limit) if row["limit_side"] == "lower" else Limits(upper=limit)
    assert exact == Decimal(row["exact_result"])
    judging = build_judging(limits)
    assert judge(exact, judging)[0] == {"in": "pass", "out": "fail"}[row["exact_verdict"]]
    beyond = exact + (Decimal("-1e-9") if row["limit_side"] == "lower" else Decimal("1e-9"))
    assert judge(beyond, judging) == ("fail", "below" if row["limit_side"] == "lower" else "above")


@given(value=lengths, lower=lengths, width=st.integers(1, 10**6), scale=st.sampled_from(["10", "0.001", "25.4", "7"]))
def test_verdict_stays_when_everything_is_scaled(value, lower, width, scale):
    upper, by = lower + Decimal(width).scaleb(-6), Decimal(scale)
    scaled = build_judging(Limits(lower * by, upper * by))
    assert judge(value, build_judging(Limits(lower, upper))) == judge(value * by, scaled)


def test_pint_calls_mil_an_angle_and_we_refuse_it():
    from collector.measuring.units import unit_on_the_wire
    assert unit_on_the_wire("mil") is None and unit_on_the_wire("Mm") is None
    assert unit_on_the_wire("MM") is Unit.MM and unit_on_the_wire('"') is Unit.IN
