"""Bits and parity of a line, from characters received at its own speed: how likely each format is to look like that.

Knows: how a sender makes levels of text, which of these levels a receiver has told of, and which it has missed.
Must not know: speeds, ports, what is looked at next.

A receiver set to another format takes a bit for another, and sometimes loses its place.  Still each character that it
tells of is ten or so levels of the sender's in a row; between them lie a few that nobody saw, but that ended in a fall.
So the levels are followed through every character that the sender may be within: a hidden Markov model, whose states
are the bits of the character so far (Rabiner 1989, "A tutorial on hidden Markov models", the forward procedure).
"""

import math
from collections.abc import Sequence
from functools import lru_cache

from collector.probe.evidence import PLAIN, Burst, Look

FORMATS = ("8N1", "7E1", "8E1", "7O1", "8O1", "7N1")
"""What is told apart, in order of likelihood."""

SAME = {"8N1": ("8N2", "7S1"), "7E1": ("7E2",), "7O1": ("7O2",), "8E1": ("8E2",), "8O1": ("8O2",),
        "7N1": ("7N2", "7M1")}
"""Formats that nothing received can tell from these; both read such a line rightly."""

_TEXT = ((b"0123456789", 0.45), (b"+-. \r\n", 0.25), (b",;:=\x02\x03", 0.1), (bytes(sorted(PLAIN)), 0.19),
         (bytes(range(256)), 0.01))      # of what text is made, and how much of it
_HIT = 0.003                             # a bit that noise has turned over
_WRONG_MARK = 0.02                       # an error marked where none was, or the other way round
_IDLE = 0.5                              # the line rests one bit longer
_NEGLIGIBLE, _HOPELESS = 1e-7, 30.0      # the share of a state; how far below levels without order nothing is gained
_MOST_CHARACTERS = 40                    # of a burst; more would not tell more

_RESTS, _STOPS, _FIRST = -1, 0, 1        # states beside the bits so far: those behind a 1, as a binary number

_States = dict[int, float]
_Steps = dict[int, tuple[tuple[int, float], tuple[int, float]]]


def likelihoods(looks: Sequence[Look], marks: bool) -> dict[str, float]:
    """Of each format, ln of how likely it is to bring these looks, beside levels without any order; all at its speed.

    `marks`: the port tells of line errors.  The receiver may be of either kind: after a missing stop bit one waits for
    the line to rest, the other takes it for the next start bit.
    """
    found = {}
    for name in FORMATS:
        kinds = [sum(_likelihood(name, waits, burst, look.setting.character, marks)
                     for look in looks for burst in look.bursts) for waits in (True, False)]
        found[name] = max(kinds)
    return found


@lru_cache(maxsize=4096)
def _likelihood(sent: str, waits: bool, burst: Burst, seen: str, marks: bool) -> float:
    """ln of how likely one burst is, beside levels without any order."""
    steps, states, sum_ln = _steps(sent), {_FIRST: 1.0}, 0.0
    bits, parity = int(seen[0]), seen[1]
    for one in burst[:_MOST_CHARACTERS]:
        for at in range(bits):
            states = _seen(steps, states, one.byte >> at & 1)
        low, high = _ended(steps, states, one.bad, parity, one.byte.bit_count() & 1, marks)
        share = sum(low.values()) + sum(high.values())
        sum_ln += math.log(max(share, 1e-300)) + math.log(2) * (bits + marks)
        if sum_ln < -_HOPELESS:
            break
        low, high = _scaled(low, share), _scaled(high, share)
        if waits or not one.byte:
            low = _fallen(steps, _step(steps, _unseen(steps, low, 0), 1))
        states = _joined(low, _fallen(steps, high))
    return sum_ln


def _ended(steps: _Steps, states: _States, bad: bool, parity: str, odd: int, marks: bool) -> tuple[_States, _States]:
    """The states behind the parity bit and a stop bit that was low, and behind one that was high."""
    right = {"N": None, "E": odd, "O": odd ^ 1}[parity]
    ends: tuple[_States, _States] = ({}, {})
    for bit in (None,) if right is None else (0, 1):
        behind = states if bit is None else _seen(steps, states, bit)
        for stop in (0, 1):
            is_bad = not stop or bit != right
            weight = 1.0 if not marks else 1 - _WRONG_MARK if is_bad == bad else _WRONG_MARK
            for state, share in _seen(steps, behind, stop).items():
                ends[stop][state] = ends[stop].get(state, 0.0) + share * weight
    return ends


def _seen(steps: _Steps, states: _States, level: int) -> _States:
    """Behind a bit that was received so, be it rightly or not."""
    found: _States = {}
    chances = (_HIT, 1 - _HIT) if level else (1 - _HIT, _HIT)
    for state, share in states.items():
        for (to, chance), seen in zip(steps[state], chances):
            if (part := share * chance * seen) > _NEGLIGIBLE:
                found[to] = found.get(to, 0.0) + part
    return found


def _step(steps: _Steps, states: _States, level: int) -> _States:
    found: _States = {}
    for state, share in states.items():
        to, chance = steps[state][level]
        found[to] = found.get(to, 0.0) + share * chance
    return found


def _unseen(steps: _Steps, states: _States, level: int) -> _States:
    """Behind any number of bits of this level."""
    found: _States = {}
    while states:
        rests = states.pop(_RESTS, 0.0) if level else 0.0
        found = _joined(found, states, {_RESTS: rests / (1 - _IDLE)} if rests else {})
        states = {state: share for state, share in _step(steps, states, level).items() if share > _NEGLIGIBLE}
    return found


def _fallen(steps: _Steps, states: _States) -> _States:
    """Behind the next fall, which starts a character for the receiver."""
    return _step(steps, _unseen(steps, states, 1), 0)


def _joined(*parts: _States) -> _States:
    found: _States = {}
    for part in parts:
        for state, share in part.items():
            found[state] = found.get(state, 0.0) + share
    return found


def _scaled(states: _States, total: float) -> _States:
    return {state: share / total for state, share in states.items() if share > _NEGLIGIBLE * total}


@lru_cache
def _steps(name: str) -> _Steps:
    """Where a low and a high level lead from each state, and how likely they are."""
    bits, parity = int(name[0]), name[1]
    depth = bits + (parity != "N")
    weights = [0.0] * (2 << depth)
    for byte in range(1 << bits):
        weight = sum(share / len(chosen) for chosen, share in _TEXT if byte in chosen)
        word = _FIRST
        for at in range(bits):
            word = word << 1 | byte >> at & 1
        if parity == "N":
            weights[word] = weight
            continue
        right = byte.bit_count() & 1 ^ (parity == "O")
        weights[word << 1 | right] = weight
    for state in reversed(range(1, 1 << depth)):
        weights[state] = weights[2 * state] + weights[2 * state + 1]
    last = 1 << depth - 1
    steps: _Steps = {_RESTS: ((_FIRST, 1 - _IDLE), (_RESTS, _IDLE)), _STOPS: ((_FIRST, 0.0), (_RESTS, 1.0))}
    for state in range(1, 1 << depth):
        steps[state] = tuple((_STOPS if state >= last else word, weights[word] / (weights[state] or 1.0))
                             for word in (2 * state, 2 * state + 1))
    return steps
