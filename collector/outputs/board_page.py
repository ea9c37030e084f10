"""A board as one HTML file: what the template needs, and the policy by which nothing else can run in it.

Knows: the template's names; how places become percents.
Must not know: what is shown and why; files, folders.  The template engine is loaded when a page is made.
"""

import base64
import hashlib
from decimal import Decimal
from functools import cache
from typing import Any

from msgspec import Struct

from collector.outputs.board_tile import Mark
from collector.outputs.board_view import View

_FAULTS, _LINES, _OUTS = 3, 4, 3


class Times(Struct, frozen=True):
    """`stamp`: another at each writing; `written_ms`: since 1970; the page looks for a new one each `every_ms`, and
    says that it is old after `stale_ms` without."""

    stamp: str
    written_ms: int
    every_ms: int
    stale_ms: int


def page(view: View, times: Times) -> str:
    """The file's text."""
    from collector.pages import render
    style, script = _pieces()
    return render("board.html", view=view, times=times, style=style, script=script, percent=percent, marks=marks,
                  version=_digest(style + script)[:16], style_digest=_digest(style), script_digest=_digest(script),
                  faults=view.faults[:_FAULTS], lines=view.lines[:_LINES], outs=view.outs[:_OUTS],
                  more=[len(view.faults) - _FAULTS, len(view.lines) - _LINES, len(view.outs) - _OUTS])


@cache
def _pieces() -> tuple[str, str]:
    """Style and script as they stand in the file, to the letter: the policy names their digests."""
    from collector.pages import render
    return render("board-style.html"), render("board-script.html")


def _digest(text: str) -> str:
    return base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


def percent(place: Decimal) -> str:
    return f"{place:.1f}%"


def marks(last: tuple[Mark, ...]) -> list[dict[str, Any]]:
    """The last twenty in hundredths of a box, the newest at the right; from the top, the upper limit is at 25, the
    lower at 75."""
    found = []
    for at, mark in enumerate(last):
        height = Decimal("0.5") if mark.place is None else min(max(mark.place, Decimal("-0.3")), Decimal("1.3"))
        found.append({"x": 97 - 5 * (len(last) - 1 - at), "y": 75 - 50 * height, "verdict": mark.verdict,
                      "side": mark.side})
    return found
