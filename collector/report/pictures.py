"""The charts of a report, from its figures: which values, limits and marks go into each, and what stands below it.

Knows: which events are bad news, when a chart is thinned, and that it must say so.
Must not know: how a chart is drawn.
"""

from bisect import bisect_left
from itertools import groupby
from string import ascii_lowercase

from msgspec import Struct

from collector.pages.report_charts import Control, Level, Mark, control_charts, histogram, is_thinned, run_chart
from collector.report import shown
from collector.report.around import Around
from collector.report.figures import Characteristic, Set
from collector.report.lot import VERDICTS, JudgedBy
from collector.report.made import Report

_BAD = ("port-lost", "lost", "silent", "unanswered", "journal-renewed", "interrupted", "internal", "order-refused",
        "settings-changed")
_MOST_LETTERED = len(ascii_lowercase)
_FAILED = tuple(code for code, (verdict, _) in enumerate(VERDICTS) if verdict == "fail")


class Picture(Struct, frozen=True):
    """A chart and what stands below it."""

    svg: str                                              # safe: of pages.charts.svg
    caption: str


def marks(report: Report) -> dict[int, str]:
    """Letters for the events, by seq; none where there are more than letters."""
    events = report.around.events
    return {} if len(events) > _MOST_LETTERED else {
        one.seq: letter for one, letter in zip(events, ascii_lowercase)}


def run_picture(report: Report, one: Characteristic, name: str, lettered: dict[int, str]) -> Picture:
    """All values of a characteristic, those in doubt too."""
    group, around = one.group, report.around
    out = [at for at, code in enumerate(group.verdicts, 1) if code in _FAILED] if any(
        each.all.counts.failed for each in one.sets) else []
    doubted = _spans(group.doubted) if one.doubted else []
    checks = [Mark(bisect_left(group.seqs, check.seq), check.verdict == "fail") for check in around.checks
              if _is_of(check, one)]
    events = [Mark(bisect_left(group.seqs, event.seq), event.event in _BAD, lettered.get(event.seq, ""))
              for event in around.events]
    picture = run_chart(f"Values of {name} in their order", list(map(float, one.values)), shown.unit(one.unit),
                        _levels(one), out, doubted, events, checks)
    return Picture(picture, _caption(one, around, bool(out), bool(doubted), bool(events), bool(checks), bool(lettered)))


def _is_of(check: object, one: Characteristic) -> bool:
    """A check of one of its circuits; a derived value has none, and so shows all."""
    circuits = {circuit for circuit in one.group.circuits if circuit[0]}
    return not circuits or (check.port, check.channel) in circuits


def _caption(one: Characteristic, around: Around, out: bool, doubted: bool, events: bool, checks: bool,
             lettered: bool) -> str:
    words = ["Dashed: limits; dotted: nominal."]
    if out:
        words.append("Cross: out of limits.")
    if doubted:
        words.append("Hatched: suspect, made between a good check and a failed one.")
    if checks:
        words.append("Masters: open diamond a check that passed, cross one that failed.")
    if events:
        words.append(f"Events: bars, {'lettered as' if lettered else 'all'} in the list of events.")
    if is_thinned(len(one.values)):
        words.append(f"Thinned: {len(one.values):,} values are drawn as strokes from the smallest to the largest of "
                     "each column of the picture, so that none lies outside what is drawn.")
    return " ".join(words)


def _levels(one: Characteristic) -> list[Level]:
    """Spans of values with the same limits, in order."""
    by = one.group.by
    if len(one.judged) == 1:
        return [_level(one.judged[0], 1, len(by))]
    spans, begin = [], 0
    for number, run in groupby(by):
        many = sum(1 for _ in run)
        spans.append(_level(one.judged[number], begin + 1, begin + many))
        begin += many
    return spans


def _level(judged: JudgedBy, first: int, last: int) -> Level:
    return Level(first, last, *("" if value is None else format(value, "f")
                                for value in (judged.nominal, judged.lower, judged.upper)))


def _spans(flags: bytearray) -> list[tuple[int, int]]:
    """First and last place (from 1) of each run of what is set."""
    found, at = [], flags.find(1)
    while at >= 0:
        end = flags.find(0, at)
        end = len(flags) if end < 0 else end
        found.append((at + 1, end))
        at = flags.find(1, end)
    return found


def set_pictures(one: Characteristic, each: Set, name: str) -> tuple[str | None, Picture | None]:
    """Histogram and control charts of the values that are not in doubt; None where there are none, or too few."""
    if not each.values:
        return None, None
    floats = list(map(float, each.values))
    bars = histogram(f"How often each size of {name} came", floats, shown.unit(one.unit), float(10.0 ** -one.decimals),
                     _level(each.judged, 1, len(floats)))
    charts = each.charts
    if charts is None:
        return bars, None
    pair = [Control(chart.what, chart.points, chart.centre, chart.lower, chart.upper,
                    sorted({signal.at + 1 for signal in chart.signals}), 2 if chart.what == "moving range" else 1)
            for chart in (charts.location, charts.spread)]
    along = "value" if charts.size == 1 else f"subgroup of {charts.size} values"
    picture = control_charts(f"Control charts of {name}", pair, shown.unit(one.unit), along,
                             shown.digits(each, one.decimals))
    caption = "Ring: a point that completes a pattern of a rule." + (
        " Thinned like the chart above; of many rings in one place the outermost are drawn."
        if is_thinned(len(charts.location.points)) else "")
    return bars, Picture(picture, caption)
