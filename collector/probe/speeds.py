"""The speed of a line, from the lengths of its bits as a faster receiver sees them.

Knows: that a level changes only at whole multiples of the sender's bit, counted from the edge that starts a character.
Must not know: text, parity, ports; what is done with a speed that was found.

A receiver at R takes samples every 1/R.  Received as 8N1, its start bit and eight data bits are nine levels in a row; a
sender at R/4 shows changes only behind the fourth and the eighth of them.  So one burst at R tells every speed from
half of it down to a sixth, and an eighth, where only the last of them shows any; a slower sender shows none, since its
start bit alone outlasts a character.
"""

from collections import Counter
from collections.abc import Sequence

from msgspec import Struct

from collector.probe.evidence import Character, Look, Setting

KNOWN = (150, 300, 600, 1200, 2400, 4800, 7200, 9600, 14400, 19200, 28800, 38400, 57600, 115200)
"""Speeds that are looked for, in bits/s."""

FIRST, FASTEST = 38400, 115200
LADDER = (FASTEST, FIRST, 9600, 1200)
"""Speeds at which bits are measured.  FIRST tells 9600 and 19200, which columns use most, from one burst."""
SLOWEST = LADDER[-1]

SLOWER, MEASURED, UNDIVIDED, TOO_LITTLE, REFUSED = "slower", "measured", "undivided", "too little", "refused"
LIKENED = "likened"                            # looked at because another speed may have been taken for it
_LEAST_CHANGES, _LEAST_CHARACTERS = 16, 4
_SHARE = 0.93
_LATE, _LEAST_LATE, _LATE_SHARE = 8, 4, 0.12   # the ratio of which late changes tell: those behind the 7th and 8th bit
_LEAST_RATIO, _MOST_RATIO, _EARLY = 1.9, 6.1, 6    # below, changes look the same at every place; above, all are late
_DRIFT = 0.03                                  # how far two clocks may be apart, and the receiver's own steps


class Bits(Struct, frozen=True):
    """What a look says of the bits: `kind`, and for MEASURED the speed and how many of the changes fit it.

    TOO_LITTLE is UNDIVIDED so far: more characters may show that it is not.
    """

    kind: str
    baud: int = 0
    fitting: int = 0
    changes: int = 0


def changes(characters: Sequence[Character]) -> Counter[int]:
    """How often the level changed behind the 1st to 8th bit of a character, its start bit being the first."""
    found: Counter[int] = Counter()
    for one in characters:
        levels = one.byte << 1
        found.update(at + 1 for at in range(8) if (levels ^ levels >> 1) >> at & 1)
    return found


def well_begun(characters: Sequence[Character]) -> list[Character]:
    """Without those that follow a character without a stop bit; where none is marked, one that ends low.

    Some receivers take the place of a missing stop bit for the next start, and count from there, which is nowhere.
    """
    marked = any(one.bad for one in characters)
    before = (Character(0), *characters)
    return [one for last, one in zip(before, characters)
            if not last.byte or not (last.bad if marked else last.byte < 0x80)]


def places(ratio: float) -> set[int]:
    """Where changes can be seen when the sender's bit is `ratio` times as long as the receiver's."""
    return {at for at in range(1, 9) for bit in range(1, 9) if abs(bit * ratio - at) <= 0.5 + _DRIFT * at}


def measure(look: Look) -> Bits:
    """What one look as 8N1 says of the sender's speed."""
    if look.refused:
        return Bits(REFUSED)
    characters = look.characters
    if len(characters) < _LEAST_CHARACTERS:
        return Bits(TOO_LITTLE)
    found, sound = changes(characters), changes(well_begun(characters))
    if sum(found[at] for at in range(1, _EARLY + 1)) < (1 - _SHARE) * len(characters):
        return _late_bit(look.setting.baud, found, len(characters)) or Bits(SLOWER)
    bits = _longest_bit(look.setting.baud, found) or _longest_bit(look.setting.baud, sound)
    if not any(one.bad for one in characters):
        sound = found                          # more of the same would not show more
    return bits or Bits(UNDIVIDED if sound.total() >= _LEAST_CHANGES else TOO_LITTLE)


def _late_bit(speed: int, found: Counter[int], characters: int) -> Bits | None:
    fitting = found[_LATE - 1] + found[_LATE]
    if speed // _LATE not in KNOWN or fitting < max(_LEAST_LATE, _LATE_SHARE * characters):
        return None
    return Bits(MEASURED, speed // _LATE, fitting, found.total())


def _longest_bit(speed: int, found: Counter[int]) -> Bits | None:
    """The slowest sender that explains nearly all changes: one of twice its speed would explain them, too."""
    total = found.total()
    if total < _LEAST_CHANGES:
        return None
    for baud in KNOWN:
        ratio = speed / baud
        fitting = sum(found[at] for at in places(ratio))
        if _LEAST_RATIO <= ratio <= _MOST_RATIO and fitting >= _SHARE * total:
            return Bits(MEASURED, baud, fitting, total)
    return None


def next_speed(measured: dict[int, Bits]) -> Setting | Bits | None:
    """What the looks so far, by speed, lead to: the next look, or the speed, or None: none is left to look at.

    The speed may be UNDIVIDED: what the fastest look is sent with, since no faster one can divide it.
    """
    found = next((measured[baud] for baud in LADDER if baud in measured and measured[baud].kind == MEASURED), None)
    if found is not None:
        return found
    if FIRST not in measured:
        return Setting(FIRST)
    if measured[FIRST].kind != SLOWER:
        if FASTEST not in measured:
            return Setting(FASTEST)
        if measured[FASTEST].kind == REFUSED:
            return Bits(UNDIVIDED, FIRST)
        return None if measured[FASTEST].kind == SLOWER else Bits(UNDIVIDED, FASTEST)
    for baud, slower in zip(LADDER[1:], LADDER[2:]):
        if measured[baud].kind != SLOWER:
            return None
        if slower not in measured:
            return Setting(slower)
    return Bits(UNDIVIDED, SLOWEST) if measured[SLOWEST].kind != SLOWER else None


def likened(found: Bits, own: Bits) -> list[Bits]:
    """The speeds that may have been taken for the one found; `own`: what the look at that one says of it."""
    near = [found.baud * 2, found.baud // 2]
    if own.kind == MEASURED:
        near.insert(0, own.baud)
    if found.kind == UNDIVIDED:
        near = [FIRST, *near, FIRST // 2]
    return [Bits(LIKENED, baud) for baud in dict.fromkeys(near) if baud in KNOWN and baud != found.baud]


def instead(measured: dict[int, Bits]) -> list[Bits]:
    """The speeds to look at where the looks contradict each other, as they do when a receiver has lost its place."""
    if SLOWEST in measured:
        return []
    near = (2400, 4800) if measured[FIRST].kind == SLOWER else (9600, 19200)
    return [Bits(LIKENED, baud) for baud in near]
