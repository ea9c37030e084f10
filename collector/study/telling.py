"""What a study says, as lines for a terminal; nothing from a wire in them raw.

Knows: words and columns.
Must not know: how anything was worked out.
"""

from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from collector.logs import plain

_MOST = 20                                             # odd readings or missing runs listed on a terminal
COMPONENTS = {"repeatability": "repeatability (the gauge itself)", "reproducibility": "reproducibility (the operators)",
              "operator": "  operator to operator", "interaction": "  operator with part", "gauge": "gauge together",
              "part": "part to part", "total": "total"}


def digits(value: float | Decimal | None, figures: int = 4) -> str:
    """A figure in plain digits, so many that count; empty for None."""
    if value is None:
        return ""
    return f"{Decimal(f'{float(value):.{figures}g}'):f}"


def percent(value: float | None) -> str:
    return "" if value is None else f"{value:.1f}"


def chance(p: float | None) -> str:
    """A probability: `= 0.0123`, or `< 0.0001`."""
    if p is None:
        return ""
    return "< 0.0001" if p < 0.0001 else f"= {digits(p, 3)}"


def table(rows: Sequence[Sequence[str]]) -> list[str]:
    """Columns below one another."""
    shown = [[plain(cell) for cell in row] for row in rows]
    widths = [max(len(row[at]) for row in shown) for at in range(len(shown[0]))]
    return ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in shown]


def plan_lines(told: dict[str, Any], unnamed: Sequence[str]) -> list[str]:
    """A plan that was made."""
    said = [f"{len(told['runs'])} runs: {len(told['serials'])} parts x {len(told['operators'])} operators x "
            f"{told['trials']} trials of {told['part']}/{told['characteristic']}; seed {told['seed']}",
            *(f"written: {file}" for file in told["files"]), "",
            f"Label the parts {', '.join(told['serials'])}; the operators are {', '.join(told['operators'])}."]
    said += [f"{' and '.join(way['fields'])}: by {way['words']}." for way in told["named-by"]]
    said += [f"NOTHING NAMES THE {field.upper()} of a reading: give `context` a scanner or an order folder that sets "
             "it (README, context), or type the readings into a table and use `read`." for field in unnamed]
    return [plain(line) for line in said]


def progress_lines(told: dict[str, Any]) -> list[str]:
    """How far a study is, what is odd, what comes next."""
    said = [f"{told['part']}/{told['characteristic']}, planned {told['made'][:19]}Z: {told['counted']} of "
            f"{told['runs']} readings"]
    if told["next"]:
        run = told["next"]
        said.append(f"next: run {run['run']}, trial {run['trial']}: {run['operator']} measures {run['serial']}")
    said += told["notes"]
    doubts = told["doubts"]
    if doubts:
        said += ["", "What is odd, and what was done with it:",
                 *table([("seq", "time", "part", "operator", "value", "", "why"),
                         *((str(one["seq"]), one["time"][:19], one["serial"], one["operator"],
                            "" if one["value"] is None else f"{one['value']:f}",
                            "counts" if one["counts"] else "DOES NOT COUNT", one["why"]) for one in doubts[-_MOST:])]),
                 *([f"and {len(doubts) - _MOST} before these (--json has all)"] if len(doubts) > _MOST else [])]
    if told["others"]:
        said.append(f"{told['others']} readings named neither a part nor an operator of the study: not looked at.")
    if told["over-range"]:
        said.append(f"{told['over-range']} times over range with a part of the study on.")
    if told["missing"]:
        said += ["", f"Still missing, {len(told['missing'])}:",
                 *table([("run", "trial", "operator", "part"),
                         *((str(run["run"]), str(run["trial"]), run["operator"], run["serial"])
                           for run in told["missing"][:_MOST])])]
    return [plain(line) for line in said]


def study_lines(told: dict[str, Any]) -> list[str]:
    """The figures of a study and its verdict."""
    verdict = [*told["verdict"]["words"], f"By {told['verdict']['source']}"]
    if told["why"]:
        return [plain(line) for line in verdict]
    unit, said = told["unit"], []
    for name, title in (("anova", "Analysis of variance"), ("average-and-range", "Average and range")):
        one = told[name]
        rows = [(title, f"deviation {unit}".strip(), "% of total", "% of variance", "% of tolerance")]
        rows += [(COMPONENTS.get(key, key), digits(each["deviation"]), percent(each["of-total"]),
                  percent(each["contribution"]), percent(each["of-tolerance"]))
                 for key, each in one["components"].items()]
        said += [*table(rows), f"distinct categories: {one['categories']}", *one["notes"],
                 *([interaction_words(one)] if one["interaction"] else []), ""]
    ranges = told["ranges"]
    if ranges and ranges["beyond"]:
        said += [f"Ranges above their limit of {digits(ranges['limit'])}: "
                 + ", ".join(f"{one['operator']} at {one['part']}" for one in ranges["beyond"])
                 + ". Look for a reading that is wrong, and how it is measured there.", ""]
    return [plain(line) for line in [*said, *verdict]]


def interaction_words(method: dict[str, Any]) -> str:
    """Whether the interaction was kept, and what operator and part are tested against then."""
    if method["interaction"] == "pooled":
        return "Operator and part are tested against the repeatability that it is pooled into."
    row = next(one for one in method["table"] if one["source"] == "interaction")
    found = "" if row["p"] is None else f" (p {chance(row['p'])})"
    return (f"The interaction of operator and part is kept{found}: they are tested against it, and it counts as "
            "reproducibility.")


def master_lines(told: dict[str, Any]) -> list[str]:
    """Repeatability and bias on one master."""
    unit = told["unit"]
    said = [f"Master {told['master']}, {told['size']:f} {unit}: {told['count']} readings",
            f"bias {digits(told['bias'])} {unit} (95 %: {digits(told['bias-low'])} to {digits(told['bias-high'])}; "
            f"p {chance(told['p'])})",
            f"repeatability {digits(told['repeatability'])} {unit} (one standard deviation)"]
    if told["of-tolerance"] is not None:
        said.append(f"6 deviations are {percent(told['of-tolerance'])} % of the tolerance {told['tolerance']:f} {unit}")
    return [plain(line) for line in [*said, *told["notes"], "", *told["verdict"]["words"],
                                     f"By {told['verdict']['source']}"]]


def drift_lines(told: dict[str, Any]) -> list[str]:
    """The drift of a column on one master."""
    checks = told["checks"]
    span = f" from {checks[0]['time'][:10]} to {checks[-1]['time'][:10]}" if checks else ""
    said = [f"Master {told['master']}: {told['count']} checks{span}"]
    return [plain(line) for line in [*said, *told["words"]]]
