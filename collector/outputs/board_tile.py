"""One channel as a board shows it: its state in a word, its value, where that lies, what to do.

Knows: which state goes before which, where a value lies between its limits, in hundredths of a scale.
Must not know: pages, terminals, where what is known comes from.
"""

from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from msgspec import Struct

from collector.outputs.board_known import Circuit, exact, said
from collector.outputs.board_words import PASSED, SHOWN, State, after_master, clock_text, reason_words, short
from collector.record import Record

_LOWER, _UPPER, _EDGE, _LABEL = 20, 80, 3, 9
_UNFIT = ("no-line", "silent", "not-read", "master-failed")
_MASTER_STATES = ("failed-master-check", "overdue-master", "no-master-check", "master-calibration-due")


class Mark(Struct, frozen=True):
    """One of the last twenty; `place`: 0 is the lower limit, 1 the upper, None where there are none."""

    verdict: str
    side: str
    place: Decimal | None


class Bar(Struct, frozen=True):
    """Places on a scale of 100; None: there is none.  `beyond`: the value lies off the scale's end; `labels`: texts and
    their places, none of them on another."""

    lower: Decimal | None
    upper: Decimal | None
    nominal: Decimal | None
    value: Decimal | None
    beyond: bool
    labels: tuple[tuple[str, Decimal], ...]


class Tile(Struct, frozen=True):
    """`state` is a row of SHOWN; `current`: the value is of what is on the column now."""

    where: str
    name: str
    part: str
    state: str
    shown: State
    value: str
    unit: str
    says: str
    time: str
    current: bool
    bar: Bar | None
    marks: tuple[Mark, ...]


class Behind(Struct, frozen=True):
    """A channel that a derived size was made of: its state now; `is_same`: its newest is still that very reading."""

    name: str
    state: str
    is_same: bool


def tile(one: Circuit, port: dict[str, Any], masters: list[dict[str, Any]], unread: Record | None,
         behind: Sequence[Behind] = ()) -> Tile:
    """`port`: what the daemon says of the channel's port; `masters`: of all; `unread`: the port's newest of these;
    `behind`: the channels of a derived size."""
    name = one.measured.characteristic if one.measured else one.newest.characteristic
    checks = [each for each in masters if each.get("in-force") and each.get("channel") == one.where
              and (not name or each.get("characteristic") == name)]
    state, says = _state(one, port, checks, unread, behind)
    shown = one.newest if one.newest.kind == "master" and state in ("master-good", "master-failed") else one.measured
    is_current = SHOWN[state].has_value and shown is one.newest
    return Tile(
        where=short(one.where, 28), name=short(name or one.channel or one.port, 24),
        part=short(one.measured.part if one.measured else one.newest.part, 32), state=state, shown=SHOWN[state],
        value=_size(shown) if is_current else "", unit=shown.unit if is_current else "", says=says,
        time=clock_text(shown.time) if shown else "", current=is_current, bar=_bar(shown) if shown else None,
        marks=tuple(_mark(record) for record in one.last))


def empty_tile(name: str, port: dict[str, Any], unread: Record | None) -> Tile:
    """The tile of a port of which nothing was measured yet."""
    state, says = _of_port(port) or (("not-read", _why(unread)) if unread else ("nothing", "no reading yet"))
    return Tile(where=short(name, 28), name=short(name, 24), part="", state=state, shown=SHOWN[state], value="",
                unit="", says=says, time="", current=False, bar=None, marks=())


# --- which state goes before which


def _state(one: Circuit, port: dict[str, Any], checks: list[dict[str, Any]], unread: Record | None,
           behind: Sequence[Behind]) -> tuple[str, str]:
    """The line first; then whether the column may be trusted; then what is on it.  A fail is never hidden by a due one.
    """
    before = f"last: {_result(one.measured)}" if one.measured else ""
    if found := _of_port(port):
        return found[0], "; ".join(filter(None, (found[1], before)))
    if not one.port:
        return _of_derived(one, behind, before)
    if one.port and unread is not None and unread.seq > one.newest.seq:
        return "not-read", "; ".join(filter(None, (_why(unread), before)))
    newest = one.newest
    if newest.kind == "master" and newest.verdict == "fail":
        return "master-failed", _master_read(newest)
    worst = min((each for each in checks if each.get("state") in _MASTER_STATES),
                key=lambda each: _MASTER_STATES.index(each["state"]), default=None)
    if worst and worst["state"] == _MASTER_STATES[0]:
        return "master-failed", f"{short(worst['master'], 16)}: {after_master(worst)}"
    found = _of_newest(one)
    if worst and found[0] in PASSED:
        so_far = f"the part: {newest.verdict.upper() or 'no verdict'}" if newest is one.measured else before
        return "master-due", "; ".join(filter(None, (f"{short(worst['master'], 16)}: {after_master(worst)}", so_far)))
    return found


def _of_derived(one: Circuit, behind: Sequence[Behind], before: str) -> tuple[str, str]:
    """A derived size is worth no more than what it was made of, and is over as soon as one of these is."""
    unfit = next((each for state in _UNFIT for each in behind if each.state == state), None)
    if unfit is not None:
        return unfit.state, f"because of {unfit.name}; {before}"
    if not all(each.is_same for each in behind):
        return "no-part" if any(each.state == "no-part" for each in behind) else "nothing", before
    found = _of_newest(one)
    due = next((each for each in behind if each.state == "master-due"), None)
    if due is not None and found[0] in PASSED:
        return "master-due", f"because of {due.name}; the part: {one.newest.verdict.upper() or 'no verdict'}"
    return found


def _of_port(port: dict[str, Any]) -> tuple[str, str] | None:
    if port.get("state") == "stopped":
        return "stopped", ""
    if port and port.get("state") != "open":
        return "no-line", f"since {clock_text(port['since'])}" if port.get("since") else "not connected yet"
    if port.get("silent"):
        return "silent", f"nothing since {clock_text(port.get('last-frame') or port.get('since', ''))}"
    return None


def _of_newest(one: Circuit) -> tuple[str, str]:
    record = one.newest
    if record.kind == "over-range":
        return "no-part", f"last: {_result(one.measured)}" if one.measured else ""
    if record.kind == "master":
        return "master-good", _master_read(record)
    if record.verdict not in ("pass", "fail", "undecided"):
        return "measured", "no limits: no verdict"
    state = f"{record.verdict}-{record.side}" if record.verdict != "pass" else "pass"
    return (state, _how_far(record)) if state in SHOWN else ("measured", "")


def _why(unread: Record) -> str:
    return reason_words(said(unread).get("reason", ""))


def _master_read(record: Record) -> str:
    name = short(str(said(record).get("master", "")), 16)
    return f"{name} read {_signed(record)} {record.unit} off".strip()


def _result(record: Record) -> str:
    words = f"{record.verdict} {record.side}".strip().upper()
    return f"{words} {_size(record)} {record.unit}".strip()


def _how_far(record: Record) -> str:
    """For a fail or a doubt how far it is out, and what can be done with it; for a pass how far from nominal."""
    size = exact(record.value)
    limit = exact(record.upper if record.side == "above" else record.lower)
    if record.verdict == "pass" or size is None or limit is None:
        return f"{_signed(record)} {record.unit} from nominal" if record.deviation else ""
    end = "upper" if record.side == "above" else "lower"
    if record.verdict == "undecided":
        return f"too near the {end} limit to tell"
    can = {"rework": "; can be reworked", "scrap": "; scrap"}.get(said(record).get("disposition", ""), "")
    return f"{abs(size - limit):f} {record.unit} {record.side} the {end} limit{can}"


def _size(record: Record) -> str:
    """The digits as they are recorded; a reading of which only the deviation is known has that."""
    return bytes(record.value).decode("ascii") or _signed(record)


def _signed(record: Record) -> str:
    digits = bytes(record.deviation).decode("ascii")
    return digits if not digits or digits.startswith("-") else f"+{digits}"


# --- where a value lies


def _scale(record: Record) -> tuple[Decimal, Decimal] | None:
    """What stands at the lower and the upper mark; a missing limit is stood in for by the nominal, or by zero."""
    lower, upper, nominal = exact(record.lower), exact(record.upper), exact(record.nominal)
    if lower is None and upper is not None:
        lower = nominal if nominal is not None and nominal < upper else min(Decimal(0), upper * 2)
    if upper is None and lower is not None:
        upper = nominal if nominal is not None and nominal > lower else max(Decimal(0), lower * 2)
    return (lower, upper) if lower is not None and upper is not None and lower < upper else None


def _mark(record: Record) -> Mark:
    scale, size = _scale(record), exact(record.value)
    place = None if scale is None or size is None else (size - scale[0]) / (scale[1] - scale[0])
    return Mark(record.verdict, record.side, place)


def _bar(record: Record) -> Bar | None:
    scale = _scale(record)
    if scale is None:
        return None
    lower, upper = scale

    def place(size: Decimal | None) -> Decimal | None:
        return None if size is None else _LOWER + (size - lower) / (upper - lower) * (_UPPER - _LOWER)

    at, nominal = place(exact(record.value)), place(exact(record.nominal))
    return Bar(lower=Decimal(_LOWER) if record.lower else None, upper=Decimal(_UPPER) if record.upper else None,
               nominal=nominal if nominal is not None and 0 <= nominal <= 100 else None,
               value=None if at is None else min(max(at, Decimal(_EDGE)), Decimal(100 - _EDGE)),
               beyond=at is not None and not _EDGE <= at <= 100 - _EDGE, labels=_labels(record, nominal))


def _labels(record: Record, nominal: Decimal | None) -> tuple[tuple[str, Decimal], ...]:
    """The limits; the nominal where it stands well between them."""
    found = [(bytes(text).decode("ascii"), Decimal(at))
             for text, at in ((record.lower, _LOWER), (record.upper, _UPPER)) if text]
    if nominal is not None and 42 <= nominal <= 58 or len(found) < 2 and nominal is not None and 0 < nominal < 60:
        found.append((bytes(record.nominal).decode("ascii"), nominal))
    return tuple((text, at) for text, at in found if len(text) <= _LABEL)
