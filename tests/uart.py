"""A simulated serial line: a sender's levels at one setting, sampled by a receiver at another.

The receiver is built as UARTs are: sixteen steps a bit, a start edge found at a step, each bit the majority of its
three middle steps, a start bit that is not low in its middle is no character.  After a missing stop bit there are two
kinds: one `waits` for the line to go high and fall again, the other takes the missing stop bit for the next start bit.
Both look at the first stop bit only, so that one or two are the same to them.
"""

import os
import random
import threading
from bisect import bisect_right
from collections.abc import Iterator

from msgspec import Struct

from collector.errors import PortLost
from collector.ports import LineSettings
from collector.probe.evidence import Burst, Character


class Format(Struct, frozen=True):
    baud: int
    bits: int
    parity: str
    stop: int

    @property
    def bit_s(self) -> float:
        return 1 / self.baud


def form(baud: int, character: str) -> Format:
    return Format(baud, int(character[0]), character[1], int(character[2:]))


def parity_bit(byte: int, bits: int, parity: str) -> int:
    odd = (byte & (1 << bits) - 1).bit_count() & 1
    return {"E": odd, "O": odd ^ 1, "M": 1, "S": 0}[parity]


class Wire:
    """Levels over time: it rests high, `edges` are the times at which it changes, beginning with a fall."""

    def __init__(self, edges: list[float]):
        self.edges = edges

    def level(self, at: float) -> int:
        return 1 - (bisect_right(self.edges, at) & 1)

    def next_fall(self, at: float) -> float | None:
        index = bisect_right(self.edges, at)
        index += index & 1
        return self.edges[index] if index < len(self.edges) else None


def send(data: bytes, line: Format, chance: random.Random, clock: float = 0.0, jitter: float = 0.0,
         glitches: float = 0.0, pause_bits: float = 0.0) -> Wire:
    """The levels of one burst from time 0 on.  `clock`: relative error of the speed; `jitter`: of a bit, how far an
    edge may be off; `glitches`: of all bits, how many are inverted; `pause_bits`: rest between characters."""
    levels: list[tuple[int, float]] = []
    for byte in data:
        bits = [0, *(byte >> at & 1 for at in range(line.bits))]
        if line.parity != "N":
            bits.append(parity_bit(byte, line.bits, line.parity))
        bits += [1] * line.stop
        levels += [(bit ^ (chance.random() < glitches), 1.0) for bit in bits]
        levels.append((1, pause_bits))
    edges, before, at, bit_s = [], 1, 0.0, line.bit_s * (1 + clock)
    for level, lasts in levels:
        if level != before:
            off = chance.uniform(-jitter, jitter) * bit_s
            edges.append(max(at * bit_s + off, edges[-1] + 1e-9 if edges else 0.0))
            before = level
        at += lasts
    if before == 0:
        edges.append(at * bit_s)
    return Wire(edges)


def noise(seconds: float, changes_per_s: float, chance: random.Random) -> Wire:
    """Changes at random times, without any bit."""
    edges, at = [], 0.0
    while (at := at + chance.expovariate(changes_per_s)) < seconds:
        edges.append(at)
    return Wire(edges[:len(edges) // 2 * 2])


def receive(wire: Wire, line: Format, chance: random.Random, waits: bool = True) -> Burst:
    """The characters that a receiver set to `line` makes of it."""
    step = line.bit_s / 16
    phase = chance.random() * step
    found: list[Character] = []
    at, resumed = -1.0, None
    while True:
        if resumed is None:
            fall = wire.next_fall(at)
            if fall is None:
                return tuple(found)
            start = phase + step * (int((fall - phase) / step) + 1)
            at = fall
            if _majority(wire, start, step):
                continue                                   # no start bit after all
        else:
            start = resumed
        count = line.bits + (line.parity != "N")
        bits = [_majority(wire, start + 16 * step * number, step) for number in range(1, count + 2)]
        byte = sum(bit << number for number, bit in enumerate(bits[:line.bits]))
        wrong = line.parity != "N" and bits[line.bits] != parity_bit(byte, line.bits, line.parity)
        stop = start + 16 * step * (count + 1)
        at, resumed = stop + 9 * step, None
        if bits[-1]:
            found.append(Character(byte, wrong))
            continue
        is_break = not any(bits)
        found.append(Character(byte, True))
        if not is_break and not waits and wire.level(at) == 0:
            resumed = stop                                 # its middle is the middle of the next start bit


def _majority(wire: Wire, begins: float, step: float) -> int:
    return sum(wire.level(begins + step * (tick + 0.5)) for tick in (6.5, 7.5, 8.5)) > 1


def marked(burst: Burst, marks: bool = True) -> bytes:
    """The burst as a driver hands it on."""
    if not marks:
        return bytes(one.byte for one in burst)
    before = {False: b"", True: b"\xff\x00"}
    return b"".join(b"\xff\xff" if one == Character(0xFF) else before[one.bad] + bytes([one.byte]) for one in burst)


class UartPort:
    """An open port whose line is simulated: every `every_s` the column sends a line, received as the port is set."""

    network, marked = False, True

    def __init__(self, lines: Iterator[bytes], sender: Format, line: LineSettings, every_s: float = 0.45,
                 refuses: tuple[str, ...] = ()):
        self.identity, self.changed = "simulated", [line]
        self.fd, self._into = os.pipe()
        os.set_blocking(self.fd, False)
        self._lines, self._sender, self._every_s, self._refuses = lines, sender, every_s, refuses
        self._chance = random.Random(7)
        self._lock, self._ending = threading.Lock(), threading.Event()
        self._column = threading.Thread(target=self._send)
        self._column.start()

    def change(self, line: LineSettings) -> None:
        if f"{line.bits}{line.parity}{line.stop}" in self._refuses:
            raise PortLost("simulated", "does not take it")
        with self._lock:
            self.changed.append(line)

    def write(self, data: bytes) -> None:
        raise AssertionError("a probe sends nothing")

    def explain(self, fault: OSError | None, brought: bool = True) -> str:
        return "hung up"

    def close(self) -> None:
        self._ending.set()
        self._column.join()
        os.close(self.fd)
        os.close(self._into)

    def _send(self) -> None:
        while not self._ending.wait(self._every_s):
            with self._lock:
                line = self.changed[-1]
                wire = send(next(self._lines), self._sender, self._chance)
                seen = form(line.baud, f"{line.bits}{line.parity}{line.stop}")
                os.write(self._into, marked(receive(wire, seen, self._chance)))
