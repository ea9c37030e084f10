"""The lists at a report's end, as rows of text: what was in doubt, checks on masters, events.

Knows: how many rows a page bears; that the tables beside it have all of them.
Must not know: figures, files.
"""

from collections.abc import Sequence
from typing import Any

from collector.logs import plain
from collector.report import shown
from collector.report.made import Report

SHOWN_ROWS = 40


def cut(rows: Sequence[Any], count: int, table: str, kept: int | None = None) -> tuple[str, Sequence[Any]]:
    """What is said of a list that is cut short (`""`: it is whole), and the rows that are shown.

    `kept`: so many are in the table, where that is not all of `count` either.
    """
    if count <= SHOWN_ROWS:
        return "", rows
    all_of = "all" if kept is None or kept == count else f"the first {kept:,}"
    return f"The first {SHOWN_ROWS} of {count:,}; {all_of} in the table {table}.csv.", rows[:SHOWN_ROWS]


def listed(report: Report, lettered: dict[int, str]) -> dict[str, Any]:
    """`doubts`, `checks`, `events` as (columns, rows), with `checks_words`, `events_words` for lists cut short."""
    around = report.around
    checks_words, checks = cut(around.checks, len(around.checks), "checks")
    events_words, events = cut(around.events, len(around.events), "events")
    return {
        "doubts": (_columns("record", "column", "master", "seq in doubt", "last good check", "failed check"),
                   [[str(one.seq), _circuit(one), plain(one.master), f"{one.first} to {one.last}",
                     shown.time(one.since), shown.time(one.until)] for one in around.doubts]),
        "checks_words": checks_words,
        "checks": (_columns("seq", "time", "column", "master", ">read", ">off by", "verdict", "when"),
                   [[str(one.seq), shown.time(one.time), _circuit(one), plain(one.master) + " (gain)" * one.is_gain,
                     f"{one.value} {shown.unit(one.unit)}".strip(), shown.off(one),
                     plain(f"{one.verdict or 'not judged'} {one.side}".strip()), one.when] for one in checks]),
        "events_words": events_words,
        "events": (_columns("seq", *(["mark"] if lettered else []), "time", "port", "event", "says"),
                   [[str(one.seq), *([lettered.get(one.seq, "")] if lettered else []), shown.time(one.time),
                     plain(one.port), plain(one.event), plain(one.words)] for one in events])}


def _columns(*names: str) -> list[tuple[str, bool]]:
    """`>` before a name: of numbers."""
    return [(name.removeprefix(">"), name.startswith(">")) for name in names]


def _circuit(one: Any) -> str:
    return plain("/".join(filter(None, (one.port, one.channel))))
