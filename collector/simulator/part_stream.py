"""What a stand-in column sends, and when: parts drawn from an invented process, or a capture.

Knows: mean, spread, drift, wear, bad parts, form, streams, noise, temperatures, the column's error; scanned labels and
orders; the order and the planned times of everything sent.
Must not know: the clock (times are of the scenario, so the same seed gives the same bytes), terminals, wire speed.
"""

import json
import math
import random
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path

from msgspec import Struct

from collector.ports.capture import read_capture
from collector.simulator.keys import Temperature
from collector.simulator.line import Template
from collector.simulator.plan import HOUR_MS, PutOn, put_on
from collector.simulator.scenario import Column

READING = "reading"
OVER_RANGE = "over-range"
GARBAGE = "garbage"
REPLAY = "replay"
MARK = "mark"
LABEL = "label"
ORDER = "order"

_MS = 1_000_000                          # nanoseconds
_GARBAGE_BYTES = (1, 12)
_FINER = 3                               # decimals of the truth beyond those that are sent


class Sending(Struct, frozen=True, kw_only=True):
    """What goes out at one go, planned for `at_ns` after the start.

    `value` is the number as sent, `truth` the part's size at 20 degrees C before the column's error, noise and
    rounding, `tir` its largest less smallest over a whole turn; `channel` as the line says it, `label` what is put on.
    """

    at_ns: int
    data: bytes
    what: str
    channel: str = ""
    value: Decimal | None = None
    truth: Decimal | None = None
    tir: Decimal | None = None
    label: dict[str, str] = {}


class _On(Struct, frozen=True):
    """A part or a master under the column: true sizes, how they are shown, out of round by how much, its texts."""

    put: PutOn
    sizes: dict[str, Decimal]
    shown: dict[str, Decimal]
    oval: Decimal
    texts: dict[str, str]


def sendings(name: str, column: Column, seed: int) -> Iterator[Sending]:
    """Everything that the column sends, in order, without end but for a replay.  Raises CollectorError for a capture
    that can't be read."""
    if column.replay is not None:
        yield from _replayed(column)
        return
    draw = random.Random(f"{seed} {name}")
    send = _streamed if column.stream else _compared
    for put in put_on(column):
        on = _drawn(column, put, draw)
        if column.garbage and put.number % column.garbage.every == 0:
            yield Sending(at_ns=put.at_ms * _MS, data=_garbage(column, draw), what=GARBAGE)
        yield from send(column, on, draw)


def labels(column: Column) -> Iterator[Sending]:
    """Everything that the column's scanner sends."""
    scanner = column.scanner
    for put in put_on(column):
        line = scanner.master_line if put.master else scanner.line
        if line:
            yield Sending(at_ns=(put.at_ms - scanner.ahead) * _MS, data=line.fill(count=put.number, **put.label),
                          what=LABEL, label=put.label)


def orders(column: Column) -> Iterator[Sending]:
    """The order files, one JSON line each."""
    done = 0
    for put in put_on(column):
        if put.changeovers > done:
            done = put.changeovers
            fields = {name: put.label[name] for name in column.orders.sets}
            yield Sending(at_ns=(put.at_ms - column.orders.ahead) * _MS, data=json.dumps(fields).encode() + b"\n",
                          what=ORDER, label=fields)


def _drawn(column: Column, put: PutOn, draw: random.Random) -> _On:
    if put.master:
        sizes, oval = column.masters.sizes[put.master], Decimal(0)
    else:
        sizes, oval = _sizes(column, put, draw), _ovality(column, draw)
    texts, warm = dict(put.label), Decimal(0)
    for which, one in column.temperatures:
        if one:
            degrees = _degrees(one, draw)
            texts[f"{which}_temperature"] = str(degrees)
            warm += one.expansion * (degrees - 20) * (1 if which == "part" else -1)
    if put.master:
        warm = Decimal(0)                # compared with itself
    shown = {name: size + column.channels[name].error(size, put.zero[name]) + size * warm
             for name, size in sizes.items()}
    return _On(put, sizes, shown, oval, texts)


def _sizes(column: Column, put: PutOn, draw: random.Random) -> dict[str, Decimal]:
    means = column.changeover.parts[put.label["part"]] if column.changeover else {}
    sizes = {}
    for name, one in column.channels.items():
        size = means.get(name, one.mean) + one.spread * Decimal(draw.gauss(0, 1)) + one.drift * put.at_ms / HOUR_MS
        size += one.wear * put.before
        if one.bad and (put.before + 1) % one.bad.every == 0:
            size += one.bad.offset
        sizes[name] = size
    return sizes


def _ovality(column: Column, draw: random.Random) -> Decimal:
    stream = column.stream
    if stream is None or not stream.ovality_spread:
        return stream.ovality if stream else Decimal(0)
    return abs(stream.ovality + stream.ovality_spread * Decimal(draw.gauss(0, 1)))


def _degrees(one: Temperature, draw: random.Random) -> Decimal:
    return _rounded(one.mean + one.spread * Decimal(draw.gauss(0, 1)), 1)


def _garbage(column: Column, draw: random.Random) -> bytes:
    noise = bytes(draw.getrandbits(column.character.bits) for _ in range(draw.randint(*_GARBAGE_BYTES)))
    return noise + column.line.end


def _compared(column: Column, on: _On, draw: random.Random) -> Iterator[Sending]:
    """One line a channel, then what is sent until the next part."""
    for channel, shown in on.shown.items():
        yield _reading(column, on, channel, shown, 0)
    between = (column.over_range.between or 1) if column.over_range else 0
    for index in range(between):
        yield from _bare(column.over_range.line, OVER_RANGE, on, column.every * (index + 1) // (between + 1))


def _streamed(column: Column, on: _On, draw: random.Random) -> Iterator[Sending]:
    """Values while the part is on, then over-range lines at the same rate until the next one."""
    stream, stays = column.stream, column.stream.on
    if stream.early and not on.put.master and (on.put.before + 1) % stream.early.every == 0:
        stays = min(stays, stream.early.after)
    sent = []
    if stream.marks:
        begin = stream.marks.after
        marks = ((begin, stream.marks.start), (begin + stream.turn, stream.marks.end))
        sent += [one for at, line in marks if at <= stays for one in _bare(line, MARK, on, at)]
    sent += [one for since_ms in range(0, stays, stream.each) for one in _values(column, on, since_ms, draw)]
    yield from sorted(sent, key=lambda one: one.at_ns)             # a mark comes before the value of its moment
    if column.over_range:
        for since_ms in range(stays, column.every, stream.each):
            yield from _bare(column.over_range.line, OVER_RANGE, on, since_ms)


def _values(column: Column, on: _On, since_ms: int, draw: random.Random) -> Iterator[Sending]:
    stream = column.stream
    approach = Decimal(math.exp(-since_ms / stream.settle)) * stream.starts
    turned = Decimal(math.sin(2 * math.pi * since_ms / stream.turn)) * on.oval / 2
    for channel, shown in on.shown.items():
        noise = stream.noise * Decimal(draw.gauss(0, 1))
        yield _reading(column, on, channel, shown + approach + turned + noise, since_ms)


def _reading(column: Column, on: _On, channel: str, shown: Decimal, since_ms: int) -> Sending:
    decimals = column.line.decimals
    value = _rounded(shown, decimals)
    return Sending(at_ns=(on.put.at_ms + since_ms) * _MS, what=READING, value=value, label=on.put.label,
                   data=column.line.fill(channel, value, on.put.number, **on.texts),
                   channel=channel if "channel" in column.line.fields else "",
                   truth=_rounded(on.sizes[channel], decimals + _FINER),
                   tir=_rounded(on.oval, decimals + _FINER) if column.stream else None)


def _bare(line: Template, what: str, on: _On, since_ms: int) -> Iterator[Sending]:
    for channel in on.sizes if "channel" in line.fields else ("",):
        yield Sending(at_ns=(on.put.at_ms + since_ms) * _MS, data=line.fill(channel, count=on.put.number, **on.texts),
                      what=what, channel=channel)


def _rounded(value: Decimal, decimals: int) -> Decimal:
    """Half to even; adding zero takes the sign off a negative zero."""
    return value.quantize(Decimal(1).scaleb(-decimals)) + 0


def _replayed(column: Column) -> Iterator[Sending]:
    for index, (seconds, data) in enumerate(read_capture(Path(column.replay))):
        at_ns = index * column.every * _MS if seconds is None else round(seconds * 1_000_000_000)
        yield Sending(at_ns=at_ns, data=data, what=REPLAY)
