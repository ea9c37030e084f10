"""The bounded hand-over from the ports' threads to the worker, in the order in which things happened.

Knows: what is handed over, how much may wait.
Must not know: who reads, what becomes of it.

It never refuses anything: when `full` the reader stops reading, so that bytes wait in the kernel and in the column.
"""

import threading
from collections import deque
from contextlib import suppress
from queue import Empty, SimpleQueue
from typing import Any

from msgspec import Struct

from collector.ports import LineErrors
from collector.record import Chunk

MOST_BYTES = 16_000_000
TAKEN_BYTES = 256_000                        # of chunks at a time: what is made of them is one transaction
_EACH_BYTES = 200                            # what an item takes in memory beside its bytes


class PortOpened(Struct, frozen=True):
    """A port is open.  `identity`: what was really opened; `marked`: line errors are marked in its bytes;
    `discarded`: how many bytes waited that had come under other settings."""

    port: str
    wall_ns: int
    steady_ns: int
    identity: str
    marked: bool = False
    discarded: int = 0


class PortClosed(Struct, frozen=True):
    """A port was open and is not any more; no byte after this belongs to one before.

    `bytes`: read while it was open; `open_ns`: how long that was.
    """

    port: str
    wall_ns: int
    cause: str
    bytes: int = 0
    open_ns: int = 0


class PortWaiting(Struct, frozen=True):
    """A port can't be opened; given once for each cause until it has been open again."""

    port: str
    wall_ns: int
    cause: str


class PortAsked(Struct, frozen=True):
    """A column was sent its request."""

    port: str
    steady_ns: int


class PortQuiet(Struct, frozen=True):
    """Until this moment nothing more has come on a port: it was looked at, and nothing waited."""

    port: str
    steady_ns: int


class PortLooked(Struct, frozen=True):
    """How the line is, where that has changed.  `errors`: since it was looked at last; None: nobody counts them."""

    port: str
    wall_ns: int
    errors: LineErrors | None
    tampered: bool = False


class HandOver:
    """Any thread puts; one thread takes."""

    def __init__(self, most_bytes: int = MOST_BYTES):
        self.stopped = threading.Event()     # set by the reader once it has put its last
        self._most_bytes = most_bytes
        self._put: SimpleQueue[list[Any]] = SimpleQueue()
        self._putting = threading.Lock()
        self._put_bytes = 0
        self._items: deque[Any] = deque()    # these two are the taker's alone
        self._taken_bytes = 0

    @property
    def waiting(self) -> bool:
        """Whether something is there to be taken, be it only a `wake`."""
        return bool(self._items) or not self._put.empty()

    @property
    def full(self) -> bool:
        """Whether nothing more should be read for now."""
        return self._put_bytes - self._taken_bytes >= self._most_bytes

    def put(self, item: Any) -> None:
        """Hand one item over; never waits, never refuses."""
        self.put_all([item])

    def put_all(self, items: list[Any]) -> None:
        """Hand over what one round of reading brought; it is taken together, as far as one transaction allows."""
        with self._putting:
            self._put_bytes += sum(map(_bytes_of, items))
            self._put.put(items)

    def take_all(self, timeout_s: float) -> list[Any]:
        """What waits, oldest first: all, or as much as TAKEN_BYTES of chunks allow, and at least one item.

        Waits up to `timeout_s` for something or for `wake`; else an empty list.
        """
        with suppress(Empty):
            if not self._items:
                self._items += self._put.get(timeout=timeout_s)
            while True:
                self._items += self._put.get_nowait()
        return self._take()

    def _take(self) -> list[Any]:
        taken, chunk_bytes, items = [], 0, self._items
        while items:
            size = _chunk_bytes(items[0])
            if taken and chunk_bytes + size > TAKEN_BYTES:
                break
            taken.append(items.popleft())
            chunk_bytes += size
        self._taken_bytes += chunk_bytes + _EACH_BYTES * len(taken)
        return taken

    def wake(self) -> None:
        """Let `take_all` return now, or the next one at once, whatever waits."""
        self._put.put([])


def _bytes_of(item: Any) -> int:
    return _EACH_BYTES + _chunk_bytes(item)


def _chunk_bytes(item: Any) -> int:
    return len(item.data) if isinstance(item, Chunk) else 0
