"""What a stand-in column sends, and when: parts drawn from an invented process, or a capture.

Knows: mean, spread, drift, wear, bad parts, streams, noise; the order and the planned times of everything sent.
Must not know: the clock (times are of the scenario, so the same seed gives the same bytes), terminals, wire speed.
"""

import itertools
import math
import random
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path

from msgspec import Struct

from collector.ports.capture import read_capture
from collector.simulator.scenario import Channel, Column

READING = "reading"
OVER_RANGE = "over-range"
GARBAGE = "garbage"
REPLAY = "replay"

_MS = 1_000_000                          # nanoseconds
_HOUR = Decimal(3_600_000)               # milliseconds
_GARBAGE_BYTES = (1, 12)
_FINER = 3                               # decimals of the truth beyond those that are sent


class Sending(Struct, frozen=True, kw_only=True):
    """What goes out at one go, planned for `at_ns` after the start.

    `value` is the number as sent, `truth` the part's size before noise and rounding; `channel` as the line says it.
    """

    at_ns: int
    data: bytes
    what: str
    channel: str = ""
    value: Decimal | None = None
    truth: Decimal | None = None


class _Part(Struct, frozen=True):
    """One part under the column: number, when it is put on (ms), its size on each channel."""

    number: int
    at_ms: int
    sizes: dict[str, Decimal]


def sendings(name: str, column: Column, seed: int) -> Iterator[Sending]:
    """Everything that the column sends, in order, without end but for a replay.  Raises CollectorError for a capture
    that can't be read."""
    if column.replay is not None:
        yield from _replayed(column)
        return
    draw = random.Random(f"{seed} {name}")
    put_on = _streamed if column.stream else _compared
    for number in itertools.count(1):
        at_ms = (number - 1) * column.every
        if column.pause:
            at_ms += (number - 1) // column.pause.every * column.pause.for_
        sizes = {channel: _size(one, number, at_ms, draw) for channel, one in column.channels.items()}
        if column.garbage and number % column.garbage.every == 0:
            yield Sending(at_ns=at_ms * _MS, data=_garbage(column, draw), what=GARBAGE)
        yield from put_on(column, _Part(number, at_ms, sizes), draw)


def _size(one: Channel, number: int, at_ms: int, draw: random.Random) -> Decimal:
    size = one.mean + one.spread * Decimal(draw.gauss(0, 1)) + one.drift * at_ms / _HOUR + one.wear * (number - 1)
    if one.bad and number % one.bad.every == 0:
        size += one.bad.offset
    return size


def _garbage(column: Column, draw: random.Random) -> bytes:
    noise = bytes(draw.getrandbits(column.character.bits) for _ in range(draw.randint(*_GARBAGE_BYTES)))
    return noise + column.line.end


def _compared(column: Column, part: _Part, draw: random.Random) -> Iterator[Sending]:
    """One line a channel, then what is sent until the next part."""
    for channel, size in part.sizes.items():
        yield _reading(column, part, channel, size, part.at_ms)
    between = (column.over_range.between or 1) if column.over_range else 0
    for index in range(between):
        yield from _over_range(column, part, part.at_ms + column.every * (index + 1) // (between + 1))


def _streamed(column: Column, part: _Part, draw: random.Random) -> Iterator[Sending]:
    """Values while the part is on, then over-range lines at the same rate until the next one."""
    stream = column.stream
    for since_ms in range(0, stream.on, stream.each):
        approach = Decimal(math.exp(-since_ms / stream.settle)) * stream.starts
        turned = Decimal(math.sin(2 * math.pi * since_ms / stream.turn)) * stream.ovality / 2
        for channel, size in part.sizes.items():
            shown = size + approach + turned + stream.noise * Decimal(draw.gauss(0, 1))
            yield _reading(column, part, channel, shown, part.at_ms + since_ms)
    if column.over_range:
        for since_ms in range(stream.on, column.every, stream.each):
            yield from _over_range(column, part, part.at_ms + since_ms)


def _reading(column: Column, part: _Part, channel: str, shown: Decimal, at_ms: int) -> Sending:
    decimals = column.line.decimals
    value = _rounded(shown, decimals)
    return Sending(at_ns=at_ms * _MS, data=column.line.fill(channel, value, part.number), what=READING,
                   channel=channel if column.line.names("channel") else "", value=value,
                   truth=_rounded(part.sizes[channel], decimals + _FINER))


def _over_range(column: Column, part: _Part, at_ms: int) -> Iterator[Sending]:
    line = column.over_range.line
    for channel in part.sizes if line.names("channel") else ("",):
        yield Sending(at_ns=at_ms * _MS, data=line.fill(channel, count=part.number), what=OVER_RANGE, channel=channel)


def _rounded(value: Decimal, decimals: int) -> Decimal:
    """Half to even; adding zero takes the sign off a negative zero."""
    return value.quantize(Decimal(1).scaleb(-decimals)) + 0


def _replayed(column: Column) -> Iterator[Sending]:
    for index, (seconds, data) in enumerate(read_capture(Path(column.replay))):
        at_ns = index * column.every * _MS if seconds is None else round(seconds * 1_000_000_000)
        yield Sending(at_ns=at_ns, data=data, what=REPLAY)
