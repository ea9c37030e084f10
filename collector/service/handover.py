"""The bounded hand-over from the ports' threads to the worker, in the order in which things happened.

Knows: what is handed over, how much may wait.
Must not know: who reads, what becomes of it.

It never refuses anything: when `full` the reader stops reading, so that bytes wait in the kernel and in the column.
"""

import threading
from collections import deque
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
        self._items: deque[Any] = deque()
        self._held_bytes = 0
        self._woken = False
        self._changed = threading.Condition()

    @property
    def waiting(self) -> bool:
        """Whether something is there to be taken."""
        return bool(self._items)

    @property
    def full(self) -> bool:
        """Whether nothing more should be read for now."""
        return self._held_bytes >= self._most_bytes

    def put(self, item: Any) -> None:
        """Hand one item over; never waits, never refuses."""
        with self._changed:
            self._items.append(item)
            self._held_bytes += _EACH_BYTES + _chunk_bytes(item)
            self._changed.notify()

    def put_chunks(self, chunks: list[Chunk]) -> None:
        """Hand over what one round of reading brought; it is taken together, as far as one transaction allows."""
        with self._changed:
            self._items += chunks
            self._held_bytes += sum(_EACH_BYTES + len(chunk.data) for chunk in chunks)
            self._changed.notify()

    def take_all(self, timeout_s: float) -> list[Any]:
        """What waits, oldest first: all, or as much as TAKEN_BYTES of chunks allow, and at least one item.

        Waits up to `timeout_s` for something or for `wake`; else an empty list.
        """
        with self._changed:
            self._changed.wait_for(lambda: self._items or self._woken, timeout_s)
            self._woken = False
            return self._take()

    def _take(self) -> list[Any]:
        taken, chunk_bytes, items = [], 0, self._items
        while items:
            size = _chunk_bytes(items[0])
            if taken and chunk_bytes + size > TAKEN_BYTES:
                break
            taken.append(items.popleft())
            chunk_bytes += size
        self._held_bytes -= chunk_bytes + _EACH_BYTES * len(taken)
        return taken

    def wake(self) -> None:
        """Let `take_all` return now, or the next one at once, whatever waits."""
        with self._changed:
            self._woken = True
            self._changed.notify()


def _chunk_bytes(item: Any) -> int:
    return len(item.data) if isinstance(item, Chunk) else 0
