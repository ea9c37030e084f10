"""What is counted on a port is told in the status file, all of it."""

from dataclasses import fields
from decimal import Decimal

import pytest

from collector.service.tally import Last, Size, Tally


@pytest.mark.parametrize("made, but", [(Tally("/dev/ttyS9"), {"looks"}), (Last(Size(Decimal("12.010"), "mm", "pass")), {"size"})])
def test_nothing_that_is_counted_is_left_out(made, but):
    counted = {field.name for field in fields(made)} - but
    assert {name.removesuffix("_ns").replace("_", "-") for name in counted} <= set(made.as_dict())


def test_a_size_is_told_as_it_was_read_and_none_as_empty():
    told = Last(Size(Decimal("12.010"), "mm", "fail", "above"), 1_772_000_000_000_001_000).as_dict()
    assert [told[key] for key in ("value", "unit", "verdict", "side", "time")] == \
        ["12.010", "mm", "fail", "above", "2026-02-25T06:13:20.000001Z"]
    assert (Last().as_dict()["value"], Last().as_dict()["time"]) == ("", "")
