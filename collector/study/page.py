"""The pages of a study: the sheet to print for a plan, the study itself, a master.

Knows: which table and chart stands where; templates.
Must not know: how a figure was worked out.
"""

from datetime import datetime
from itertools import groupby
from typing import Any

from collector.pages import render
from collector.pages import study_charts as charts
from collector.study.beside import Beside
from collector.study.figures import Study
from collector.study.masters import Drift, OneMaster
from collector.study.planning import StudyPlan
from collector.study.telling import COMPONENTS, chance, digits, interaction_words, percent

_SHOWN = ("gauge", "repeatability", "reproducibility", "operator", "interaction", "part")
_MOST = 500                                            # odd readings on a page; the table beside it has all


def plan_page(plan: StudyPlan, told: dict[str, Any], unnamed: list[str]) -> str:
    """Who measures which part when, with boxes to tick."""
    blocks = [(trial, operator, list(runs))
              for (trial, operator), runs in groupby(plan.runs, key=lambda run: (run.trial, run.operator))]
    return render("study-plan.html", plan=plan, ways=told["named-by"], unnamed=unnamed, blocks=blocks)


def study_page(told: dict[str, Any], study: Study, source: str, beside: Beside) -> str:
    """The study; `told` holds `progress` where it was picked out of a journal.  """
    decimals = max(0, *(-one.value.as_tuple().exponent for one in study.trials)) + 1
    drawn = {} if study.anova is None else _charts(study, told["study"]["unit"])
    return render("study.html", told=told["study"], progress=told.get("progress"), what=told["what"], source=source,
                  beside=beside, charts=drawn, digits=digits, percent=percent,
                  chance=chance, mean=lambda value: f"{value:.{decimals}f}", components=COMPONENTS,
                  interaction_words=interaction_words, most=_MOST)


def _charts(study: Study, unit: str) -> dict[str, Any]:
    operators, parts = [one.name for one in study.operators], [one.name for one in study.parts]
    cells: dict[tuple[str, str], list[float]] = {}
    for one in study.trials:
        cells.setdefault((one.operator, one.part), []).append(float(one.value))
    shown = [one for name in _SHOWN for one in study.anova.components if one.name == name]
    found = {"components": charts.components_chart([COMPONENTS[one.name].strip() for one in shown],
                                                   [one.of_total for one in shown],
                                                   [one.of_tolerance for one in shown]),
             "by_part": charts.by_part_chart(operators, parts, cells, unit),
             "by_operator": charts.by_operator_chart(operators, parts, cells, unit), "ranges": ""}
    if study.ranges is not None:
        found["ranges"] = charts.ranges_chart(operators, parts, [float(one) for one in study.ranges.values],
                                              study.ranges.mean, study.ranges.limit, unit)
    return found


def master_page(told: dict[str, Any], found: OneMaster, beside: Beside) -> str:
    """Repeatability and bias on one master."""
    deviations = [float(one.value - found.size if one.size is None else one.deviation) for one in found.checks]
    tenth = None if found.tolerance is None else float(found.tolerance) / 10
    chart = charts.master_chart(deviations, float(found.study.bias), tenth, told["unit"])
    return render("study-master.html", told=told, chart=chart, beside=beside, digits=digits,
                  percent=percent, chance=chance)


def drift_page(told: dict[str, Any], found: Drift, beside: Beside) -> str:
    """The drift of a column on one master."""
    chart = ""
    if found.checks:
        at = [datetime.fromisoformat(one.time) for one in found.checks]
        line = found.trend
        ends = None if line is None or not line.significant else (line.intercept,
                                                                  line.intercept + line.slope * found.days[-1])
        chart = charts.drift_chart(at, [float(one.deviation) for one in found.checks], ends,
                                   None if found.within is None else float(found.within), told["unit"])
    return render("study-drift.html", told=told, chart=chart, beside=beside, digits=digits,
                  chance=chance)
