"""Choose the captured frames that a format keeps as its examples: the telling ones.

Knows: how an example is written.
Must not know: how frames are read.
"""

from collector.draft.proof import Outcome
from collector.record import Frame, OverRange, Reading, Unread, escape

_LEAST, _MOST = 3, 6


def examples_of(outcomes: list[tuple[Frame, Outcome]], encoding: str) -> list[dict[str, object]]:
    """Three to six: a negative value, each channel and text, over-range, one that is not read."""
    chosen: dict[str, dict[str, object]] = {}
    seen: set[tuple[str, str]] = set()
    for frame, found in outcomes:
        text = escape(frame.data, encoding)
        if text in chosen or isinstance(found, Unread):
            continue
        told = {one for reading in found for one in _told(reading)}
        kinds = {isinstance(one, OverRange) for one in found}
        if told <= seen and (len(chosen) >= _LEAST
                             or isinstance(found[0], OverRange)) or len(kinds) != 1 or len(chosen) >= _MOST - 1:
            continue
        seen |= told
        chosen[text] = {"frame": text, "over-range": "true"} if kinds == {True} else {
            "frame": text, "readings": [{**one.said, "value": f"{one.value:f}", "unit": one.unit} for one in found]}
    unread = next(((frame, found) for frame, found in outcomes if isinstance(found, Unread) and not frame.fault
                   and found.reason != "unit"), None)
    return [*chosen.values(), *([{"frame": escape(unread[0].data, encoding), "unread": unread[1].reason}] if unread
                                else [])]


def _told(one: Reading | OverRange) -> set[tuple[str, str]]:
    if isinstance(one, OverRange):
        return {("over-range", one.text)}
    sign = "negative" if one.value < 0 else "positive"
    return {("sign", sign), ("unit", one.unit),
            *((name, text) for name, text in one.said.items() if name in ("channel", "status", "kind"))}
