"""Which masters are due, and what is in force: the part of `status` that comes from the measuring.

Knows: when a check ends and by what.
Must not know: how status is written or shown.

Called by the thread that writes the status file while the worker goes on: everything is read once, nothing is changed.
"""

from typing import Any

from collector.measuring.characteristic import Characteristic, Master
from collector.measuring.masters import CALIBRATION, Book, state
from collector.service.cell import Cell

GOOD = "good"


def masters_due(cell: Cell, wall_ns: int) -> list[dict[str, Any]]:
    """One entry for each master of each characteristic: its state, the last check, and when it is due.

    `in-force`: whether the characteristic is measured now, so that a check that is due needs a person.
    """
    return [_master(cell, one, master, wall_ns) for one in cell.plan.characteristics for master in one.masters]


def in_force(cell: Cell) -> dict[str, dict[str, str]]:
    """The context of each port that has any."""
    ports = {port: dict(held) for port, held in list(cell.memory.fields.ports.items())}
    return {port: {field: one.text for field, one in held.items()} for port, held in ports.items() if held}


def _master(cell: Cell, one: Characteristic, master: Master, wall_ns: int) -> dict[str, Any]:
    channel = cell.memory.channels.get(one.channel)
    book = channel.book if channel else Book()
    check = book.checks.get(master.name)
    told: dict[str, Any] = {"channel": one.channel, "part": one.part, "characteristic": one.name, "master": master.name,
                            "state": _state(master, book, wall_ns), "in-force": _is_in_force(cell, one)}
    if check is not None and check.at_ns:
        told |= {"last": cell.stamp(check.at_ns), "deviation": f"{check.deviation:f} {one.unit.value}"}
        if master.every_ns is not None and check.good_ns:
            told["due"] = cell.stamp(check.good_ns + master.every_ns)
        if master.parts is not None and check.good_ns:
            told["parts-left"] = max(0, master.parts - (book.count - check.good_count))
    if master.due_ns is not None:
        told["calibrated-until"] = cell.stamp(master.due_ns)
    return told


def _state(master: Master, book: Book, wall_ns: int) -> str:
    if master.due_ns is not None and wall_ns >= master.due_ns:
        return CALIBRATION
    return state(master, book, wall_ns) or GOOD


def _is_in_force(cell: Cell, one: Characteristic) -> bool:
    held = cell.memory.fields.ports.get(one.channel.partition("/")[0], {}).get("part")
    if held is not None:
        return held.text == one.part
    return sum(other.channel == one.channel for other in cell.plan.characteristics) == 1
