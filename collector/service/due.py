"""Which masters are due, and what is in force: the part of `status` that comes from the measuring.

Knows: when a check ends and by what.
Must not know: how status is written or shown.

Called by the thread that writes the status file while the worker goes on: everything is read once, nothing is changed.
"""

from collections import Counter
from typing import Any

from collector.clock import text_of
from collector.measuring.characteristic import Characteristic, Master
from collector.measuring.masters import CALIBRATION, FAILED, Book, ends, state
from collector.service.cell import Cell

GOOD = "good"


def masters_due(cell: Cell, wall_ns: int) -> list[dict[str, Any]]:
    """One entry for each master of each characteristic: its state, the last check, and when it is due; where the
    difference of two was checked, one for that too (`master` names both).

    `in-force`: whether the characteristic is measured now, so that a check that is due needs a person.
    """
    ones = cell.plan.characteristics
    claims = Counter(one.channel for one in ones)
    found = []
    for one in ones:
        if one.masters:
            measured, channel = _is_in_force(cell, one, claims), cell.memory.channels.get(one.channel)
            found += [{"channel": one.channel, "part": one.part, "characteristic": one.name, **told,
                       "in-force": measured}
                      for told in _told(one, channel.book if channel else Book(), wall_ns)]
    return found


def in_force(cell: Cell) -> dict[str, dict[str, str]]:
    """The context of each port that has any."""
    ports = {port: dict(held) for port, held in list(cell.memory.fields.ports.items())}
    return {port: {field: one.text for field, one in held.items()} for port, held in ports.items() if held}


def _told(one: Characteristic, book: Book, wall_ns: int) -> list[dict[str, Any]]:
    found = [_master(one, master, book, wall_ns) for master in one.masters]
    if len(one.masters) > 1:
        name = "+".join(master.name for master in ends(one))
        check = book.checks.get(name)
        if check is not None and check.at_ns:
            found.append({"master": name, "state": FAILED if check.failed else GOOD, "last": text_of(check.at_ns),
                          "deviation": f"{check.deviation:f} {one.unit.value}"})
    return found


def _master(one: Characteristic, master: Master, book: Book, wall_ns: int) -> dict[str, Any]:
    check = book.checks.get(master.name)
    told: dict[str, Any] = {"master": master.name, "state": _state(master, book, wall_ns)}
    if check is not None and check.at_ns:
        told |= {"last": text_of(check.at_ns), "deviation": f"{check.deviation:f} {one.unit.value}"}
        if master.every_ns is not None and check.good_ns:
            told["due"] = text_of(check.good_ns + master.every_ns)
        if master.parts is not None and check.good_ns:
            told["parts-left"] = max(0, master.parts - (book.count - check.good_count))
    if master.due_ns is not None:
        told["calibrated-until"] = text_of(master.due_ns)
    return told


def _state(master: Master, book: Book, wall_ns: int) -> str:
    """The check first: a failed one says that the column is off now, a calibration that is due only that it may be."""
    found = state(master, book, wall_ns)
    if not found and master.due_ns is not None and wall_ns >= master.due_ns:
        return CALIBRATION
    return found or GOOD


def _is_in_force(cell: Cell, one: Characteristic, claims: Counter[str]) -> bool:
    held = cell.memory.fields.ports.get(one.channel.partition("/")[0], {}).get("part")
    if held is not None:
        return held.text == one.part
    return claims[one.channel] == 1
