"""Orders that the MES drops into a folder: what one may say, and the process that looks at one folder.

Knows: the fields of an order; one child a folder, told its spec in one line on standard input, then the mark of each
order that is in force; the end of that input ends it.  What it says comes through its standard output; one thread here
waits for that and for nothing else.
Must not know: files (`order_runner`), what an order changes (the worker).

Each order is applied once: the child sends it with its file's mark; the worker commits what it says together with the
mark, then calls `in_force`; only then is the file moved to `taken/`.  Where it is killed in between, the child started
next sends the same mark again, and the worker, who knows it, calls `in_force` at once.
"""

import codecs
import json
import os
import re
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from difflib import get_close_matches
from typing import Any

import msgspec
import structlog
from msgspec import Struct

from collector.clock import Clock
from collector.errors import CollectorError

log = structlog.get_logger()

LONGEST_BYTES, LONGEST_TEXT = 64_000, 64
_MOST_FAULTS = 5
_TEMPERATURES = ("part-temperature", "master-temperature")
_PLAIN_NUMBER = re.compile(r"[+-]?[0-9]{1,9}(\.[0-9]{1,9})?")
_FIRST_WAIT_S, _LONGEST_WAIT_S = 0.5, 10.0
_WELL_AFTER_NS = 60_000_000_000                        # so old, a child that ends is not one that can't start
_SILENT_S = 5
_KILLED_WITHIN_NS = 300_000_000


class OrderSpec(Struct, frozen=True):
    """What one folder's orders may say.

    `source`: the context's name; `sets`: the fields an order may set, of part, lot, serial, operator, master,
    part-temperature, master-temperature; `parts`, `masters`: the known ones, an order that names another is refused.
    """

    source: str
    folder: str
    sets: tuple[str, ...]
    parts: tuple[str, ...]
    masters: tuple[str, ...]


class OrderRead(Struct, frozen=True, tag="read"):
    """An order to be put in force.  `fields`: `""` clears; `mark`: its file's name, inode, size and mtime, as one text.

    `name` and `mark` are printable: what is not in the file's name is shown as `\\xNN`.
    """

    source: str
    name: str
    mark: str
    fields: dict[str, str]
    wall_ns: int


class OrderRefused(Struct, frozen=True, tag="refused"):
    """An order that lies in `refused/` now, its reason beside it."""

    source: str
    name: str
    why: str
    wall_ns: int


class Looked(Struct, frozen=True, tag="looked"):
    """The child has looked at the folder.  `error`: what keeps it from its orders; `""` when well."""

    error: str


class NotWhole(CollectorError):
    """Not a JSON object, or not yet: look again, refuse it once nobody writes to it."""


class Wrong(CollectorError):
    """An order that can't be put in force: refuse it."""


# --- what stands in an order


class _Number(str):
    """A JSON number as the digits that stand there."""


def read_order(spec: OrderSpec, data: bytes) -> dict[str, str]:
    """The fields that an order sets, `""` for one it clears.  Raises NotWhole, Wrong, with words for a person."""
    pairs = _pairs(data)
    counts = Counter(name for name, _ in pairs)
    faults = [f"the field {_shown(name)} stands there {count} times" for name, count in counts.items() if count > 1]
    faults += [fault for name, value in pairs if (fault := _fault(spec, name, value))]
    if not pairs:
        faults = [f"it has no field; fields are {', '.join(spec.sets)}"]
    if faults:
        more = [f"and {len(faults) - _MOST_FAULTS} more"] if len(faults) > _MOST_FAULTS else []
        raise Wrong("; ".join(faults[:_MOST_FAULTS] + more))
    return {name: str(value or "") for name, value in pairs}


def _pairs(data: bytes) -> tuple[tuple[str, Any], ...]:
    """The object's fields in their order.  Objects are tuples here, numbers `_Number`."""
    if len(data) > LONGEST_BYTES:
        raise NotWhole(f"it is longer than {LONGEST_BYTES} bytes")
    if not data.strip():
        raise NotWhole("it is empty")
    try:
        found = json.loads(data.removeprefix(codecs.BOM_UTF8).decode(), object_pairs_hook=tuple, parse_int=_Number,
                           parse_float=_Number, parse_constant=_Number)
    except UnicodeDecodeError as error:
        raise NotWhole(f"it is not UTF-8 text (byte {error.start + 1})") from error
    except json.JSONDecodeError as error:
        raise NotWhole(f"it is not JSON: {error.msg} (line {error.lineno}, column {error.colno})") from error
    except RecursionError as error:
        raise NotWhole("it is not an order: nested too deep") from error
    if not isinstance(found, tuple):
        raise NotWhole('it is not a JSON object; write it as in {"lot": "0123"}')
    return found


def _fault(spec: OrderSpec, name: str, value: Any) -> str:
    """What is wrong with one field, `""` for nothing."""
    if name not in spec.sets:
        return f"{_shown(name)} is no field that orders set here; {_instead(name, spec.sets)}"
    if value is None:
        return ""
    if isinstance(value, _Number) and name not in _TEMPERATURES:
        return f'{name} is a number; write it in quotes, as in "0123", so that every digit counts'
    if not isinstance(value, str):
        return f'{name} is no text; write it in quotes, as in "0123"'
    if not value.strip():
        return f"{name} is empty; to clear it write null"
    if len(value) > LONGEST_TEXT:
        return f"{name} has {len(value)} characters; at most {LONGEST_TEXT} are taken"
    if not value.isprintable():
        return f"{name} has a character that can't be shown: {_shown(value)}"
    if name in _TEMPERATURES and not _PLAIN_NUMBER.fullmatch(value):
        return f"{name} {_shown(value)} is no number in plain digits; write it as in 21.5"
    known = {"part": spec.parts, "master": spec.masters}.get(name)
    if known is not None and value not in known:
        return f"there is no {name} {_shown(value)}; {_instead(value, known)}"
    return ""


def _shown(text: str) -> str:
    return repr(text) if len(text) <= LONGEST_TEXT else f"{text[:LONGEST_TEXT]!r}…"


def _instead(wrong: str, known: tuple[str, ...]) -> str:
    near = get_close_matches(wrong[:LONGEST_TEXT], known, 1)
    if near:
        return f"did you mean {near[0]!r}?"
    return f"known are {', '.join(known[:10])}{' …' if len(known) > 10 else ''}" if known else "none is known here"


# --- the process that looks

_decode = msgspec.json.Decoder(OrderRead | OrderRefused | Looked).decode


class OrderFolder:
    """One folder of orders and the process that looks at it.

    `put` is called by a thread of this object's own.  `in_force` may be called by any thread, the others by one.
    """

    def __init__(self, spec: OrderSpec, put: Callable[[OrderRead | OrderRefused], None], clock: Clock):
        self.starts = 0
        self.spec, self._put, self._clock = spec, put, clock
        self._child: subprocess.Popen | None = None
        self._writing = threading.Lock()               # a closed descriptor's number may be another file's already
        self._wait_s, self._start_at_ns, self._started_ns = _FIRST_WAIT_S, 0, 0
        self._said, self._heard_ns = "", 0
        self.look()

    @property
    def error(self) -> str:
        """What a person should know: a folder is missing, an order can't be moved, nothing is heard; `""`: well."""
        silent_s = (self._clock.steady_ns() - self._heard_ns) // 1_000_000_000
        if self._child is not None and silent_s >= _SILENT_S:
            return f"the folder {self.spec.folder} has not answered for {silent_s} s; is its share away?"
        return self._said

    def look(self) -> None:
        """Start the child if it is not running and its time has come.  Called about once a second."""
        now = self._clock.steady_ns()
        if self._child is not None:
            code = self._child.poll()
            if code is None:
                return
            self.let_go()
            self._child = None
            if now - self._started_ns >= _WELL_AFTER_NS:
                self._wait_s = _FIRST_WAIT_S
            self._again(f"has ended with code {code}", now)
        if now >= self._start_at_ns:
            self._start(now)

    def _again(self, why: str, now: int) -> None:
        self._said = f"the process that looks at {self.spec.folder} {why}"
        log.error("orders-ended", source=self.spec.source, cause=self._said, again_in_s=self._wait_s)
        self._start_at_ns = now + int(self._wait_s * 1e9)
        self._wait_s = min(self._wait_s * 2, _LONGEST_WAIT_S)

    def _start(self, now: int) -> None:
        try:
            child = subprocess.Popen([sys.executable, "-m", "collector.service.order_runner"], stdin=subprocess.PIPE,
                                     stdout=subprocess.PIPE, start_new_session=True)
        except OSError as error:
            return self._again(f"can't be started: {error.strerror}", now)
        self.starts += 1
        self._started_ns = self._heard_ns = now
        with suppress(BrokenPipeError):                # it has ended already: look() will see to it
            child.stdin.write(msgspec.json.encode(self.spec) + b"\n")
            child.stdin.flush()
        os.set_blocking(child.stdin.fileno(), False)
        self._child = child
        threading.Thread(target=self._hear, args=(child,), name=f"orders-{self.spec.source}", daemon=True).start()

    def _hear(self, child: subprocess.Popen) -> None:
        with child.stdout:
            for line in child.stdout:
                if not line.endswith(b"\n"):
                    return                             # it was killed while it said this
                said = _decode(line)
                if not isinstance(said, Looked):
                    self._put(said)
                elif child is self._child:
                    self._looked(said.error)

    def _looked(self, error: str) -> None:
        self._heard_ns = self._clock.steady_ns()
        if error and error != self._said:
            log.error("orders-stuck", source=self.spec.source, cause=error)
        self._said = error

    def in_force(self, mark: str) -> None:
        """The order with this mark is committed: its file may be moved to `taken/`.  Never blocks.

        What a dead child is not told any more, the next one asks for.
        """
        with self._writing:
            child = self._child
            if child is not None and not child.stdin.closed:
                with suppress(BlockingIOError, BrokenPipeError):
                    os.write(child.stdin.fileno(), mark.encode() + b"\n")

    def let_go(self) -> None:
        """Ask it to move what is in force and end."""
        with self._writing, suppress(OSError):
            if self._child is not None:
                self._child.stdin.close()

    def end(self, deadline_ns: int) -> bool:
        """Wait for its end, kill it shortly before the deadline (monotonic).  False: it hangs and is left behind."""
        child = self._child
        if child is None or _ends_by(child, deadline_ns - _KILLED_WITHIN_NS):
            return True
        log.error("orders-killed", source=self.spec.source)
        child.kill()
        if _ends_by(child, deadline_ns):
            return True
        log.error("orders-hang", source=self.spec.source, pid=child.pid)
        return False


def _ends_by(child: subprocess.Popen, at_ns: int) -> bool:
    try:
        child.wait(max(0.0, (at_ns - time.monotonic_ns()) / 1e9))
    except subprocess.TimeoutExpired:
        return False
    return True
