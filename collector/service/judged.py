"""A size of a characteristic as fields of a record: verdict, side, class, and what stands in `detail`.

Knows: which fields a characteristic fills, and with which words.
Must not know: where the size came from, numbering.
"""

from decimal import Decimal
from typing import Any

from collector.measuring.characteristic import Characteristic
from collector.measuring.judge import FAIL, SIMPLE, conformance_probability, disposition, judge
from collector.record import number


def compared(one: Characteristic) -> dict[str, Any]:
    """The fields that are the same for every size of a characteristic: what it is and what it is judged by."""
    fields: dict[str, Any] = {"part": one.part, "characteristic": one.name}
    nominal = None if one.report == "tir" else one.nominal
    for field, value in (("nominal", nominal), ("lower", one.limits.lower), ("upper", one.limits.upper)):
        if value is not None:
            fields[field] = number(value)
    return fields


def judged(one: Characteristic, size: Decimal, more: dict[str, Any]) -> dict[str, Any]:
    """`verdict`, `side` and `class_` of a size; `more`, the detail, is added to."""
    verdict, side = judge(size, one.judging)
    fields = {"verdict": verdict, "side": side}
    if verdict == FAIL and (saved := disposition(one.feature, side)):
        more["disposition"] = saved
    if one.classes is not None and verdict != FAIL:
        fields["class_"] = one.classes.of(size)
    judging = one.judging
    if judging.uncertainty is not None:
        likely = conformance_probability(size, judging.limits, judging.uncertainty)
        more |= {"uncertainty": judging.uncertainty, "rule": judging.rule,
                 "conformance-probability": Decimal(f"{likely:.6f}")}
        if judging.rule != SIMPLE:
            for name, limits in (("passes", judging.passes), ("fails", judging.fails)):
                more |= {f"{name}-{end}": value for end, value in (("lower", limits.lower), ("upper", limits.upper))
                         if value is not None}
    return fields
