"""The whole board at one moment: the tiles, the cell's head, what needs a person, the technician's figures.

Knows: how what records have said and what lies in the state folder go together.
Must not know: pages, terminals.
"""

import re
from collections import Counter
from datetime import datetime, timezone
from typing import Any

from msgspec import Struct

from collector.clock import Clock, Stamps
from collector.outputs.board_faults import Fault, Told, faults
from collector.outputs.board_known import Circuit, Known, said
from collector.outputs.board_tile import Behind, Tile, empty_tile, tile
from collector.outputs.board_words import clock_text, reason_words, short
from collector.record import Record

_DIGITS = re.compile("([0-9]+)")
_WORD, _LINE, _RAW = 24, 120, 48
_STOPPED = {"state": "stopped", "since": ""}


class Line(Struct, frozen=True):
    """A port for the technician; `well`: open and not silent.  `unread`: how many frames, and the last one with why."""

    name: str
    well: bool
    state: str
    figures: str
    unread: str
    raw: str


class Out(Struct, frozen=True):
    """An output for the technician."""

    name: str
    well: bool
    figures: str


class View(Struct, frozen=True):
    """`counts`: pass, fail, undecided, unread since `since`; `whole_part`: the last whole part's verdict in words."""

    site: str
    at: str
    zone: str
    part: str
    lot: str
    counts: dict[str, int]
    since: str
    whole_part: str
    is_running: bool
    tiles: tuple[Tile, ...]
    faults: tuple[Fault, ...]
    lines: tuple[Line, ...]
    outs: tuple[Out, ...]
    events: tuple[str, ...]


def view(site: str, known: Known, found: Told, clock: Clock) -> View:
    """The board as it is now."""
    daemon = found.daemon
    ports = {name: port if found.is_running else port | _STOPPED for name, port in daemon.get("ports", {}).items()}
    counted = sum((one.found for one in known.counts.values()), Counter())
    local = datetime.fromtimestamp(clock.wall_ns() // 1_000_000_000, timezone.utc).astimezone()
    return View(
        site=site, at=clock_text(Stamps().text(clock.wall_ns())), zone=local.tzname() or "",
        part=_in_force(known, daemon, "part"), lot=_in_force(known, daemon, "lot"),
        counts={name: counted[name] for name in ("pass", "fail", "undecided", "unread")},
        since=clock_text(min((one.since for one in known.counts.values()), default="")),
        whole_part=_whole_part(known.whole_part),
        is_running=found.is_running, tiles=_tiles(known, daemon, ports, found.is_running),
        faults=tuple(Fault(short(one.what, _LINE), short(one.do, _LINE)) for one in faults(found)),
        lines=tuple(sorted((_line(name, port, known.unread.get(name)) for name, port in ports.items()),
                           key=lambda line: (line.well, not line.raw))),
        outs=tuple(sorted((_out(name, one) for name, one in found.outputs.items()), key=lambda out: out.well)),
        events=tuple(_event(record) for record in reversed(known.events)))


def _tiles(known: Known, daemon: dict[str, Any], ports: dict[str, Any], is_running: bool) -> tuple[Tile, ...]:
    """One for each channel, in the order of their names; derived sizes last; one for a port without any, unless labels
    are read there and all is well."""
    masters, unknown = daemon.get("masters", []), {} if is_running else _STOPPED
    parts = {one.measured.part for one in known.circuits.values() if one.measured and one.port}

    def is_over(one: Circuit) -> bool:
        return not one.port and one.measured is not None and one.measured.part not in parts or \
            bool(one.port and ports and one.port not in ports)

    shown = sorted((one for one in known.circuits.values() if not is_over(one)),
                   key=lambda one: (not one.port, _natural(one.where), one.newest.characteristic))
    found = [(one, tile(one, ports.get(one.port, unknown), masters, known.unread.get(one.port)))
             for one in shown if one.port]
    tiles = [each for _, each in found]
    tiles += [tile(one, unknown, masters, None, _behind(one, found, known)) for one in shown if not one.port]
    empty = [(port, empty_tile(name, port, known.unread.get(name))) for name, port in ports.items()
             if not any(one.port == name for one in shown)]
    return (*tiles, *(each for port, each in empty if each.state != "nothing" or not port.get("marks")))


def _behind(one: Circuit, found: list[tuple[Circuit, Tile]], known: Known) -> list[Behind]:
    """The channels that a derived size was made of, also by way of another derived size."""
    behind = []
    for name, identity in said(one.measured).get("inputs", {}).items():
        inner = known.circuits.get(("", "", name))
        if inner is not None and inner.newest.id == identity:
            behind += _behind(inner, found, known)
            continue
        own = [(circuit, each) for circuit, each in found if circuit.measured and identity == circuit.measured.id]
        behind += [Behind(each.name, each.state, circuit.newest is circuit.measured) for circuit, each in own]
        if not own:
            behind.append(Behind(short(name, _WORD), "nothing", False))
    return behind


def _natural(name: str) -> list[tuple[int, str]]:
    """Names in the order of their numbers: B2 before B10."""
    return [(int(part), "") if part.isdecimal() else (-1, part) for part in _DIGITS.split(name)]


def _in_force(known: Known, daemon: dict[str, Any], what: str) -> str:
    """What the context says on the ports, else what the newest records said."""
    held = [context[what] for context in daemon.get("context", {}).values() if context.get(what)]
    if not held:
        newest = sorted((one.measured for one in known.circuits.values() if one.measured), key=lambda one: -one.seq)
        held = [getattr(record, what) for record in newest if getattr(record, what)]
    return ", ".join(short(text, _WORD) for text in list(dict.fromkeys(held))[:3])


def _whole_part(record: Record | None) -> str:
    if record is None:
        return ""
    named = " ".join(filter(None, (short(record.part, _WORD), short(record.serial, _WORD))))
    missing = "" if record.verdict else "not complete"
    return f"{named}: {record.verdict.upper() or missing}, {clock_text(record.time)}"


def _line(name: str, port: dict[str, Any], unread: Record | None) -> Line:
    is_silent, state = port.get("silent"), port.get("state", "")
    figures = [f"{port.get('per-minute', 0)} frames/min"]
    figures += [f"last {clock_text(port['last-frame'])}"] if port.get("last-frame") else []
    figures += [f"lost {port['losses']} times"] if port.get("losses") else []
    errors = sum((port.get("line-errors") or {}).values())
    figures += [f"{errors} line errors"] if errors else []
    count, told, raw = sum(port.get("unread", {}).values()), "", ""
    if unread is not None:
        reason = said(unread).get("reason", "")
        told = f"{count} unread; {clock_text(unread.time)} {reason_words(reason)} ({short(reason, 16)})"
        raw = short(unread.raw, _RAW)
    since = f" since {clock_text(port['since'])}" if port.get("since") else ""
    word = "silent" if is_silent and state == "open" else state
    return Line(name=short(name, _WORD), well=state == "open" and not is_silent, state=f"{short(word, 16)}{since}",
                figures=", ".join(figures), unread=told, raw=raw)


def _out(name: str, one: dict[str, Any]) -> Out:
    figures = [f"{one['waiting']} waiting"] if one.get("waiting") else ["nothing waiting"]
    figures += [f"last {clock_text(one['last-delivery'])}"] if one.get("last-delivery") else []
    figures += [f"{one['refused']} refused"] if one.get("refused") else []
    return Out(name=short(name, _WORD), well=not one.get("error"), figures=", ".join(figures))


def _event(record: Record) -> str:
    detail = said(record)
    what = record.kind if record.kind != "event" else str(detail.get("event", ""))
    more = [text for key in ("cause", "why") if isinstance(text := detail.get(key), str)]
    if record.kind == "suspect":
        more = [f"{detail.get('count', '?')} readings are in doubt since the last good check of "
                f"{detail.get('master', '')}"]
    said_of = " ".join(filter(None, (record.port, record.channel)))
    return short(" ".join(filter(None, (clock_text(record.time), what, said_of, *more))), 90)
