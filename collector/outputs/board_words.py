"""The words of a board: its states, what a fault means and what to do about it, times of day.

Knows: the states of a channel, what each is called and what a person should do.
Must not know: where they come from, how they are drawn.
"""

from datetime import datetime
from typing import Any

from msgspec import Struct


class State(Struct, frozen=True):
    """`tone`: good, bad, doubt, lost or idle; `do`: what a person should do now, in a few words; `has_value`: the value
    shown is of what is on the column now."""

    word: str
    side: str
    tone: str
    do: str
    has_value: bool = False


SHOWN = {
    "pass": State("PASS", "", "good", "", True),
    "fail-above": State("FAIL", "above", "bad", "Set the part aside.", True),
    "fail-below": State("FAIL", "below", "bad", "Set the part aside.", True),
    "undecided-above": State("UNDECIDED", "above", "doubt", "Measure again, or ask.", True),
    "undecided-below": State("UNDECIDED", "below", "doubt", "Measure again, or ask.", True),
    "measured": State("MEASURED", "", "idle", "", True),
    "no-part": State("NO PART", "", "idle", ""),
    "not-read": State("NOT READ", "", "doubt", "Measure again."),
    "silent": State("SILENT", "", "lost", "Is the column on, its cable in?"),
    "no-line": State("NO LINE", "", "lost", "Is the adapter plugged in?"),
    "master-due": State("MASTER DUE", "", "doubt", "Check the column on its master.", True),
    "master-failed": State("MASTER FAILED", "", "bad", "Trust no part of it. Clean, check again.", True),
    "master-good": State("MASTER GOOD", "", "idle", "Put a part on.", True),
    "nothing": State("NOTHING YET", "", "idle", ""),
    "stopped": State("STOPPED", "", "lost", "Have the collector started."),
}

PASSED = ("pass", "measured", "no-part", "master-good")
"""States that look well, and must not while a master is due."""

_REASONS = {
    "no-match": "what came fits no format", "number": "its number can't be read", "unit": "its unit is not known",
    "channel": "its channel is not known", "checksum": "its checksum is wrong", "encoding": "bytes that are no text",
    "line-error": "disturbed on the line", "too-long": "longer than a frame may be", "cut": "a part of it is missing",
    "internal": "a fault in the collector",
}
_MASTERS = {
    "failed-master-check": "last check failed", "overdue-master": "check is overdue",
    "no-master-check": "not checked yet", "master-calibration-due": "its calibration has run out",
}


def reason_words(reason: str) -> str:
    """Why a frame could not be read, for somebody who has never seen a frame."""
    return _REASONS.get(reason, "could not be read")


def after_master(one: dict[str, Any]) -> str:
    """What is the matter with a master: an entry of the status file's `masters`."""
    return _MASTERS.get(one.get("state", ""), "is due")


def short(text: str, most: int) -> str:
    """At most so many characters, the rest being dots; no control character, no change of the direction of writing."""
    text = "".join(char if char.isprintable() else "\N{REPLACEMENT CHARACTER}" for char in str(text)[:most + 1])
    return text if len(text) <= most else f"{text[:most - 1]}…"


def clock_text(text: str) -> str:
    """A time of the contract as the clock on the wall has it; with its date, unless it is of today."""
    try:
        at = datetime.fromisoformat(text).astimezone()
    except (ValueError, OverflowError):
        return short(text, 19)
    return at.strftime("%H:%M:%S" if at.date() == datetime.now().date() else "%Y-%m-%d %H:%M")
