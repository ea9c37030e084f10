"""A report's tables as CSV (RFC 4180, UTF-8, header line), and the whole of it as JSON: every digit, every row.

Knows: columns; that a text must not become a formula and a number is never touched.
Must not know: pages, where files lie.
"""

import csv
import io
from collections.abc import Iterable, Iterator
from decimal import Decimal
from typing import Any

import msgspec
from msgspec import Struct

from collector import __version__
from collector.outputs.csv_file import guarded
from collector.record import number
from collector.report.figures import Characteristic, Figures, Set, signalled
from collector.report.made import Report
from collector.statistics.capability import Index

Row = dict[str, Any]
_OF_CHART = ("what", "centre", "lower", "upper", "sigma")


def tables(report: Report) -> dict[str, bytes]:
    """Name -> the CSV file's bytes; each is there, with its header alone where it has no rows."""
    return {name: _csv(columns, rows(report)) for name, (columns, rows) in _TABLES.items()}


def as_json(report: Report, command: str) -> bytes:
    """Everything but the values themselves (`collector export` has those), numbers as plain digits."""
    told: Row = {
        "version": __version__, "made": report.made.isoformat(timespec="seconds"),
        "asked": dict(report.selection.words()), "wanted": report.wanted, "trace": report.trace, "command": command,
        "characteristics": [_told(one) for one in report.characteristics],
        "without-size": [{"part": part, "characteristic": name, "records": many} for part, name, many in report.empty],
        "parts": list(_yields(report)), "checks": list(_checks(report)), "events": list(_events(report)),
        "suspects": report.around.doubts,
        "unread": report.around.unread, "reasons": report.around.reasons, "over-range": report.around.over_range,
        "serial-changes": report.around.serial_changes}
    return msgspec.json.format(msgspec.json.encode(_plain(told)), indent=2)


def _plain(value: Any) -> Any:
    """Structs as objects, decimals and floats as plain digits."""
    if isinstance(value, Decimal):
        return number(value)
    if isinstance(value, float):
        return number(Decimal(repr(value)))
    if isinstance(value, Struct):
        value = {name: getattr(value, name) for name in value.__struct_fields__}
    if isinstance(value, dict):
        return {str(key).replace("_", "-"): _plain(one) for key, one in value.items()}
    return [_plain(one) for one in value] if isinstance(value, list | tuple) else value


def _told(one: Characteristic) -> Row:
    group = one.group
    return {"part": group.part, "characteristic": group.name, "unit": one.unit, "count": len(one.values),
            "suspect": one.doubted, "without-size": group.without_size, "kinds": dict(group.kinds),
            "lots": dict(group.lots), "operators": dict(group.operators), "flags": dict(group.flags),
            "sets": [_told_set(each) for each in one.sets]}


def _told_set(each: Set) -> Row:
    charts = each.charts
    return {"number": each.number, "judged": each.judged, "first-seq": each.first, "last-seq": each.last,
            "all": each.all, "without-suspect": each.sound, "capability": each.capability, "stability": each.steady,
            "charts": None if charts is None else {
                "subgroup": charts.size, "within": charts.within, "degrees": charts.degrees,
                "left-over": charts.left_over,
                **{name: {key: getattr(chart, key) for key in _OF_CHART}
                   for name, chart in (("location", charts.location), ("spread", charts.spread))}},
            "no-chart": each.no_chart,
            "signals": signalled(each)}


def _csv(columns: tuple[str, ...], rows: Iterable[Row]) -> bytes:
    text = io.StringIO(newline="")
    lines = csv.writer(text, lineterminator="\r\n")
    lines.writerow(columns)
    lines.writerows([_cell(row[name]) for name in columns] for row in rows)
    return text.getvalue().encode("utf-8")


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, str):
        return guarded(value)
    if isinstance(value, float):
        value = Decimal(repr(value))
    return bytes(number(value)).decode() if isinstance(value, Decimal) else str(value)


def _figures(report: Report) -> Iterator[Row]:
    for one in report.characteristics:
        for each in one.sets:
            for which, figures in (("all", each.all), ("without-suspect", each.sound)):
                if figures is not None:
                    yield _figure_row(one, each, which, figures)


def _figure_row(one: Characteristic, each: Set, which: str, figures: Figures) -> Row:
    summary, counts, judged = figures.summary, figures.counts, each.judged
    row = {"part": one.group.part, "characteristic": one.group.name, "set": each.number, "values": which,
           "unit": one.unit, "nominal": judged.nominal, "lower": judged.lower, "upper": judged.upper,
           "first-seq": each.first, "last-seq": each.last, "count": summary.count, "mean": summary.mean,
           "deviation": summary.deviation, "median": summary.median, "smallest": summary.smallest,
           "largest": summary.largest, "autocorrelation": summary.autocorrelation, "pass": counts.passed,
           "fail": counts.failed,
           "fail-below": counts.below, "fail-above": counts.above, "undecided": counts.undecided,
           "undecided-below": counts.undecided_below, "undecided-above": counts.undecided_above,
           "unjudged": counts.unjudged}
    is_charted = figures is each.figures                  # charts and indices are of these
    for name in ("pp", "ppk", "cp", "cpk"):
        found: Index | None = getattr(each.capability, name) if is_charted else None
        row |= {name: found and found.value, f"{name}-low": found and found.low, f"{name}-high": found and found.high}
    row |= {"confidence": each.capability.confidence if is_charted else None,
            "within": each.charts.within if is_charted and each.charts else None,
            "stable": ("yes" if each.steady.stable else "no") if is_charted and each.steady else "",
            "why": "; ".join((*each.capability.why, *(each.steady.why if each.steady else ()))) if is_charted else ""}
    return row


def _signals(report: Report) -> Iterator[Row]:
    for one in report.characteristics:
        for each in one.sets:
            for signal in signalled(each):
                yield {"part": one.group.part, "characteristic": one.group.name, "set": each.number, **_plain(signal)}


def _out(report: Report) -> Iterator[Row]:
    for one in report.characteristics:
        for out in one.group.out:
            yield {"part": one.group.part, "characteristic": one.group.name, "seq": out.seq, "time": out.time,
                   "serial": out.serial, "lot": out.lot, "operator": out.operator, "value": out.value, "unit": out.unit,
                   "verdict": out.verdict, "side": out.side, "suspect": "yes" if out.suspect else "no"}


def _flags(report: Report) -> Iterator[Row]:
    for one in report.characteristics:
        for flag, many in sorted(one.group.flags.items()):
            yield {"part": one.group.part, "characteristic": one.group.name, "flag": flag, "values": many}


def _yields(report: Report) -> Iterator[Row]:
    for one in report.yields:
        yield {"part": one.part, "parts": one.count, "pass": one.passed, "fail": one.failed, "undecided": one.undecided,
               "not-complete": one.incomplete, "no-verdict": one.unjudged, "with-suspect": one.suspect}


def _checks(report: Report) -> Iterator[Row]:
    for one in report.around.checks:
        sizes = {name: Decimal(text) if (text := getattr(one, name)) else None
                 for name in ("value", "deviation", "nominal", "lower", "upper")}
        yield {"seq": one.seq, "time": one.time, "port": one.port, "channel": one.channel,
               "characteristic": one.characteristic, "master": one.master, **sizes, "unit": one.unit,
               "verdict": one.verdict, "side": one.side, "of": "gain" if one.is_gain else "size", "when": one.when}


def _events(report: Report) -> Iterator[Row]:
    for one in report.around.events:
        yield {"seq": one.seq, "time": one.time, "port": one.port, "event": one.event, "words": one.words}


def _suspects(report: Report) -> Iterator[Row]:
    for one in report.around.doubts:
        yield {"seq": one.seq, "time": one.time, "port": one.port, "channel": one.channel, "part": one.part,
               "characteristic": one.characteristic, "master": one.master, "first": one.first, "last": one.last,
               "since": one.since, "until": one.until, "failed": one.failed}


_NAMED = ("part", "characteristic")
_TABLES = {
    "figures.csv": ((*_NAMED, "set", "values", "unit", "nominal", "lower", "upper", "first-seq", "last-seq", "count",
                     "mean", "deviation", "median", "smallest", "largest", "autocorrelation", "pass", "fail",
                     "fail-below", "fail-above", "undecided", "undecided-below", "undecided-above", "unjudged",
                     *(f"{name}{end}" for name in ("pp", "ppk", "cp", "cpk") for end in ("", "-low", "-high")),
                     "confidence", "within", "stable", "why"), _figures),
    "signals.csv": ((*_NAMED, "set", "chart", "point", "value", "rule", "seqs"), _signals),
    "out.csv": ((*_NAMED, "seq", "time", "serial", "lot", "operator", "value", "unit", "verdict", "side", "suspect"),
                _out),
    "flags.csv": ((*_NAMED, "flag", "values"), _flags),
    "parts.csv": (("part", "parts", "pass", "fail", "undecided", "not-complete", "no-verdict", "with-suspect"),
                  _yields),
    "checks.csv": (("seq", "time", "port", "channel", "characteristic", "master", "value", "deviation", "nominal",
                    "lower", "upper", "unit", "verdict", "side", "of", "when"), _checks),
    "events.csv": (("seq", "time", "port", "event", "words"), _events),
    "suspects.csv": (("seq", "time", "port", "channel", "part", "characteristic", "master", "first", "last", "since",
                      "until", "failed"), _suspects),
}
