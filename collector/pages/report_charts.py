"""The charts of a report: values in their order, how often each size came, and control charts.

Knows: how limits, values out of them, values in doubt, events and checks on masters look, without colour too.
Must not know: records; which values there are and what they are judged by is handed in.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.axis import Axis

from collector.pages.charts import (COLUMNS, INK, PETROL, RUST, SOFT, VIOLET, drawing, few, is_thinned, line,
                                    name_levels, paper, svg, tidy)

_WIDTH = 800
_MOST_BARS = 60
_RINGED = 80
_THOUSANDS = "{x:,.0f}"
_SIDES = (("lower", "--"), ("upper", "--"), ("nominal", ":"))


class Level(NamedTuple):
    """Limits as text of their digits (`""`: none), in force from value `first` to `last`, counted from 1."""

    first: int
    last: int
    nominal: str
    lower: str
    upper: str


class Mark(NamedTuple):
    """Something that happened behind value `at` (0: before the first), with a letter where it is listed by one."""

    at: float
    is_bad: bool = False
    letter: str = ""


def run_chart(title: str, values: Sequence[float], unit: str, levels: Sequence[Level], out: Sequence[int] = (),
              doubted: Sequence[tuple[int, int]] = (), events: Sequence[Mark] = (),
              checks: Sequence[Mark] = ()) -> Markup:
    """All values in their order with their limits; `out`: places (from 1) of values out of them."""
    last = len(values)
    with drawing():
        figure, (axes, lanes) = paper(_WIDTH, 360, 2, sharex=True, height_ratios=(5, 1.15))
        _suspects(axes, lanes, doubted)
        line(axes, values)
        _levels(axes, levels)
        picked = few(out, [values[at - 1] for at in out], last)
        axes.plot([out[at] for at in picked], [values[out[at] - 1] for at in picked], linestyle="", marker="X",
                  color=RUST, markersize=6, markeredgecolor="white", markeredgewidth=0.5)
        axes.set_xlim(0.5 - last / 100, last + 0.5 + last / 100)
        tidy(axes, unit)
        _lanes(lanes, events, checks, last)
        name_levels(axes, [(float(text), f"{side} {text}", SOFT if side == "nominal" else RUST)
                           for side, _ in _SIDES if levels and (text := getattr(levels[-1], side))])
        words = (f"{last} values between {min(values):.10g} and {max(values):.10g} {unit}; {len(out)} out of limits; "
                 f"{len(doubted)} spans in doubt; {len(events)} events; {len(checks)} checks on masters.")
        return svg(figure, title, words)


def _levels(axes: Axes, levels: Sequence[Level]) -> None:
    for number, level in enumerate(levels):
        for side, dashes in _SIDES:
            if text := getattr(level, side):
                axes.hlines(float(text), level.first - 0.5, level.last + 0.5, linestyle=dashes, linewidth=1.2,
                            color=SOFT if side == "nominal" else RUST)
        if number:
            axes.axvline(level.first - 0.5, color=INK, linewidth=1, linestyle=(0, (6, 3)))
            axes.annotate("other limits", (level.first - 0.5, 1), (2, -1), xycoords=("data", "axes fraction"),
                          textcoords="offset points", va="top")


def _suspects(axes: Axes, lanes: Axes, doubted: Sequence[tuple[int, int]]) -> None:
    for first, last in doubted:
        axes.axvspan(first - 0.5, last + 0.5, facecolor="#fff4dc", edgecolor="#c47f00", hatch="////", linewidth=0)
        lanes.axvspan(first - 0.5, last + 0.5, facecolor="#fff4dc", edgecolor="#c47f00", hatch="////", linewidth=0)


def _lanes(axes: Axes, events: Sequence[Mark], checks: Sequence[Mark], last: int) -> None:
    """Two lanes below the values: events with their letters, checks on masters; those in one column are one mark."""
    axes.set(ylim=(-0.55, 1.6), yticks=(0, 1), yticklabels=("masters", "events"))
    axes.tick_params(length=0)
    axes.set_xlabel("value, in the order of seq")
    _numbered(axes.xaxis)
    axes.spines["left"].set_visible(False)
    for height, marks in ((1, events), (0, checks)):
        for is_bad in (False, True):
            columns = {int(one.at / last * COLUMNS): one.at for one in marks if one.is_bad == is_bad}
            colour = RUST if is_bad else INK if height else VIOLET
            axes.plot([at + 0.5 for at in columns.values()], [height] * len(columns), linestyle="", color=colour,
                      marker="|" if height else "X" if is_bad else "D", markersize=7 if height or is_bad else 5,
                      markeredgewidth=1.8 if height else 0.8, markeredgecolor=colour,
                      markerfacecolor=colour if height or is_bad else "white")
    named: list[tuple[float, str]] = []
    for mark in events:
        if not mark.letter:
            continue
        if named and mark.at - named[-1][0] < last / 40:
            named[-1] = mark.at, f"{named[-1][1]} {mark.letter}"
        else:
            named.append((mark.at, mark.letter))
    for at, letters in named:
        axes.annotate(letters, (at + 0.5, 1), (4, 0), textcoords="offset points", va="center")


def histogram(title: str, values: Sequence[float], unit: str, step: float, level: Level) -> Markup:
    """How often each size came; bars are whole steps of the last decimal wide, so that none is wider than another."""
    counts = np.rint(np.asarray(values, dtype=float) / step).astype(np.int64)
    low, high = int(counts.min()), int(counts.max())
    wide = _bar(counts, high - low)
    start = (low // wide) * wide
    bars = np.bincount((counts - start) // wide)
    left = (start + np.arange(len(bars)) * wide - 0.5) * step
    with drawing():
        figure, axes = paper(440, 300)
        axes.bar(left, bars, width=wide * step, align="edge", color=PETROL, edgecolor="white", linewidth=0.4)
        _limits_above(axes, level)
        tidy(axes, "values", unit)
        _numbered(axes.yaxis)
        axes.ticklabel_format(axis="x", style="plain", useOffset=False)
        axes.locator_params(axis="x", nbins=5)
        words = (f"{len(values)} values in {len(bars)} bars, each {wide * step:.10g} {unit} wide, "
                 f"the highest {bars.max()}.")
        return svg(figure, title, words)


def _numbered(axis: Axis) -> None:
    """Whole numbers only: what is counted has no halves."""
    axis.get_major_locator().set_params(integer=True, min_n_ticks=1)
    axis.set_major_formatter(_THOUSANDS)


def _limits_above(axes: Axes, level: Level) -> None:
    """Lines across the bars, named above them; names that would lie on each other are one."""
    named: list[tuple[float, str, str]] = []
    for side, dashes in _SIDES:
        if text := getattr(level, side):
            colour = SOFT if side == "nominal" else RUST
            axes.axvline(float(text), color=colour, linestyle=dashes, linewidth=1.3)
            named.append((float(text), side, colour))
    low, high = axes.get_xlim()
    placed: list[tuple[float, str, str]] = []
    for at, text, colour in sorted(named):
        if placed and at - placed[-1][0] < (high - low) / 6:
            placed[-1] = placed[-1][0], f"{placed[-1][1]}, {text}", RUST
        else:
            placed.append((at, text, colour))
    for at, text, colour in placed:
        axes.annotate(text, (at, 1), (0, 2), xycoords=("data", "axes fraction"),
                      textcoords="offset points", ha="center", va="bottom", color=colour)


def _bar(counts: np.ndarray, span: int) -> int:
    """Width of a bar in steps: Freedman and Diaconis' (2 IQR / cube root of n), at least one step, at most 60 bars."""
    quarter, three = np.percentile(counts, [25, 75])
    wide = 2 * (three - quarter) / len(counts) ** (1 / 3)
    return max(1, round(wide), -(-(span + 1) // _MOST_BARS))


class Control(NamedTuple):
    """One control chart; `signals`: places of points, from 1; `first`: number of the first point."""

    name: str
    points: Sequence[float]
    centre: float
    lower: float
    upper: float
    signals: Sequence[int]
    first: int = 1


def _rings(chart: Control, last: int) -> list[int]:
    """The signals to draw: in each column the one farthest from the centre line, on either side of it."""
    kept: dict[tuple[int, bool], int] = {}
    for place in chart.signals:
        off = chart.points[place - 1] - chart.centre
        column = int(place / last * (COLUMNS if len(chart.signals) <= COLUMNS else _RINGED)), off > 0
        if column not in kept or abs(off) > abs(chart.points[kept[column] - 1] - chart.centre):
            kept[column] = place
    return list(kept.values())


def control_charts(title: str, charts: Sequence[Control], unit: str, along: str, digits: int) -> Markup:
    """Charts one below the other, the points of each at the numbers of the first."""
    last = max(len(chart.points) + chart.first - 1 for chart in charts)
    with drawing():
        figure, all_axes = paper(_WIDTH, 400, len(charts), sharex=True, height_ratios=(3, 2))
        for axes, chart in zip(all_axes, charts):
            line(axes, chart.points, chart.first)
            for level, dashes in ((chart.centre, "-"), (chart.lower, "--"), (chart.upper, "--")):
                axes.axhline(level, color=SOFT if dashes == "-" else RUST, linestyle=dashes, linewidth=1)
            rings = _rings(chart, last)
            size = 5 if is_thinned(len(chart.points)) else 8
            axes.plot([place + chart.first - 1 for place in rings], [chart.points[place - 1] for place in rings],
                      linestyle="", marker="o", markersize=size, markerfacecolor="none", markeredgecolor=RUST,
                      markeredgewidth=1.3)
            axes.set_xlim(0.5 - last / 100, last + 0.5 + last / 100)
            tidy(axes, f"{chart.name}, {unit}")
            name_levels(axes, [(chart.centre, f"centre {chart.centre:.{digits}f}", SOFT),
                               (chart.lower, f"lower {chart.lower:.{digits}f}", RUST),
                               (chart.upper, f"upper {chart.upper:.{digits}f}", RUST)])
        all_axes[-1].set_xlabel(along)
        _numbered(all_axes[-1].xaxis)
        words = "; ".join(f"{chart.name}: {len(chart.points)} points, centre {chart.centre:.{digits}f}, limits "
                          f"{chart.lower:.{digits}f} and {chart.upper:.{digits}f} {unit}, {len(chart.signals)} signals"
                          for chart in charts)
        return svg(figure, title, words)


__all__ = ["Control", "Level", "Mark", "control_charts", "histogram", "is_thinned", "run_chart"]
