"""How frames end, from bursts of text: what recurs before the pauses.

Knows: marks that end or begin a frame, fixed lengths, pauses.
Must not know: speeds, parity, ports, what a frame says.
"""

import re
from collections import Counter
from collections.abc import Sequence

from msgspec import Struct

from collector.record import escape

CERTAIN, LIKELY, GUESS = "certain", "likely", "a guess"

_CONTROLS = re.compile(rb"[\x00-\x1f\x7f]+")
_STARTS = (b"\x02", b"\x01")
_USUAL = (b"\r\n", b"\n", b"\r")
_SHARE = 0.8
_LEAST_PAUSE_MS, _MOST_PAUSE_MS = 20, 500


class End(Struct, frozen=True, kw_only=True):
    """What bounds a frame: the keys to write in a configuration (none: the default serves), how sure, and why."""

    keys: dict[str, str | int] = {}
    confidence: str = GUESS
    why: str = ""

    @property
    def known(self) -> bool:
        return bool(self.why)


def find_end(bursts: Sequence[bytes], pauses_s: Sequence[float] = ()) -> End:
    """The end mark of what came in these bursts.  `pauses_s`: how long it was quiet between them, where known.

    A burst may hold several frames; where there are no pauses at all, one burst holds all of them.
    """
    bursts = [burst for burst in bursts if burst]
    if not bursts:
        return End()
    tails = Counter(_tail(burst) for burst in bursts)
    tail, often = tails.most_common(1)[0]
    if tail and often >= _SHARE * len(bursts):
        return _marked(tail, bursts)
    recurring = _recurring(bursts)
    if recurring and len(bursts) < 3:
        return _marked(recurring, bursts)
    if len(bursts) < 3:
        return End()
    return _by_length_or_pause(bursts, pauses_s, recurring)


def _tail(burst: bytes) -> bytes:
    found = _CONTROLS.findall(burst)
    return found[-1] if found and burst.endswith(found[-1]) else b""


def _recurring(bursts: Sequence[bytes]) -> bytes:
    """The controls that stand most often within, where they come at least twice."""
    within = Counter(found for burst in bursts for found in _CONTROLS.findall(burst) if found not in _STARTS)
    mark, often = within.most_common(1)[0] if within else (b"", 0)
    return mark if often >= 2 else b""


def _marked(tail: bytes, bursts: Sequence[bytes]) -> End:
    often = sum(burst.count(tail) for burst in bursts)
    confidence = CERTAIN if often >= 3 else LIKELY if often == 2 else GUESS
    start = _start(bursts)
    mark = tail[:-len(start)] if start and tail.endswith(start) and len(tail) > len(start) else tail
    seen = f"{_shown(mark)} stands at the end of {often} frame{'s' if often != 1 else ''}"
    if mark in _USUAL and not start:
        return End(confidence=confidence, why=f"{seen}; the default ends frames there")
    keys: dict[str, str | int] = {"start": _text(start)} if start else {}
    began = f"; they begin with {_shown(start)}" if start else ""
    return End(keys={**keys, "end": _text(mark)}, confidence=confidence, why=seen + began)


def _start(bursts: Sequence[bytes]) -> bytes:
    for mark in _STARTS:
        if sum(burst.startswith(mark) for burst in bursts) >= _SHARE * len(bursts):
            return mark
    return b""


def _by_length_or_pause(bursts: Sequence[bytes], pauses_s: Sequence[float], within: bytes) -> End:
    """No mark at the ends: frames of one length, or pauses only."""
    lengths = Counter(map(len, bursts))
    length, often = lengths.most_common(1)[0]
    if often == len(bursts) and length > 1 and not within:
        return End(keys={"length": length}, confidence=LIKELY,
                   why=f"no mark at the ends, but all {often} bursts have {length} bytes; a gap would serve as well")
    shortest_ms = min(pauses_s, default=0.0) * 1000
    gap_ms = int(min(_MOST_PAUSE_MS, max(_LEAST_PAUSE_MS, shortest_ms / 4)))
    why = f"no mark at the ends of {len(bursts)} bursts of {min(lengths)} to {max(lengths)} bytes; pauses part them"
    if within:
        why += f"; {_shown(within)} stands before the end, and what follows it changes: a checksum?"
    return End(keys={"gap": f"{gap_ms} ms"}, confidence=LIKELY if pauses_s else GUESS, why=why)


_NAMES = {0: "NUL", 2: "STX", 3: "ETX", 4: "EOT", 9: "TAB", 10: "LF", 13: "CR", 23: "ETB"}


def _shown(mark: bytes) -> str:
    return " ".join(_NAMES.get(byte, escape(bytes([byte]))) for byte in mark)


def _text(mark: bytes) -> str:
    return mark.decode("latin-1")
