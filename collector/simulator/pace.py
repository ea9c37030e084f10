"""Wire speed: which bytes have left a serial line by now.

Knows: baud, the bits of a character, the moment a line is free again.
Must not know: what the bytes are, where they go, the clock (times are handed in, ns of a steady clock).

A character on the wire is a start bit, the data bits, a parity bit unless there is none, and the stop bits.
"""

from collector.config.models import Character

_SECOND = 1_000_000_000
_LATE_NS = 20_000_000
"""A wake-up this late is made up for at once; after a longer one the line goes on at its own speed from now."""


def bits_per_char(character: Character) -> float:
    """Bits that one character takes on the wire: 8N1 has 10, 7E1 10, 8E2 12, 5N1.5 7.5."""
    return _half_bits(character) / 2


def char_time_ns(baud: int, character: Character) -> int:
    """How long one character takes, in whole nanoseconds, rounded up."""
    return -(-_half_bits(character) * _SECOND // (2 * baud))


def _half_bits(character: Character) -> int:
    return 2 * (1 + character.bits + (character.parity != "N")) + int(2 * float(character.stop))


class Pacer:
    """One line's sender: bytes go in at one go and come out no earlier than their last bit has left the wire.

    Counts in whole bits of the message, never by adding up character times, so it does not drift.
    """

    def __init__(self, baud: int, character: Character):
        self.free_ns = 0                       # when the line has sent all that was put in
        self._half_bits, self._half_baud = _half_bits(character), 2 * baud
        self._data, self._begun_ns, self._taken = b"", 0, 0

    @property
    def is_idle(self) -> bool:
        """Whether everything put in has been taken out."""
        return self._taken == len(self._data)

    def put(self, data: bytes, due_ns: int, now_ns: int) -> None:
        """Begin to send, when due or when the line is free.  The line must be idle."""
        self._data, self._taken = data, 0
        self._begun_ns = max(due_ns, self.free_ns, now_ns - _LATE_NS)
        self.free_ns = self._begun_ns - (-len(data) * self._half_bits * _SECOND // self._half_baud)

    def take(self, now_ns: int) -> bytes:
        """The bytes that have left the wire since the last call."""
        if now_ns - self._begun_ns < 0:
            return b""
        gone = (now_ns - self._begun_ns) * self._half_baud // (self._half_bits * _SECOND)
        taken = self._data[self._taken:gone]
        self._taken += len(taken)
        return taken
