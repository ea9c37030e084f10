"""A board on a terminal: what the page shows, in as many lines as there are; for a PC without a browser.

Knows: how large a channel can be in the room there is, shapes in plain letters, colours of a terminal.
Must not know: where what is shown comes from.
"""

import os
import sys
import textwrap
from math import ceil

from collector.logs import plain
from collector.outputs.board_tile import Bar, Tile
from collector.outputs.board_view import View

_SHAPES = {
    "pass": "(v)", "fail-above": "/^\\", "fail-below": "\\v/", "undecided-above": "<?>", "undecided-below": "<?>",
    "measured": "(=)", "no-part": "( )", "not-read": "[x]", "silent": "- -", "no-line": "-/-", "master-due": "<!>",
    "master-failed": "<X>", "master-good": "<v>", "nothing": "...", "stopped": "[ ]",
}
_COLOURS = {"good": "30;46", "bad": "1;97;41", "doubt": "30;43", "lost": "7", "idle": ""}
_NARROWEST, _TALLEST, _GOOD_HEIGHT, _FAULT_LINES = 25, 9, 5, 4


def has_colours() -> bool:
    """Whether to colour: on a terminal that can, unless NO_COLOR says otherwise (no-color.org)."""
    return sys.stdout.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM", "dumb") != "dumb"


def lines(view: View, width: int, height: int, colours: bool) -> list[str]:
    """At most `height` lines of at most `width` characters; nothing from the wire in them raw."""
    head, foot = _head(view, width), _foot(view, width)
    room = height - len(head) - len(foot)
    return [*head, *_tiles(view.tiles, width, room, colours), *foot]


def _head(view: View, width: int) -> list[str]:
    named = "  ".join(f"{word} {text}" for word, text in (("part", view.part), ("lot", view.lot)) if text)
    left = f"{view.site}  {named}"
    found = [_fit(left, width - len(view.at) - 1) + f" {view.at}"]
    if view.since:
        counts = "  ".join(f"{name} {number}" for name, number in view.counts.items())
        found.append(_fit(f"{counts}  since {view.since}", width))
    if not view.is_running:
        found.append(_fit("!!! THE COLLECTOR HAS STOPPED: nothing is recorded, this is the last that came !!!", width))
    return found


def _foot(view: View, width: int) -> list[str]:
    if not view.faults:
        return []
    found = [line for fault in view.faults
             for line in textwrap.wrap(plain(f"! {fault.what} {fault.do}"), width, subsequent_indent="  ")]
    if len(found) > _FAULT_LINES:
        found = [*found[:_FAULT_LINES - 1], _fit("  ... and more: see `status` without --board", width)]
    return found


def _tiles(tiles: tuple[Tile, ...], width: int, room: int, colours: bool) -> list[str]:
    if not tiles:
        return ["no channel yet: nothing was measured, no line is known"][:max(0, room)]
    most = max(1, width // _NARROWEST)
    across = next((n for n in range(1, most + 1) if room // ceil(len(tiles) / n) >= _GOOD_HEIGHT), most)
    tall = min(_TALLEST, room // ceil(len(tiles) / across))
    if tall < 1:                                         # not even a line for each
        tiles, tall = tiles[:max(0, room - 1) * across], 1
        more = ["... more channels than lines: see `status` without --board"]
    else:
        more = []
    wide, found = width // across, []
    for first in range(0, len(tiles), across):
        blocks = [_block(one, wide, tall, colours) for one in tiles[first:first + across]]
        found += ["".join(parts).rstrip() for parts in zip(*blocks)]
    return found + more


def _block(one: Tile, wide: int, tall: int, colours: bool) -> list[str]:
    """One channel, `tall` lines of exactly `wide` characters, the last of them a blank."""
    inner = wide - 1
    named = f"{one.name}  {one.where}" if one.where != one.name else one.name
    word = " ".join(filter(None, (one.shown.word, one.shown.side)))
    value = f"{one.value} {one.unit}".strip()
    if tall == 1:
        return [_inked(_fit(f" {_SHAPES[one.state]} {word} {one.name}", inner), one, colours) + " "]
    if tall == 2:                                        # the digits are never what is cut
        return [_fit(one.name, max(0, inner - len(value) - 1)) + f" {value} "[-wide:],
                _inked(_fit(f" {_SHAPES[one.state]} {word}", inner), one, colours) + " "]
    below = [f" {value or one.says}", f" {one.says if value else one.shown.do}", f" {_scale(one.bar, inner - 2)}"]
    below = below[:1 if tall < 5 else 2 if tall < 6 else 3]
    high = tall - 1 - len(below)
    large = " ".join(word) if len(word) * 2 + 12 <= inner else word
    block = [" " * inner] * high
    block[high // 2] = f"{_SHAPES[one.state]}  {large}  {_SHAPES[one.state]}".center(inner)[:inner]
    return [_fit(named, wide), *(_inked(line, one, colours) + " " for line in block),
            *(_fit(line, wide) for line in below)]


def _scale(bar: Bar | None, wide: int) -> str:
    """The limits as bars, the value between or beside them as a star."""
    if bar is None:
        return ""
    cells = ["-"] * wide
    for place, sign in ((bar.nominal, ":"), (bar.lower, "|"), (bar.upper, "|"), (bar.value, "*")):
        if place is not None:
            cells[min(wide - 1, int(place * wide / 100))] = sign
    return "".join(cells)


def _inked(text: str, one: Tile, colours: bool) -> str:
    colour = _COLOURS[one.shown.tone]
    return f"\x1b[{colour}m{text}\x1b[0m" if colours and colour else text


def _fit(text: str, width: int) -> str:
    """Exactly so many characters, none of them a control character."""
    text = plain(text)
    return text.ljust(width) if len(text) <= width else f"{text[:max(0, width - 1)]}~"[:width]
