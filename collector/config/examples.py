"""A format's own examples: captured frames and the readings expected of them.

Knows: how an expectation is written and compared; numbers compare digit for digit.
Must not know: where faults are shown.
"""

from collections.abc import Iterator

from collector.config.models import Example, Format
from collector.frames.parser import GROUPS, Parser
from collector.record import REASONS, Mark, OverRange, Reading, Unread, escape, unescape

KEYS = tuple(group.replace("_", "-") for group in GROUPS if group != "time")


def example_faults(form: Format, parser: Parser, encoding: str) -> Iterator[tuple[int, str, str]]:
    """(index, what, right) of each example that the format does not read as it says."""
    for index, example in enumerate(form.examples):
        try:
            frame = unescape(example.frame, encoding)
        except ValueError as error:
            yield index, str(error), ""
            continue
        if example.unread is not None and example.unread not in REASONS:
            yield index, f"{example.unread!r} is no reason", f"reasons are {', '.join(REASONS)}"
            continue
        for reading in example.readings or ():
            unknown = [key for key in reading if key not in KEYS]
            if unknown:
                yield index, f"{unknown[0]!r} is nothing a reading says", f"write some of {', '.join(KEYS)}"
        found = parser.parse(frame)
        if not _as_expected(example, found):
            yield (index, f"the frame {escape(frame, encoding)!r} is read as {told(found)}",
                   "correct the format or the example")


def _as_expected(example: Example, found: list | Unread) -> bool:
    if isinstance(found, Unread):
        return example.unread == found.reason
    if example.over_range:
        return all(isinstance(one, OverRange) for one in found)
    wanted = example.readings
    return wanted is not None and len(wanted) == len(found) and all(map(_matches, wanted, found))


def _matches(wanted: dict[str, str], found: object) -> bool:
    if isinstance(found, OverRange):
        return False
    return all(_fields(found).get(key, "") == text for key, text in wanted.items())


def _fields(found: Reading | Mark) -> dict[str, str]:
    return {**found.said, "value": f"{found.value:f}", "unit": found.unit} if isinstance(found, Reading) else found.said


def told(found: list | Unread) -> str:
    """What came out of a frame, in words."""
    if isinstance(found, Unread):
        return f"unread, {found.reason} ({found.why})"
    return "; ".join("over-range" if isinstance(one, OverRange) else
                     ", ".join(f"{key} {text}" for key, text in _fields(one).items() if text) or "a mark"
                     for one in found)
