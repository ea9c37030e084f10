"""What a topic has found, and the one table of it."""

import statistics
import sys
from typing import NamedTuple


class Figure(NamedTuple):
    """One line of the table.  `is_met`: whether the goal is; None where there is none."""

    what: str
    goal: str
    measured: str
    stand: str
    is_met: bool | None = None


def median(values: list[float]) -> float:
    return statistics.median(values)


def at(values: list[float], share: float) -> float:
    """The value below which that share lies: 0.5 the median, 0.99 …"""
    return sorted(values)[min(len(values) - 1, int(len(values) * share))]


def spread(values: list[float], form: str = "{:,.0f}") -> str:
    """The median of the runs, with the lowest and the highest."""
    middle, low, high = (form.format(one) for one in (median(values), min(values), max(values)))
    return middle if low == high else f"{middle} ({low} to {high})"


def say(text: str) -> None:
    """How it goes, for who waits; not part of the table."""
    print(text, file=sys.stderr, flush=True)


def table(figures: list[Figure]) -> str:
    """Markdown; a goal that was missed says so, but in the short form, which times nothing."""
    lines = ["| what | goal | measured | with |", "| --- | --- | --- | --- |"]
    for one in figures:
        missed = " **missed**" if one.is_met is False and "--short" not in sys.argv else ""
        lines.append(f"| {one.what} | {one.goal} | {one.measured}{missed} | {one.stand} |")
    return "\n".join(lines)
