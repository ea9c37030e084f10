"""What the command `study` does, verb by verb: files and journal in; tables, lines for a terminal and files out.

Knows: what each verb reads and writes, and in which order, so that nothing half made is left.
Must not know: options, markup, how a figure is worked out.
"""

from collections.abc import Callable, Collection, Iterable
from decimal import Decimal
from pathlib import Path
from typing import Any

from msgspec import Struct

from collector.clock import Stamps, SystemClock
from collector.config.plan import read_plan
from collector.errors import CollectorError
from collector.journal import JournalReader, journal_path
from collector.measuring.characteristic import Characteristic, Master
from collector.measuring.units import EXACT
from collector.statistics.gauge_study import Trial
from collector.study import told as tell
from collector.study.figures import Study, work_out
from collector.study.following import Following
from collector.study.masters import Check, checks_of, study_drift, study_master
from collector.study.beside import Beside
from collector.study.naming import characteristic_of, unnamed, ways
from collector.study.planning import (MOST_OPERATORS, MOST_PARTS, MOST_TRIALS, PlanRefused, StudyPlan, draw, names,
                                      plan_json, read_study)
from collector.study.table import read_table
from collector.study.telling import drift_lines, master_lines, plan_lines, progress_lines, study_lines
from collector.study.told import json_text
from collector.study.writing import csv_text, page_bytes, refuse_taken, write_new, write_page

__all__ = ["Showing", "To", "drift", "json_text", "master", "plan", "read"]

Said = tuple[dict[str, Any], list[str]]
"""What is printed as JSON, and the same as lines."""

Span = tuple[int | None, int | None]
"""From when (included) and until when, in microseconds since 1970."""

_FIGURES = ("method", "component", "deviation", "variance", "of-total", "contribution", "of-tolerance")


class To(Struct, frozen=True):
    """Where a page is to go (None: nowhere); `force`: over whatever file is there.  Raises CollectorError."""

    page: Path | None = None
    force: bool = False

    def __post_init__(self) -> None:
        if self.page is not None and self.page.suffix != ".html":
            raise CollectorError(f"{self.page}: a page is a file .html; its tables get the same name")


def plan(config: Path, of: str, parts: str, operators: str, trials: int, seed: int, to: Path) -> Said:
    """Draw a study and write its plan, its table and its page.  Raises CollectorError."""
    cell = read_plan(config)
    one = characteristic_of(cell, of)
    if to.suffix != ".json":
        raise PlanRefused(f"{to}: a plan is a file .json; its table and its page get the same name")
    if not 2 <= trials <= MOST_TRIALS:
        raise PlanRefused(f"{trials} trials; from 2 to {MOST_TRIALS} are possible")
    serials = names(parts, 2, MOST_PARTS, "STUDY-{:02d}")
    who = names(operators, 1, MOST_OPERATORS, "operator-{}")
    files = [to, to.with_suffix(".csv"), to.with_suffix(".html")]
    refuse_taken(files)
    journal, after = _journal_now(cell.state)
    made = StudyPlan(site=cell.site, made=_now(), journal=journal, after=after, part=one.part, characteristic=one.name,
                     unit=one.unit.value, seed=seed, serials=serials, operators=who, trials=trials,
                     runs=draw(serials, who, trials, seed))
    found = ways(cell, one)
    told = tell.plan_told(made, found, [str(file) for file in files])
    from collector.study.page import plan_page             # jinja2, only where a page is made
    page = page_bytes(plan_page(made, told, unnamed(found)))
    table = csv_text(("run", "trial", "operator", "part", "value"),
                     [(run.run, run.trial, run.operator, run.serial, "") for run in made.runs])
    for file, data in zip(files, (plan_json(made), table, page), strict=True):
        write_new(file, data)
    return told, plan_lines(told, unnamed(found))


def _journal_now(state: Path) -> tuple[str, int]:
    if not journal_path(state).exists():
        return "", 0
    journal = JournalReader.open(state)
    try:
        return journal.name, journal.last()
    finally:
        journal.close()


class Showing:
    """A planned study, looked at as often as one likes; `write` makes its page of what was seen last."""

    def __init__(self, config: Path, path: Path, tolerance: Decimal | None, without: Collection[int],
                 despite: Collection[int], to: To):
        cell, self._plan = read_plan(config), read_study(path)
        one = characteristic_of(cell, f"{self._plan.part}/{self._plan.characteristic}")
        if one.unit.value != self._plan.unit:
            raise PlanRefused(f"{path} was made in {self._plan.unit}, the characteristic is in {one.unit.value} now: "
                              "plan anew")
        self._tolerance = tolerance or tolerance_of(one)
        self._to, self._config, self._path = to, config, path
        self._following = Following(self._plan, cell.state, without, despite)

    def __enter__(self) -> "Showing":
        return self

    def __exit__(self, *_: object) -> None:
        self._following.close()

    def look(self) -> tuple[dict[str, Any], list[str], bool]:
        """What there is by now; the figures only where the study is complete."""
        picked = self._following.look()
        progress = tell.progress_told(self._plan, picked, self._following.notes)
        lines = progress_lines(progress)
        self._told = {"what": f"{self._plan.part}/{self._plan.characteristic}", "progress": progress, "study": None}
        self._study = None
        if picked.is_complete:
            ordered = sorted(picked.counted, key=lambda one: (self._plan.operators.index(one.run.operator),
                                                              self._plan.serials.index(one.run.serial), one.run.trial))
            self._study = work_out([Trial(one.run.serial, one.run.operator, one.reading.value) for one in ordered],
                                   self._tolerance)
            self._told["study"] = tell.study_told(self._study, self._plan.unit)
            lines += ["", *study_lines(self._told["study"])]
        else:
            lines += ["", "No figures until it is complete."]
        return self._told, lines, picked.is_complete

    def write(self) -> None:
        """The page and its tables, where they were asked for.  Raises CollectorError: the study is not complete."""
        if self._to.page is None:
            return
        if self._study is None:
            raise CollectorError("The page was not written: the study is not complete.\n"
                                 + "\n".join(progress_lines(self._told["progress"])))
        readings = [(one["run"], one["trial"], one["operator"], one["serial"], one["value"], one["seq"], one["time"])
                    for one in self._told["progress"]["readings"]]
        odd = csv_text(("seq", "time", "part", "operator", "value", "unit", "counts", "why"),
                       [(one["seq"], one["time"], one["serial"], one["operator"], one["value"], one["unit"],
                         "yes" if one["counts"] else "no", one["why"]) for one in self._told["progress"]["doubts"]])
        source = f"records {self._plan.after + 1} on of journal {self._plan.journal}, by the plan {self._path.name}"
        _write_study(self._to, self._told, self._study, source, self._config, readings, {"odd.csv": odd})


def read(config: Path, table: Path, of: str | None, tolerance: Decimal | None, comma: bool, called: dict[str, str],
         to: To) -> Said:
    """A study out of a table.  Raises CollectorError, TableRefused."""
    cell = read_plan(config)
    one = characteristic_of(cell, of) if of else None
    lines = read_table(table, comma, called)
    study = work_out([Trial(line.part, line.operator, line.value) for line in lines],
                     tolerance or (tolerance_of(one) if one else None))
    told = {"what": f"{one.part}/{one.name}" if one else table.name,
            "study": tell.study_told(study, one.unit.value if one else "")}
    if to.page is not None:
        rows = [(number, line.trial or None, line.operator, line.part, line.value, None, None)
                for number, line in enumerate(lines, start=1)]
        _write_study(to, told, study, f"table {table.name}", config, rows, {})
    return told, study_lines(told["study"])


def _write_study(to: To, told: dict[str, Any], study: Study, source: str, config: Path, readings: Iterable[tuple],
                 more: dict[str, bytes]) -> None:
    from collector.study.page import study_page            # matplotlib, only where a page is made
    tables = {"readings.csv": csv_text(("run", "trial", "operator", "part", "value", "seq", "time"), readings)}
    if study.anova is not None:
        figures = [(name, key, *(each[column] for column in _FIGURES[2:])) for name in ("anova", "average-and-range")
                   for key, each in told["study"][name]["components"].items()]
        tables["figures.csv"] = csv_text(_FIGURES, figures)
    _write(to, config, tables | more, lambda beside: study_page(told, study, source, beside))


def master(config: Path, of: str, name: str | None, serial: str | None, size: Decimal | None,
           tolerance: Decimal | None, span: Span, to: To) -> Said:
    """Repeatability and bias on one master.  Raises CollectorError."""
    cell = read_plan(config)
    one = characteristic_of(cell, of)
    known = next((each for each in one.masters if each.name == serial), None) if serial else _master_of(one, name)
    true = size or (known.size if known else None)
    if true is None:
        raise CollectorError(f"the size of {serial!r} is not known; say it with --size")
    checks = _checks(cell.state, one, known.name if known else "", serial or "", span)
    if len(checks) < 2:
        raise CollectorError(f"{len(checks)} readings of {serial or known.name!r} on {one.channel or one.name}: "
                             "a study needs two at least")
    found = study_master(checks, true, tolerance or tolerance_of(one))
    told = tell.master_told(found, serial or known.name, one.unit.value)
    if to.page is not None:
        from collector.study.page import master_page
        _write_checks(to, checks, config, lambda beside: master_page(told, found, beside))
    return told, master_lines(told)


def drift(config: Path, of: str, name: str | None, span: Span, to: To) -> Said:
    """The drift on one master and its trend.  Raises CollectorError."""
    cell = read_plan(config)
    one = characteristic_of(cell, of)
    known = _master_of(one, name)
    found = study_drift(_checks(cell.state, one, known.name, "", span), known.within, one.unit)
    told = tell.drift_told(found, known.name, one.unit.value)
    if to.page is not None:
        from collector.study.page import drift_page
        _write_checks(to, found.checks, config, lambda beside: drift_page(told, found, beside))
    return told, drift_lines(told)


def _checks(state: Path, one: Characteristic, name: str, serial: str, span: Span) -> list[Check]:
    journal = JournalReader.open(state)
    try:
        kinds = ("measurement", "sweep") if serial else ("master",)
        return checks_of(journal.select(since_us=span[0], until_us=span[1], kinds=kinds), one, name, serial)
    finally:
        journal.close()


def _write_checks(to: To, checks: Iterable[Check], config: Path, text: Callable[[Beside], str]) -> None:
    data = csv_text(("seq", "time", "value", "size", "deviation", "verdict", "flags"),
                    [(one.seq, one.time, one.value, one.size, None if one.size is None else one.deviation, one.verdict,
                      ";".join(one.flags)) for one in checks])
    _write(to, config, {"readings.csv": data}, text)


def _write(to: To, config: Path, tables: dict[str, bytes], text: Callable[[Beside], str]) -> None:
    made = _now()
    write_page(to.page, tables, lambda files, digests: text(Beside(tuple(files), digests, config.name, made)), to.force)


def tolerance_of(one: Characteristic) -> Decimal | None:
    """The width between two limits; None where one is missing."""
    lower, upper = one.limits.lower, one.limits.upper
    return None if lower is None or upper is None else EXACT.subtract(upper, lower)


def _master_of(one: Characteristic, name: str | None) -> Master:
    if not one.masters:
        raise CollectorError(f"{one.part}/{one.name} names no masters")
    found = [each for each in one.masters if name in (None, each.name)]
    if len(found) != 1:
        raise CollectorError(f"which master? {one.part}/{one.name} has {', '.join(each.name for each in one.masters)}; "
                             "say --master NAME")
    return found[0]


def _now() -> str:
    return Stamps().text(SystemClock.wall_ns())
