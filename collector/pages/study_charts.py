"""The charts of a gauge study: where the spread comes from, part by part, operator by operator; a master over time.

Knows: how each is drawn so that it reads without colour: a shape and a line of its own for each operator.
Must not know: records, how a figure was worked out, what a chart is for.
"""

import math
import warnings
from collections.abc import Mapping, Sequence
from datetime import datetime

from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter
from matplotlib.figure import Figure

from collector.logs import plain
from collector.pages.charts import AMBER, GRID, INK, PETROL, RUST, SOFT, VIOLET, drawing, paper, svg, tidy

_LOOKS = tuple((colour, mark, dashes) for mark, colour, dashes in (
    ("o", PETROL, "-"), ("s", RUST, "--"), ("^", VIOLET, "-."), ("D", AMBER, ":"), ("v", INK, (0, (6, 1, 1, 1, 1, 1))),
    ("P", PETROL, (0, (1, 1))), ("X", RUST, (0, (8, 2)))))
_LONGEST = 14
_WIDE, _HALF = 780, 480

Cells = Mapping[tuple[str, str], Sequence[float]]
"""(operator, part) -> the readings of that part by that operator."""


def components_chart(names: Sequence[str], of_total: Sequence[float], of_tolerance: Sequence[float | None]) -> Markup:
    """Each component in percent of the whole spread and, where there is one, of the tolerance."""
    judged = all(one is not None for one in of_tolerance)
    with drawing():
        figure, axes = paper(_WIDE, 70 + (44 if judged else 30) * len(names))
        height = 0.36 if judged else 0.6
        rows = range(len(names))
        lanes = [("of the whole spread", of_total, PETROL, "", -height / 2 if judged else 0)]
        if judged:
            lanes.append(("of the tolerance (6 deviations)", of_tolerance, "#e9c9be", "////", height / 2))
        for label, values, colour, hatch, off in lanes:
            axes.barh([at + off for at in rows], values, height * 0.86, color=colour, hatch=hatch,
                      edgecolor=RUST if hatch else colour, linewidth=0.7, label=label, zorder=2)
            for at, value in zip(rows, values, strict=True):
                axes.annotate(f"{value:.1f} %", (value, at + off), (4, 0), textcoords="offset points", va="center",
                              zorder=4, bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6})
        widest = max(*of_total, *(of_tolerance if judged else ()), 40)
        for bound in (10, 30):
            axes.axvline(bound, color=INK, linewidth=0.9, linestyle=(0, (4, 3)), zorder=1)
        axes.set_xticks([0, 10, 30, *range(50, int(widest) + 1, 50 if widest < 300 else 100)])
        axes.set_xlim(0, widest * 1.12)
        axes.set_yticks(list(rows), list(names))
        axes.invert_yaxis()
        axes.tick_params(axis="y", length=0)
        axes.set_xlabel("percent; dashed: 10 and 30, the bounds of common practice for the gauge together")
        _legend(axes, 2)
        return _done(figure, "Where the spread comes from", "; ".join(
            f"{name}: {value:.1f} % of the whole spread" for name, value in zip(names, of_total, strict=True)))


def by_part_chart(operators: Sequence[str], parts: Sequence[str], cells: Cells, unit: str) -> Markup:
    """Every reading beside its part's middle, the means of each operator joined over it: lines that cross or part are
    an interaction."""
    with drawing():
        figure, axes = paper(_WIDE, 310)
        step = 0.62 / max(1, len(operators))
        for number, operator in enumerate(operators):
            colour, mark, dashes = _look(number)
            at = [place + (number - (len(operators) - 1) / 2) * step for place in range(len(parts))]
            points = [(x, value) for x, part in zip(at, parts, strict=True) for value in cells[operator, part]]
            axes.plot(*zip(*points, strict=True), linestyle="", marker=mark, markersize=4.2, markerfacecolor="none",
                      markeredgecolor=colour, markeredgewidth=0.9)
            axes.plot(range(len(parts)), [_mean(cells[operator, part]) for part in parts], color=colour,
                      linestyle=dashes, marker=mark, markersize=4.6, label=_shown(operator))
        for edge in range(len(parts) - 1):
            axes.axvline(edge + 0.5, color=GRID, linewidth=0.7)
        tidy(axes, unit, "part")
        _ticks(axes, range(len(parts)), parts)
        axes.set_xlim(-0.5, len(parts) - 0.5)
        _legend(axes, len(operators))
        return _done(figure, "Readings by part",
                     f"Readings of {len(parts)} parts by {len(operators)} operators; open: a reading, filled: a mean")


def by_operator_chart(operators: Sequence[str], parts: Sequence[str], cells: Cells, unit: str) -> Markup:
    """How far each reading lies from the mean of its part, operator by operator: parts are taken out of the picture."""
    means = {part: _mean([value for operator in operators for value in cells[operator, part]]) for part in parts}
    with drawing():
        figure, axes = paper(_HALF, 300)
        for number, operator in enumerate(operators):
            colour, mark, _ = _look(number)
            off = [value - means[part] for part in parts for value in cells[operator, part]]
            spread = [number + 0.5 * ((at + 0.5) / len(off) - 0.5) for at in range(len(off))]
            axes.plot(spread, off, linestyle="", marker=mark, markersize=3.6, markerfacecolor="none",
                      markeredgecolor=colour, markeredgewidth=0.8)
            axes.hlines(_mean(off), number - 0.36, number + 0.36, color=colour, linewidth=2.4)
        axes.axhline(0, color=SOFT, linewidth=0.8)
        tidy(axes, f"off the part's mean, {unit}" if unit else "off the part's mean", "operator (bar: mean)")
        _ticks(axes, range(len(operators)), operators)
        axes.set_xlim(-0.6, len(operators) - 0.4)
        return _done(figure, "Readings by operator", "Distance of each reading from the mean of its part, by operator")


def ranges_chart(operators: Sequence[str], parts: Sequence[str], ranges: Sequence[float], mean: float, limit: float,
                 unit: str) -> Markup:
    """The range of each operator's readings of each part, operator after operator, with mean and upper limit."""
    with drawing():
        figure, axes = paper(_HALF, 300)
        for number, _ in enumerate(operators):
            colour, mark, dashes = _look(number)
            first = number * len(parts)
            values = ranges[first:first + len(parts)]
            axes.plot(range(first, first + len(parts)), values, color=colour, linestyle=dashes, marker=mark,
                      markersize=4, linewidth=0.8)
            axes.plot(*_beyond(first, values, limit), linestyle="", marker="o", markersize=10, markerfacecolor="none",
                      markeredgecolor=RUST, markeredgewidth=1.6)
            if number:
                axes.axvline(first - 0.5, color=GRID, linewidth=0.8)
        axes.axhline(mean, color=SOFT, linewidth=0.9)
        axes.axhline(limit, color=RUST, linewidth=1.1, linestyle=(0, (5, 3)))
        tidy(axes, f"range, {unit}" if unit else "range", "operator, part after part (dashed: upper limit)")
        axes.set_ylim(0, max(limit, *ranges) * 1.08 or 1)
        _ticks(axes, [(number + 0.5) * len(parts) - 0.5 for number in range(len(operators))], operators)
        return _done(figure, "Ranges", f"Range of each operator's readings of each part; limit {limit:.4g}")


def master_chart(deviations: Sequence[float], mean: float, tenth: float | None, unit: str) -> Markup:
    """Readings on one master in their order, off its size; `tenth` of the tolerance to both sides."""
    with drawing():
        figure, axes = paper(_WIDE, 240)
        axes.plot(range(1, len(deviations) + 1), deviations, color=PETROL, marker="o", markersize=3.6, linewidth=0.8,
                  label="reading")
        axes.axhline(0, color=INK, linewidth=0.9)
        axes.axhline(mean, color=VIOLET, linewidth=1.3, linestyle=(0, (6, 2)), label="mean")
        if tenth is not None:
            for side in (-tenth, tenth):
                axes.axhline(side, color=RUST, linewidth=1.1, linestyle=(0, (2, 2)),
                             label="a tenth of the tolerance" if side > 0 else None)
        tidy(axes, f"off the master, {unit}", "reading")
        _legend(axes, 3)
        return _done(figure, "Readings on the master", f"{len(deviations)} readings; mean {mean:.4g} {unit} off it")


def drift_chart(at: Sequence[datetime], deviations: Sequence[float], ends: tuple[float, float] | None,
                within: float | None, unit: str) -> Markup:
    """Deviations on a master over time; `ends`: the trend's height at the first and the last, None: no trend."""
    with drawing():
        figure, axes = paper(_WIDE, 270)
        axes.plot(at, deviations, linestyle="", marker="o", markersize=3.8, color=PETROL, label="check")
        axes.axhline(0, color=SOFT, linewidth=0.8)
        if ends is not None:
            axes.plot([at[0], at[-1]], ends, color=VIOLET, linewidth=1.8, label="trend")
        if within is not None:
            for side in (-within, within):
                axes.axhline(side, color=RUST, linewidth=1.1, linestyle=(0, (5, 3)),
                             label="may read off so far" if side > 0 else None)
        tidy(axes, f"off the master, {unit}", "UTC")
        locator = AutoDateLocator()
        axes.xaxis.set_major_locator(locator)
        axes.xaxis.set_major_formatter(ConciseDateFormatter(locator))
        _legend(axes, 3)
        return _done(figure, "Drift", f"{len(at)} checks on the master over time")


def _done(figure: Figure, title: str, words: str) -> Markup:
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing")      # a viewer's fonts have it, or show a box
        return svg(figure, title, words)


def _look(number: int) -> tuple[str, str, object]:
    return _LOOKS[number % len(_LOOKS)]


def _mean(values: Sequence[float]) -> float:
    return math.fsum(values) / len(values)


def _beyond(first: int, values: Sequence[float], limit: float) -> tuple[list[int], list[float]]:
    found = [(first + at, value) for at, value in enumerate(values) if value > limit]
    return [at for at, _ in found], [value for _, value in found]


def _shown(text: str) -> str:
    shown = plain(text)
    return shown if len(shown) <= _LONGEST else f"{shown[:_LONGEST // 2]}…{shown[1 - _LONGEST // 2:]}"


def _ticks(axes: Axes, places: Sequence[float], names: Sequence[str]) -> None:
    """Names below the chart, upright, slanted where they would touch, and only some where they are very many."""
    every = math.ceil(len(names) / 40)
    shown = [_shown(name) for name in names]
    touching = max(map(len, shown)) * len(shown) > 1.1 * axes.figure.get_figwidth() * 10
    axes.set_xticks(list(places)[::every], shown[::every], rotation=40 if touching else 0,
                    ha="right" if touching else "center", rotation_mode="anchor" if touching else "default")


def _legend(axes: Axes, many: int) -> None:
    axes.legend(loc="lower left", bbox_to_anchor=(0, 1.0), ncols=min(many, 6), borderaxespad=0.2)
