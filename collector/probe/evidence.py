"""What a line brought at one setting: characters, bursts, how much of it is text.

Knows: the driver's marks of line errors, what a column's line is made of.
Must not know: ports, speeds other than the one it was received at, what is looked at next.

A mark stands for more than it says: some adapters mark a whole packet for one bad character, some mark nothing at all.
So marks may support a judgement, and only where some were seen does their absence count.
"""

from collections.abc import Sequence

from msgspec import Struct

_MARK = 0xFF
_CONTROLS = b"\x02\x03\x04\x06\t\n\r\x15"
PLAIN = frozenset(range(0x20, 0x7F)) | frozenset(_CONTROLS)
"""What a column's line is made of: printable ASCII, and the controls that frame it."""

_DIGITS = frozenset(b"0123456789")
TEXT_SHARE, DIGIT_SHARE = 0.9, 0.1


class Setting(Struct, frozen=True):
    """How the line is looked at: bits/s, and bits, parity, stop bits as a configuration writes them."""

    baud: int
    character: str = "8N1"

    def __str__(self) -> str:
        return f"{self.baud} {self.character}"


class Character(Struct, frozen=True, gc=False):
    """One character as received; `bad`: marked with a parity or framing error, or a break (then the byte is 0)."""

    byte: int
    bad: bool = False


Burst = tuple[Character, ...]
"""What came without a pause in it."""


class Look(Struct, frozen=True):
    """What arrived at one setting.  `refused`: the adapter does not take the setting; `pause_s`: how long it was quiet
    before, where known."""

    setting: Setting
    bursts: tuple[Burst, ...] = ()
    refused: bool = False
    pause_s: float | None = None

    @property
    def characters(self) -> list[Character]:
        return [one for burst in self.bursts for one in burst]

    @property
    def sound(self) -> list[Character]:
        """The characters of all bursts but the worst of several, which may have been hit."""
        ranked = sorted(self.bursts, key=plain_share)
        return [one for burst in ranked[len(ranked) > 1:] for one in burst]


class Unmarking:
    """Takes the marks out of a stream, however it is chunked: `FF 00 X` is a bad X, `FF FF` a good FF."""

    def __init__(self, marked: bool):
        self._marked, self._held = marked, b""

    def feed(self, data: bytes) -> list[Character]:
        """The characters that are whole now; a mark cut in two waits for its rest."""
        if not self._marked:
            return [Character(byte) for byte in data]
        data, at, found = self._held + data, 0, []
        while at < len(data):
            mark = data[at:at + 3]
            if mark[0] != _MARK:
                found.append(Character(mark[0]))
                at += 1
                continue
            if mark in (b"\xff", b"\xff\x00"):
                break
            bad = mark[1] == 0
            found.append(Character(mark[2] if bad else _MARK, bad))
            at += 3 if bad else 2 if mark[1] == _MARK else 1
        self._held = data[at:]
        return found


def plain_share(characters: Sequence[Character]) -> float:
    """Which share of them is good and plain text; 0 for none."""
    return _share([not one.bad and one.byte in PLAIN for one in characters])


def is_text(characters: Sequence[Character]) -> bool:
    """Whether these can be readings as a column sends them: good plain text, with digits in it."""
    return plain_share(characters) >= TEXT_SHARE and _share([one.byte in _DIGITS for one in characters]) >= DIGIT_SHARE


def _share(true: list[bool]) -> float:
    return sum(true) / len(true) if true else 0.0
