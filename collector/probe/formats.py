"""Bits and parity of a line, from characters received at its own speed.

Knows: what a character of another format looks like when it is received as 8N1.
Must not know: speeds, ports, what is looked at next.

Received as 8N1, a parity bit behind seven data bits stands in the eighth; one behind eight data bits stands where the
stop bit should be, so that a 0 there is a framing error; and where a character is shorter than ten bits, that is where
the next one begins.
"""

from collections.abc import Callable, Sequence

from msgspec import Struct

from collector.probe.evidence import PLAIN, Burst, Character, Look

FITS = 0.85
_CLOSE = 0.04                            # shares this near to the best fit equally


def _even(byte: int) -> bool:
    return byte.bit_count() % 2 == 0


FORMATS: dict[str, Callable[[Character], bool]] = {
    # whether a character as received as 8N1 can be plain text in this format, in order of likelihood
    "8N1": lambda one: not one.bad and one.byte in PLAIN,
    "7E1": lambda one: not one.bad and _even(one.byte) and one.byte & 0x7F in PLAIN,
    "8E1": lambda one: one.bad == _even(one.byte) and one.byte in PLAIN,
    "7O1": lambda one: not one.bad and not _even(one.byte) and one.byte & 0x7F in PLAIN,
    "8O1": lambda one: one.bad != _even(one.byte) and one.byte in PLAIN,
    "7N1": lambda one: one.byte & 0x80 != 0 and one.byte & 0x7F in PLAIN,
}

SAME = {"8N1": ("8N2", "7S1"), "7E1": ("7E2",), "7O1": ("7O2",), "8E1": ("8E2",), "8O1": ("8O2",),
        "7N1": ("7N2", "7M1")}
"""Formats that nothing received can tell from these; both read such a line rightly."""


class Fit(Struct, frozen=True):
    """How well a format explains what came as 8N1: all of it, and the part before each burst's first bad character."""

    character: str
    share: float
    share_before_bad: float


def fits(look: Look) -> list[Fit]:
    """Every format, the best first.

    After a framing error a receiver may have lost its place, so that the rest of the burst is garbage; up to there,
    that character included, it had not.
    """
    until_bad = [_until_bad(burst) for burst in look.bursts]
    found = [Fit(name, _explained(name, look.bursts), _explained(name, until_bad)) for name in FORMATS]
    return sorted(found, key=lambda fit: (-fit.share, -fit.share_before_bad))


def equal_fits(found: Sequence[Fit]) -> list[str]:
    """The formats that explain nearly all, and equally well; none where nothing does."""
    best = found[0].share
    return [fit.character for fit in found if fit.share >= FITS and fit.share >= best - _CLOSE]


def to_try(found: Sequence[Fit]) -> list[str]:
    """Formats to look with where nothing fits, the likeliest first; 8N1 has been."""
    ranked = sorted(found, key=lambda fit: -round(fit.share_before_bad, 1))
    return [fit.character for fit in ranked if fit.character != "8N1"]


def _until_bad(burst: Burst) -> Burst:
    first = next((at for at, one in enumerate(burst) if one.bad), len(burst))
    return burst[:first + 1]


def _explained(name: str, bursts: Sequence[Burst]) -> float:
    """The share of characters that the format explains; of several bursts the worst is left out, as in Look.sound."""
    explains = FORMATS[name]
    counts = [(sum(map(explains, burst)), len(burst)) for burst in bursts if burst]
    counts.sort(key=lambda one: one[0] / one[1])
    counts = counts[len(counts) > 1:]
    total = sum(length for _, length in counts)
    return sum(count for count, _ in counts) / total if total else 0.0
