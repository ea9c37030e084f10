"""Charts as inline SVG: drawn by matplotlib on light paper, text kept as text, the same data giving the same bytes.

Knows: paper, ink, colours and marks that do not need colour to be told apart; how many points are too many to draw.
Must not know: records, the journal, what is charted.

A chart is made so:  `with drawing(): figure, axes = paper(760, 260); ...; text = svg(figure, "Run chart", "in words")`.
"""

import io
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import matplotlib
import numpy as np
from markupsafe import Markup, escape
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.ticker import ScalarFormatter

INK, SOFT, GRID = "#14242b", "#47575e", "#dbe2e4"
PETROL, RUST, AMBER, VIOLET = "#0a5566", "#a5320f", "#8a5a00", "#5d3a8f"
"""For values, limits and alarms, warnings, masters: each at least 4.5:1 on white, apart without red or green too."""

PIXELS_AN_INCH = 100
COLUMNS = 640
"""So many columns a thinned line has: about one for each pixel of a chart over the whole page."""

_STYLE = {
    "svg.fonttype": "none", "svg.hashsalt": "collector", "text.parse_math": False, "axes.formatter.useoffset": False,
    "font.family": "sans-serif", "font.sans-serif": ["DejaVu Sans"], "font.size": 8.6, "axes.titlesize": 8.6,
    "axes.labelsize": 8.6, "xtick.labelsize": 8.2, "ytick.labelsize": 8.2, "legend.fontsize": 8.2,
    "text.color": INK, "axes.labelcolor": INK, "xtick.color": INK, "ytick.color": INK, "axes.edgecolor": SOFT,
    "axes.spines.top": False, "axes.spines.right": False, "axes.linewidth": 0.8, "grid.color": GRID,
    "grid.linewidth": 0.7, "lines.linewidth": 1.1, "hatch.linewidth": 0.6, "path.simplify": False,
    "figure.facecolor": "white", "axes.facecolor": "white", "legend.frameon": False, "figure.dpi": PIXELS_AN_INCH,
}
_BEFORE = re.compile(r"^.*?(?=<svg)", re.DOTALL)
_METADATA = re.compile(r"\s*<metadata>.*?</metadata>", re.DOTALL)
_GROUP_ID = re.compile(r'<g id="[^"]*">')
_STYLE_SHEET = re.compile(r"\s*<defs>\s*<style[^>]*>\*\{[^}]*\}</style>\s*</defs>")    # it would rule the whole page
_SIZES = re.compile(r' (?:width|height|version)="[^"]*"')


@contextmanager
def drawing() -> Iterator[None]:
    """The house's style for what is drawn within; matplotlib's own settings are as before behind it."""
    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(_STYLE)
        yield


def paper(width: int, height: int, rows: int = 1, **more: Any) -> tuple[Figure, Any]:
    """A sheet of `width` x `height` CSS pixels and its axes, one below the other; `more` goes to `Figure.subplots`."""
    figure = Figure(figsize=(width / PIXELS_AN_INCH, height / PIXELS_AN_INCH), layout="constrained")
    figure.get_layout_engine().set(w_pad=0.06, h_pad=0.05)
    return figure, figure.subplots(rows, 1, **more)


def svg(figure: Figure, title: str, words: str) -> Markup:
    """The sheet as an SVG element for the middle of an HTML page; `title` and `words` are for who can't see it."""
    text = io.StringIO()
    FigureCanvasSVG(figure).print_svg(text, metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    found = _BEFORE.sub("", text.getvalue(), count=1)
    for pattern, instead in ((_METADATA, ""), (_STYLE_SHEET, ""), (_GROUP_ID, "<g>")):
        found = pattern.sub(instead, found)
    head, rest = found.split(">", 1)
    return Markup(f'{_SIZES.sub("", head)} role="img" style="stroke-linejoin: round; stroke-linecap: butt">\n'
                  f"<title>{escape(title)}</title>\n<desc>{escape(words)}</desc>{rest}")


def tidy(axes: Axes, unit: str = "", along: str = "") -> None:
    """Digits without an offset or an exponent, a quiet grid along the sizes, names of both axes."""
    form = ScalarFormatter(useOffset=False)
    form.set_scientific(False)
    axes.yaxis.set_major_formatter(form)
    axes.grid(axis="y")
    axes.set_axisbelow(True)
    axes.set_ylabel(unit)
    axes.set_xlabel(along)


def is_thinned(count: int, columns: int = COLUMNS) -> bool:
    """Whether so many points are drawn as an envelope."""
    return count > 2 * columns


def envelope(values: Sequence[float], columns: int = COLUMNS) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Where each column begins (index), and the smallest and largest value in it: no value lies outside."""
    found = np.asarray(values, dtype=float)
    starts = np.unique(np.linspace(0, len(found), min(columns, len(found)), endpoint=False).astype(int))
    return starts, np.minimum.reduceat(found, starts), np.maximum.reduceat(found, starts)


def line(axes: Axes, values: Sequence[float], first: float = 1, colour: str = PETROL, columns: int = COLUMNS) -> None:
    """Values in their order from `first` on: each a point, or, where they are too many, what each column spans."""
    if not is_thinned(len(values), columns):
        at = np.arange(len(values)) + first
        mark = 3.4 if len(values) <= 150 else 2.2
        axes.plot(at, values, color=colour, marker="o", markersize=mark, markeredgewidth=0, linewidth=0.8)
        return
    starts, low, high = envelope(values, columns)
    ends = np.append(starts[1:], len(values))
    at = (starts + ends - 1) / 2 + first
    axes.fill_between(at, low, high, color=colour, alpha=0.25, linewidth=0)
    gaps = np.full(len(at), np.nan)
    axes.plot(np.repeat(at, 3), np.column_stack([low, high, gaps]).ravel(), color=colour, linewidth=0.9)
    alone = low == high                                   # a stroke of no length would not be seen
    axes.plot(at[alone], low[alone], color=colour, linestyle="", marker="o", markersize=1.5, markeredgewidth=0)


def few(at: Sequence[float], values: Sequence[float], last: float, columns: int = COLUMNS) -> list[int]:
    """Which of some marks to draw: of those in one column of a chart that ends at `last`, the lowest and highest."""
    if len(at) <= columns:
        return list(range(len(at)))
    kept: dict[int, tuple[int, int]] = {}
    for place, (x, y) in enumerate(zip(at, values)):
        low, high = kept.get(column := int(x / last * columns), (place, place))
        kept[column] = place if y < values[low] else low, place if y > values[high] else high
    return sorted({place for pair in kept.values() for place in pair})


def name_levels(axes: Axes, levels: Sequence[tuple[float, str, str]]) -> None:
    """Texts right of the chart at their levels (level, text, colour), moved apart where they would overlap."""
    low, high = axes.get_ylim()
    room = 16 / (axes.get_position().height * axes.figure.get_figheight() * PIXELS_AN_INCH)
    placed: list[float] = []
    for level, text, colour in sorted(levels):
        wanted = (level - low) / (high - low)
        placed.append(max([wanted, *(one + room for one in placed[-1:])]))
        axes.annotate(text, (1, wanted), (1.012, placed[-1]), xycoords="axes fraction", textcoords="axes fraction",
                      color=colour, va="center", annotation_clip=False)
