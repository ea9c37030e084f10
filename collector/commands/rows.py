"""What arrives on a line, as rows for a technician's eyes: time, gap, text, and hex below it.

Knows: where a row ends, how text that came over a wire is shown on a terminal.
Must not know: ports, clocks, how rows are printed.
"""

from collections.abc import Sequence
from itertools import groupby

from msgspec import Struct

from collector.probe.evidence import Character
from collector.record import escape

HEAD = r"   seconds       gap  what arrived (\xNN: no text; <!NN>, <break>: line errors), below it the same in hex"
_INDENT = " " * 22
_LONGEST = 48                            # characters in a row
_CR, _LF = 0x0D, 0x0A


class Row(Struct, frozen=True):
    """Characters that belong together; seconds since the start, and since the character before them."""

    began_s: float
    gap_s: float
    characters: tuple[Character, ...]

    def __str__(self) -> str:
        times = f"{self.began_s:10.3f} {self.gap_s:+9.3f}"
        return f"{times}  {text_of(self.characters)}\n{_INDENT}{hex_of(self.characters)}"


class Rows:
    """A row ends behind CR, LF or CR LF, at a length, or where the caller says that it was quiet."""

    def __init__(self) -> None:
        self._held: list[Character] = []
        self._began_s = self._gap_s = self._last_s = 0.0

    @property
    def waiting(self) -> bool:
        return bool(self._held)

    def feed(self, characters: Sequence[Character], at_s: float) -> list[Row]:
        """The rows that these characters, read at `at_s`, complete."""
        found = []
        for one in characters:
            after_cr = bool(self._held) and self._held[-1].byte == _CR
            if after_cr and one.byte != _LF or len(self._held) >= _LONGEST:
                found += self.end()
            if not self._held:
                self._began_s, self._gap_s = at_s, at_s - self._last_s
            self._held.append(one)
            self._last_s = at_s
            if one.byte == _LF:
                found += self.end()
        return found

    def end(self) -> list[Row]:
        """The row that is not complete."""
        if not self._held:
            return []
        row = Row(self._began_s, self._gap_s, tuple(self._held))
        self._held = []
        return [row]


def text_of(characters: Sequence[Character]) -> str:
    """Printable ASCII as it is, the rest as `\\xNN`, characters with a line error as `<!NN>`: nothing raw."""
    said = ""
    for bad, group in groupby(characters, key=lambda one: one.bad):
        run = bytes(one.byte for one in group)
        said += "".join(f"<!{byte:02x}>" if byte else "<break>" for byte in run) if bad else escape(run)
    return said


def hex_of(characters: Sequence[Character]) -> str:
    """`41 31 !0d`: what had a line error with a `!`."""
    return " ".join(f"!{one.byte:02x}" if one.bad else f"{one.byte:02x}" for one in characters)
