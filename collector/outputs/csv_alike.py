"""Lines of CSV for records that differ only in seq, id, time, serial and raw text: the rest of such lines is made once.

Knows: where these five stand in a record's JSON, which texts stand in a line as they are.
Must not know: how any other text is written.

Where most records are like one before, as in a cell whose columns speak much, a line takes less than half the time;
where none is, it takes 1.4 times as long, and where more than _KNOWN of them go round, up to 1.8.
"""

import re
from collections.abc import Callable, Sequence
from functools import cache
from operator import itemgetter
from typing import NamedTuple

from collector.record import Record, decode

_KNOWN = 10_000
_HEAD = b"{", b"seq", b"id", b":", b",", b"time", b":"
_MARKS = b"918273645", b"mark-of-id", b"mark-of-time", b"mark-of-serial", b"mark-of-raw"
FORMULA = "=", "+", "-", "@"                 # what a spreadsheet takes for a formula begins with one of these

Pick = Callable[[tuple[bytes, ...]], tuple[bytes, ...]]


class _Line(NamedTuple):
    """A line with places for those of the five texts that stand in it, and what picks them, in their order."""

    text: bytes
    pick: Pick


class Alike:
    """Makes each line as `make` would, most of them of one that was made before."""

    def __init__(self, make: Callable[[Sequence[bytes]], list[bytes]], delimiter: str):
        """`make` gives the lines of records' JSON, and raises for what is no record."""
        self._make = make
        self._once: set[bytes] = set()
        self._known: dict[bytes, _Line | None] = {}          # what was seen twice; None: not to be made like this
        self._marked: dict[bytes, bytes] = {}                # what is to be known: as JSON, with the marks
        plain = rb'[^"\\\x00-\x1f\x7f-\xff%b]+' % re.escape(delimiter.encode())
        self._are_plain = re.compile(rb":(?:0|[1-9][0-9]*),(?:\n%b){4}" % plain).fullmatch

    def lines(self, bodies: Sequence[bytes]) -> list[bytes]:
        """Raises what `make` raises."""
        self._marked.clear()
        found = list(map(self._filled, bodies))
        others = iter(self._make([body for body, line in zip(bodies, found) if line is None]))
        for (key, marked), line in zip(self._marked.items(), self._make(list(self._marked.values()))):
            self._known[key] = _with_places(line, decode(marked), b'"serial":"' in marked)
        return [next(others) if line is None else line for line in found]

    def _filled(self, body: bytes) -> bytes | None:
        """The line of a record like one that is known, with plain texts; None: of any other."""
        parts = body.split(b'"', 10)
        if len(parts) < 11:
            return None
        brace, seq_key, number, id_key, colon, id_, comma, time_key, another_colon, time, rest = parts
        if (brace, seq_key, id_key, colon, comma, time_key, another_colon) != _HEAD:
            return None
        before, _, behind = rest.partition(b'"raw":"')       # within a text each quote has a backslash before it
        raw, _, end = behind.partition(b'"')
        begin, has_serial, between = before.partition(b'"serial":"')
        serial, _, between = between.partition(b'"') if has_serial else (b"none", b"", b"")
        if not self._are_plain(b"\n".join((number, id_, time, serial, raw))):
            return None
        key = b"\0".join((begin, between, end))
        line = self._known.get(key)
        if line is None:
            if key not in self._known:
                self._see(key, begin, between, end, bool(has_serial))
            return None
        return line.text % line.pick(
            (number[1:-1], _guarded(id_), _guarded(time), _guarded(serial), _guarded(raw)))

    def _see(self, key: bytes, begin: bytes, between: bytes, end: bytes, has_serial: bool) -> None:
        """What is seen again is to be known from the next batch on; much is never seen again."""
        for seen in (self._once, self._known):
            if len(seen) >= _KNOWN:
                seen.clear()
        if key not in self._once:
            return self._once.add(key)
        if any(mark in key for mark in _MARKS):
            self._known[key] = None
            return
        seq, id_, time, serial, raw = _MARKS
        self._marked[key] = b"".join((b'{"seq":', seq, b',"id":"', id_, b'","time":"', time, b'"', begin,
                                      b'"serial":"%b"' % serial if has_serial else b"", between,
                                      b'"raw":"', raw, b'"', end))


def _with_places(line: bytes, record: Record, has_serial: bool) -> _Line | None:
    """The line with a place for each mark; None where none is there, or one stands for something else."""
    *_, serial, raw = _MARKS
    if record.raw.encode() != raw or record.serial.encode() != (serial if has_serial else b""):
        return None
    there = sorted((line.index(mark), number) for number, mark in enumerate(_MARKS) if mark in line)
    if not there:
        return None
    text = line.replace(b"%", b"%%")
    for mark in _MARKS:
        text = text.replace(mark, b"%b")
    return _Line(text, _picking(tuple(number for _, number in there)))


@cache
def _picking(numbers: tuple[int, ...]) -> Pick:
    return itemgetter(*numbers)


def _guarded(text: bytes) -> bytes:
    """A plain text that no spreadsheet takes for a formula."""
    return b"'" + text if chr(text[0]) in FORMULA else text
