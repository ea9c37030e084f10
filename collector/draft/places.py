"""Columns by the places of a line, where fields touch: all frames are as long, the decimal mark in one place.

Knows: that a sign or a blank in a place tells where a number begins.
Must not know: what the fields are.
"""

import re

from collector.draft.proposal import NOTHING, NUMBER, WORD, Column, NotThisWay

_DIGITS = frozenset("0123456789")


def placed(texts: list[str], decimal: str) -> tuple[list[Column], list[tuple[int, int]]]:
    """The columns, and the places of each (from 1, both ends in).  Raises NotThisWay where the places don't tell."""
    numbered = [text for text in texts if re.search("[0-9]" + re.escape(decimal) + "[0-9]", text)]
    size = max(map(len, numbered), default=0)
    marks = [at for at in range(size) if all(len(text) == size and text[at] == decimal for text in numbered)]
    if len(numbered) < 3 or len(marks) != 1:
        raise NotThisWay("the frames are of different lengths, or the decimal mark stands in different places")
    first, last = _begin(numbered, marks[0]), _end(numbered, marks[0])
    spans = [*_spans(numbered, 0, first), (first, last), *_spans(numbered, last + 1, size)]
    if any(not char.isalnum() and char not in " +-" + decimal for text in numbered for char in text):
        raise NotThisWay("marks stand between the fields")
    columns = [_column([text[start:end + 1] for text in numbered], (start, end) == (first, last)) for start,
               end in spans]
    return columns, [(start + 1, end + 1) for start, end in spans]


def _begin(texts: list[str], mark: int) -> int:
    """The place of the sign, where signs stand in one place and something touches it."""
    signs = {at for text in texts for at in [_left(text, mark)] if text[at] in "+-"}
    touching = [at for at in signs if any(text[at] in "+- " and at and text[at - 1].isalnum() for text in texts)]
    kinds = {text[at] for at in touching for text in texts}
    if len(signs) != 1 or not touching or "-" not in kinds or len(kinds) < 2 or not kinds <= set("+- 0123456789"):
        raise NotThisWay("nothing tells in which place the value begins")
    return touching[0]


def _left(text: str, mark: int) -> int:
    at = mark - 1
    while at > 0 and text[at] in _DIGITS:
        at -= 1
    return at


def _end(texts: list[str], mark: int) -> int:
    last = mark
    while last + 1 < len(texts[0]) and all(text[last + 1] in _DIGITS for text in texts):
        last += 1
    if last + 1 < len(texts[0]) and any(text[last + 1] in _DIGITS for text in texts):
        raise NotThisWay("nothing tells in which place the value ends")
    return last


def _spans(texts: list[str], start: int, end: int) -> list[tuple[int, int]]:
    """Runs of places that are not blank in every frame."""
    found: list[tuple[int, int]] = []
    for at in range(start, end):
        if all(text[at] == " " for text in texts):
            continue
        if found and found[-1][1] == at - 1:
            found[-1] = (found[-1][0], at)
        else:
            found.append((at, at))
    return found


def _column(texts: list[str], is_value: bool) -> Column:
    said = tuple(text.strip() for text in texts)
    if is_value:
        return Column(NUMBER, said, cell=0)
    filled = [text for text in said if text]
    kind = NOTHING if not filled else NUMBER if all(text.isdigit() for text in filled) else WORD
    return Column(kind, said, cell=0)
