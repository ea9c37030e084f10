"""Seven bits and parity, checked here: the line brings eight bits without parity, the eighth being the parity bit.

Knows: parity of a byte, the driver's marks (marks.py), which it keeps and adds to.
Must not know: devices, frames.

For adapters that take neither seven bits nor parity, and for terminal servers that pass eight bits on.
"""

import re

from collector.ports.marks import BAD


class ParityCheck:
    """Bytes of eight bits -> bytes of seven, a bad one marked as `FF 00 X`.  One for each opening of a port."""

    def __init__(self, parity: str, marked: bool):
        """`parity`: E, O, M or S.  `marked`: the driver marks its own errors in what comes (`FF` is then doubled)."""
        self._good = bytes(byte for byte in range(256) if _is_good(byte, parity))
        self._sound = self._good.replace(b"\xff", b"") if marked else self._good
        self._element, self._marked = _MARKED if marked else _PLAIN, marked
        self._held = b""

    def check(self, data: bytes) -> bytes:
        """What is whole of it so far; a mark that a chunk's end has cut is held."""
        if not self._held and not data.translate(None, self._sound):
            return data.translate(_SEVEN)
        data = self._held + data
        found = self._element.findall(data)
        self._held = found.pop() if found and found[-1] in (b"\xff", b"\xff\x00") and self._marked else b""
        return b"".join(map(self._checked, found))

    def rest(self) -> bytes:
        """What is held though nothing follows it."""
        held, self._held = self._held, b""
        return held

    def _checked(self, element: bytes) -> bytes:
        if element[0] == 0xFF and element[1:] not in (b"", b"\xff"):        # the driver's own mark
            return element
        byte = element[-1:]
        return byte.translate(_SEVEN) if byte in self._good else BAD + byte


def _is_good(byte: int, parity: str) -> bool:
    if parity in "MS":
        return (byte >> 7 == 1) == (parity == "M")
    return byte.bit_count() % 2 == (parity == "O")


_SEVEN = bytes(byte & 0x7F for byte in range(256))
_PLAIN = re.compile(rb".", re.DOTALL)
_MARKED = re.compile(rb"\xff\x00.|\xff\x00\Z|\xff[^\x00]|.", re.DOTALL)
