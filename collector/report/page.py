"""A report as a page: what a person sees, in what order, and in which words.

Knows: the template's blocks, which lists are cut short for the page (their tables never are).
Must not know: how figures are worked out, files.
"""

from collections import Counter
from collections.abc import Iterable
from typing import Any

from collector import __version__
from collector.logs import plain
from collector.pages import render
from collector.report import shown
from collector.report.figures import Characteristic, Figures, Set, signalled
from collector.report.lists import cut, listed
from collector.report.made import Report
from collector.report.pictures import marks, run_picture, set_pictures
from collector.statistics.capability import ENOUGH
from collector.statistics.rules import RULES

Table = tuple[list[tuple[str, bool]], list[list[str]]]
_KINDS = {"measurement": "measured", "sweep": "turns", "derived": "derived from others"}
_INDICES = (("Pp", "pp", "spread of all values against the limits"),
            ("Ppk", "ppk", "the same, and where their mean lies"),
            ("Cp", "cp", "spread within against the limits"),
            ("Cpk", "cpk", "the same, and where the mean lies"))


def page(report: Report, command: str, tables: dict[str, str]) -> str:
    """The HTML text.  `command`: prints the digest again; `tables`: name of each table beside the page -> SHA-256."""
    lettered = marks(report)
    return render("report.html", title=title(report), asked=report.selection.words(), version=__version__,
                  made=report.made.strftime("%Y-%m-%d %H:%M:%S UTC"), trace=report.trace, facts=_facts(report),
                  heeds=_heeds(report), overview=_overview(report),
                  characteristics=[_characteristic(report, one, lettered) for one in report.characteristics],
                  empty=[(plain(part), plain(name), many) for part, name, many in report.empty], yields=_yields(report),
                  around=report.around, command=plain(command), tables=tables, confidence=_percent(report),
                  plain=plain, time=shown.time, **listed(report, lettered))


def title(report: Report) -> str:
    """What it is about, in a line."""
    told = [f"{word} {plain(text)}" for word, text in report.selection.words() if word in ("lot", "part", "serial")]
    words = ", ".join(told) or "All readings"
    return words[0].upper() + words[1:]


def _percent(report: Report) -> str:
    return f"{100 * report.wanted.confidence:.4g} %"


def _name(one: Characteristic) -> str:
    return plain(" ".join(text for text in (one.group.part, one.group.name) if text))


def _facts(report: Report) -> list[tuple[str, str, str]]:
    """(word, figure, more) of the head."""
    ones = report.characteristics
    values = sum(len(one.values) for one in ones)
    failed, undecided = (sum(getattr(each.all.counts, name) for one in ones for each in one.sets)
                         for name in ("failed", "undecided"))
    doubted, unread = sum(one.doubted for one in ones), sum(report.around.unread.values())
    trace = report.trace
    found = [("values", f"{values:,}", f"of {len(ones)} characteristic{'s' * (len(ones) != 1)}"),
             ("from", shown.time(trace.since), "UTC"), ("to", shown.time(trace.until), "UTC"),
             ("out of limits", f"{failed:,}", f"{shown.percent(failed, values)} of the values")]
    if undecided:
        found.append(("undecided", f"{undecided:,}", "within the uncertainty of a limit"))
    found.append(("suspect", f"{doubted:,}",
                  "in doubt by a failed check" if doubted else "no failed check behind them"))
    if count := sum(one.count for one in report.yields):
        passed = sum(one.passed for one in report.yields)
        found.append(("whole parts good", shown.percent(passed, count), f"{passed:,} of {count:,}"))
    found.append(("frames not read", f"{unread:,}", "on the same ports meanwhile"))
    return found


def _heeds(report: Report) -> list[tuple[str, str]]:
    """What must not be missed: (word, sentence)."""
    found = []
    if doubted := [one for one in report.characteristics if one.doubted]:
        each = ", ".join(f"{_name(one)} {one.doubted:,} of {len(one.values):,}" for one in doubted)
        found.append(("Suspect", f"{sum(one.doubted for one in doubted):,} values were made between a good check of "
                      f"the column and one that failed ({each}). Find these parts and measure them again. They are "
                      "shown, and counted apart; control charts and indices are made without them."))
    for one in report.characteristics:
        if len(one.sets) > 1:
            found.append(("Other limits", f"the limits of {_name(one)} changed within this report: its figures are "
                          f"given for each of {len(one.sets)} sets of limits, never across them."))
        if len(one.recorded_units) > 1:
            units = " and ".join(map(shown.unit, one.recorded_units))
            found.append(("Units", f"{_name(one)} was recorded in {units}; it is shown in {shown.unit(one.unit)}, "
                          "converted exactly."))
    if flagged := sum(one.group.flags.get("failed-master-check", 0) for one in report.characteristics):
        found.append(("Failed check", f"{flagged:,} values were made while the column's last check was a failed one."))
    return found


def _overview(report: Report) -> Table:
    columns = [("characteristic", False), ("limits", False), ("count", True), ("mean", True), ("deviation", True),
               ("out", True), ("Ppk", True), ("Cpk", True), ("process", False)]
    rows = []
    for one in report.characteristics:
        for each in one.sets:
            summary, decimals = each.figures.summary, shown.digits(each, one.decimals)
            rows.append([_name(one) + (f", set {each.number}" if len(one.sets) > 1 else ""), shown.limits(each.judged),
                         f"{summary.count:,}", shown.figure(summary.mean, decimals),
                         shown.figure(summary.deviation, decimals), f"{each.all.counts.failed:,}",
                         shown.index(each.capability.ppk)[0], shown.index(each.capability.cpk)[0],
                         _process(each)])
    return columns, rows


def _process(each: Set) -> str:
    """Whether it is stable; that few values show no change says nothing."""
    if each.steady is None:
        return shown.NONE
    if not each.steady.stable:
        return "not stable"
    return "too few to say" if each.figures.summary.count < ENOUGH else "stable"


def _yields(report: Report) -> Table:
    columns = [("part", False), *((name, True) for name in ("parts", "pass", "fail", "undecided", "not complete",
                                                            "no verdict", "good", "with a suspect value"))]
    return columns, [[plain(one.part) or "(not said)", *(f"{many:,}" for many in (
        one.count, one.passed, one.failed, one.undecided, one.incomplete, one.unjudged)),
        shown.percent(one.passed, one.count), f"{one.suspect:,}"] for one in report.yields]


def _characteristic(report: Report, one: Characteristic, lettered: dict[int, str]) -> dict[str, Any]:
    group = one.group
    found = run_picture(report, one, _name(one), lettered)
    said = [", ".join(f"{many:,} {_KINDS.get(kind, kind)}" for kind, many in sorted(group.kinds.items()))]
    if circuits := [plain("/".join(filter(None, circuit))) for circuit in group.circuits if circuit[0]]:
        said.append(f"from {', '.join(circuits)}")
    for word, counts in (("lots", group.lots), ("operators", group.operators)):
        if names := _few(counts):
            said.append(f"{word}: {names}")
    if group.without_size:
        said.append(f"{group.without_size:,} more without a size")
    out_words, out = cut(group.out, group.out_count, "out", len(group.out))
    return {"name": plain(group.name), "part": plain(group.part), "run": found.svg, "caption": found.caption,
            "said": "; ".join(said), "out_words": out_words,
            "out": ([("seq", False), ("time", False), ("serial", False), ("lot", False), ("operator", False),
                     ("value", True), ("verdict", False)],
                    [[str(each.seq), shown.time(each.time), plain(each.serial), plain(each.lot), plain(each.operator),
                      f"{shown.size(each.value)} {shown.unit(each.unit)}",
                      plain(f"{each.verdict} {each.side}".strip()) + ", suspect" * each.suspect] for each in out]),
            "flags": ([("flag", False), ("values", True), ("share", True)],
                      [[plain(flag), f"{many:,}", shown.percent(many, len(group.values))]
                       for flag, many in sorted(group.flags.items())]),
            "sets": [_set(one, each) for each in one.sets]}


def _few(counts: Counter[str], most: int = 8) -> str:
    """Texts with how often each was said; nothing where none was."""
    if not any(counts):
        return ""
    named = [f"{plain(text) or '(not said)'} ({many:,})" for text, many in sorted(counts.items())]
    return ", ".join(named[:most]) + (f" and {len(named) - most} more" if len(named) > most else "")


def _set(one: Characteristic, each: Set) -> dict[str, Any]:
    name = f"{_name(one)}, set {each.number}" if len(one.sets) > 1 else _name(one)
    histogram, control = set_pictures(one, each, name)
    decimals, all_signals = shown.digits(each, one.decimals), signalled(each)
    words, signals = cut(all_signals, len(all_signals), "signals")
    rules = "".join(f" {rule}: {RULES[rule]}." for rule in dict.fromkeys(signal.rule for signal in all_signals))
    return {"number": each.number, "limits": shown.limits(each.judged), "histogram": histogram, "control": control,
            "seqs": f"{each.first} to {each.last}", "unit": shown.unit(one.unit), "sound_only": each.sound is not None,
            "figures": _figure_table(each, one.unit, decimals),
            "indices": ([("index", False), ("value", True), ("interval", False), ("what it compares", False)],
                        [[label, *shown.index(getattr(each.capability, key)), what] for label, key, what in _INDICES]),
            "why": each.capability.why, "has_limits": each.judged.lower is not None or each.judged.upper is not None,
            "steady": each.steady, "process": _process(each),
            "no_chart": each.no_chart, "charts": each.charts, "signal_words": f"{words}{rules}",
            "signal_count": f"{len(all_signals):,}",
            "signal_rows": ([("seq", False), ("point", True), ("chart", False), ("rule", False)],
                            [[signal.seqs, f"{signal.point:,}", signal.chart, signal.rule] for signal in signals]),
            "by_chance": f"{each.steady.by_chance:,.1f}" if each.steady else "",
            "within": shown.figure(each.charts.within, decimals) if each.charts else shown.NONE,
            "lag": shown.figure(each.figures.summary.autocorrelation, 2)}


def _figure_table(each: Set, unit: str, decimals: int) -> Table:
    """The figures as they are, and without what is in doubt where something is."""
    shown_ones = [each.all] if each.sound is None else [each.all, each.sound]
    names = ["values"] if each.sound is None else ["all", "without suspect"]
    cells = [_cells(one, each.all, decimals) for one in shown_ones]
    return ([(shown.unit(unit), False), *((name, True) for name in names)],
            [list(row) for row in zip(_labels(each.all), *cells, strict=True)])


def _labels(one: Figures) -> Iterable[str]:
    yield from ("count", "mean", "standard deviation", "median", "smallest", "largest", "pass", "out, below",
                "out, above")
    if one.counts.undecided:
        yield from ("undecided, below", "undecided, above")
    if one.counts.unjudged:
        yield "without a verdict"


def _cells(one: Figures, every: Figures, decimals: int) -> Iterable[str]:
    summary, counts = one.summary, one.counts
    yield f"{summary.count:,}"
    yield from (shown.figure(figure, decimals) for figure in (summary.mean, summary.deviation))
    yield from (shown.size(size) for size in (summary.median, summary.smallest, summary.largest))
    yield from (f"{many:,}" for many in (counts.passed, counts.below, counts.above))
    if every.counts.undecided:
        yield from (f"{many:,}" for many in (counts.undecided_below, counts.undecided_above))
    if every.counts.unjudged:
        yield f"{counts.unjudged:,}"
