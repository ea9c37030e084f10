"""A whole probe: look after look until there is an answer, then a few more for the end mark, within the time given.

Knows: when to look again, and when enough is known.
Must not know: ports and clocks: what takes a look, and what tells that the time is over, are given.
"""

from collections.abc import Callable

from collector.probe.ends import GUESS, End, find_end
from collector.probe.evidence import Look, Setting
from collector.probe.judge import Answer, bursts_of, judge
from collector.probe.speeds import FIRST

Looking = Callable[[Setting], Look]
Over = Callable[[], bool]

_MOST_FOR_END = 3


def find_settings(look: Looking, is_over: Over) -> tuple[Answer, End]:
    """The settings and how frames end.  No look is begun once the time is over; then what is known has to do."""
    looks: list[Look] = []
    while isinstance(step := judge(looks, is_over()), Setting):
        looks.append(look(step))
    if step.setting is None:
        return step, End()
    at = step.setting if step.baud_matters else Setting(FIRST)
    return step, find_end_at(at, looks, look, is_over)


def find_end_at(setting: Setting, looks: list[Look], look: Looking, is_over: Over) -> End:
    """How frames end at settings that are known; `looks`, those so far, are added to where they do not suffice."""
    more = _MOST_FOR_END
    while True:
        end = find_end(bursts_of(setting, looks), [one.pause_s for one in looks if one.pause_s is not None])
        if end.confidence != GUESS or not more or is_over():
            return end
        looks.append(look(setting))
        more = more - 1 if looks[-1].bursts else 0
