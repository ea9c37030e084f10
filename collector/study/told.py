"""What a study says, as tables: the JSON of `--json`, and what pages and terminal lines are made of.

Knows: names of the JSON; digits are plain, sums of data exact, figures of distributions as they come.
Must not know: how anything was worked out, markup.
"""

from decimal import Decimal
from typing import Any

import msgspec

from collector.record import number
from collector.statistics.gauge_study import GaugeStudy
from collector.study.figures import Group, Study
from collector.study.masters import Check, Drift, OneMaster
from collector.study.naming import Way
from collector.study.picking import Doubt, Found, Picked
from collector.study.planning import Run, StudyPlan
from collector.study.verdict import Verdict


def json_text(told: Any) -> str:
    """As JSON; decimals as plain digits, what is no finite number as null."""
    return msgspec.json.format(msgspec.json.encode(_plain(told)), indent=2).decode()


def _plain(told: Any) -> Any:
    if isinstance(told, dict):
        return {key: _plain(value) for key, value in told.items()}
    if isinstance(told, list | tuple):
        return [_plain(value) for value in told]
    if isinstance(told, str):                              # a file's name may hold what is no UTF-8
        return told.encode("utf-8", "backslashreplace").decode("utf-8")
    return number(told) if isinstance(told, Decimal) else told


def plan_told(plan: StudyPlan, ways: list[Way], files: list[str]) -> dict[str, Any]:
    """A plan that was made, and how its parts and operators are named."""
    told = msgspec.structs.asdict(plan)
    return {**told, "runs": [run_told(run) for run in plan.runs], "files": files,
            "named-by": [msgspec.structs.asdict(way) for way in ways]}


def run_told(run: Run) -> dict[str, Any]:
    return msgspec.structs.asdict(run)


def progress_told(plan: StudyPlan, picked: Picked, notes: list[str]) -> dict[str, Any]:
    """How far a study is."""
    return {"part": plan.part, "characteristic": plan.characteristic, "unit": plan.unit, "made": plan.made,
            "seed": plan.seed, "runs": len(plan.runs), "counted": len(picked.counted), "complete": picked.is_complete,
            "next": run_told(picked.missing[0]) if picked.missing else None,
            "missing": [run_told(run) for run in picked.missing],
            "readings": [{**run_told(one.run), **_found(one.reading)} for one in picked.counted],
            "doubts": [_doubt(one) for one in picked.doubts],
            "others": picked.others, "over-range": picked.over_range, "notes": notes}


def _found(one: Found) -> dict[str, Any]:
    return {"value": one.value, "unit": one.unit, "seq": one.seq, "time": one.time, "flags": list(one.flags)}


def _doubt(one: Doubt) -> dict[str, Any]:
    return {"counts": one.counts, "why": one.why, "serial": one.reading.serial, "operator": one.reading.operator,
            **_found(one.reading)}


def study_told(study: Study, unit: str) -> dict[str, Any]:
    """The figures of a study; `why` says why there are none."""
    told: dict[str, Any] = {"unit": unit, "tolerance": study.tolerance, "count": len(study.trials), "why": study.why,
                            "verdict": verdict_told(study.verdict)}
    if study.anova is None:
        return told
    ranges = study.ranges
    return told | {
        "parts": [_group(one) for one in study.parts], "operators": [_group(one) for one in study.operators],
        "trials": study.anova.trials, "anova": _method(study.anova),
        "average-and-range": _method(study.average_and_range),
        "ranges": None if ranges is None else {
            "mean": ranges.mean, "limit": ranges.limit,
            "beyond": [{"operator": operator, "part": part} for operator, part in ranges.beyond]}}


def verdict_told(verdict: Verdict) -> dict[str, Any]:
    return {"word": verdict.word, "words": list(verdict.words), "source": verdict.source}


def _group(one: Group) -> dict[str, Any]:
    told = {"name": one.name, "count": one.count, "mean": one.mean, "smallest": one.smallest, "largest": one.largest}
    return told if one.mean_range is None else told | {"mean-range": one.mean_range}


def _method(study: GaugeStudy) -> dict[str, Any]:
    return {"method": study.method, "interaction": study.interaction, "categories": study.categories,
            "components": {one.name: {"deviation": one.deviation, "variance": one.variance, "of-total": one.of_total,
                                      "contribution": one.contribution, "of-tolerance": one.of_tolerance}
                           for one in study.components},
            "table": [{"source": row.source, "degrees": row.degrees, "squares": row.squares,
                       "mean-square": row.mean_square, "f": row.f, "p": row.p} for row in study.anova],
            "notes": list(study.notes)}


def master_told(found: OneMaster, master: str, unit: str) -> dict[str, Any]:
    """Repeatability and bias on one master."""
    study = found.study
    return {"master": master, "unit": unit, "size": found.size, "tolerance": found.tolerance,
            "count": study.summary.count, "mean": study.summary.mean, "bias": study.bias, "bias-low": study.bias_low,
            "bias-high": study.bias_high, "t": study.t, "p": study.p, "biased": study.significant,
            "repeatability": study.repeatability, "of-tolerance": study.of_tolerance,
            "spread-index": found.spread_index, "place-index": found.place_index,
            "smallest": study.summary.smallest, "largest": study.summary.largest,
            "verdict": verdict_told(found.verdict), "notes": list(found.notes),
            "readings": [_check(one) for one in found.checks]}


def drift_told(found: Drift, master: str, unit: str) -> dict[str, Any]:
    """The drift of a column on one master."""
    line, crossing = found.trend, found.crossing
    return {"master": master, "unit": unit, "within": found.within, "count": len(found.checks),
            "words": list(found.words),
            "trend": None if line is None else {
                "slope": line.slope, "slope-low": line.slope_low, "slope-high": line.slope_high,
                "intercept": line.intercept, "p": line.p, "residual": line.residual, "significant": line.significant},
            "crossing": None if crossing is None else {"day": crossing.day, "earliest": crossing.earliest,
                                                       "latest": crossing.latest, "bound": crossing.bound},
            "checks": [{**_check(one), "days": day} for one, day in zip(found.checks, found.days, strict=True)]}


def _check(one: Check) -> dict[str, Any]:
    told = {"seq": one.seq, "time": one.time, "value": one.value, "verdict": one.verdict, "flags": list(one.flags)}
    return told if one.size is None else told | {"size": one.size, "deviation": one.deviation}
