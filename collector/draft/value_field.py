"""The value's own field: what its digits leave open.

Knows: decimals that are not there, digits that touch other digits, letters or hyphens, small numbers of both signs.
Must not know: what stands elsewhere in the frame.
"""

import re
from collections import Counter
from decimal import Decimal

from collector.draft.looks import is_unit, places_of, plain_number
from collector.draft.proposal import NUMBER, WORD, CannotDraft, Column, Field
from collector.draft.telling import shown


def value_field(columns: list[Column], at: int, decimal: str, why: str) -> Field:
    """The field `value`, with everything about it that a person must say.

    Raises CannotDraft where its digits can't be told.
    """
    column, said = columns[at], columns[at].said
    _check_before(columns, at)
    _check_behind(columns, at, decimal)
    asked = _about_decimals(columns, at, decimal)
    first = shown(said[0])
    if len(said) == 1:
        asked.append(f"the value is {first} in the whole capture: is it the value? capture a part and a master")
    values = [plain_number(text, decimal) or Decimal(0) for text in said]
    is_deviation = min(values) < 0 < max(values)
    if is_deviation:
        asked.append("values are of both signs, so they are taken as deviations from nominal: are they?")
    elif max(map(abs, values)) < 1 or min(values) < 0:
        asked.append("are the values sizes, or deviations from nominal (reads: deviation)?")
    asked += _glued(columns, at)
    reason = f"{first} to {shown(said[-1])}: the number that changes from reading to reading"
    if column.is_constant:
        reason = f"{first}: the only number that can be the value"
    return Field("value", at, at, why or reason, "\n".join(asked), {"reads": "deviation"} if is_deviation else {})


def _about_decimals(columns: list[Column], at: int, decimal: str) -> list[str]:
    said, places = columns[at].said, places_of(columns[at], decimal)
    if places == {0}:
        _check_heads(columns, at)
        whole = all(text.isdigit() and len(text) > 2 for text in said)
        asked = "do all of these digits belong to the value, or do the first ones name a channel?"
        return [f"the value {shown(said[0])} has no decimal mark: how many of its digits are decimals? "
                f"implied-decimals: 3 would make it {_implied(said[0])}; nothing in the frame says",
                *([asked] if whole else [])]
    if 0 in places:
        without, within = (next(text for text in said if (decimal in text) == there) for there in (False, True))
        raise CannotDraft(f"some values have decimals and others have none ({shown(without)}, {shown(within)}): they "
                          "are not all of one kind")
    return [f"values have {min(places)} to {max(places)} decimals: do frames lose characters, or does the column leave "
            "zeros out?"] if len(places) > 1 else []


def _check_before(columns: list[Column], at: int) -> None:
    column, said, before = columns[at], columns[at].said, columns[at - 1] if at else None
    glued = column.cell < 0 and before is not None and before.kind in (WORD, NUMBER) and "" in column.gaps
    if all(text[0] == "-" for text in said) and (glued or all(text[1] == " " for text in said)):
        raise CannotDraft(f"every value is written {shown(said[0])}, and whether the - is a sign or stands between two "
                          "fields can't be told; a capture with a positive value would tell")
    if glued and before.kind == NUMBER and any(text[0] not in "+-" for text in said):
        raise CannotDraft(f"digits of two numbers touch ({shown(before.said[0] + said[0])}): where the value begins "
                          "can't be told")


def _check_behind(columns: list[Column], at: int, decimal: str) -> None:
    said, after = columns[at].said, columns[at + 1] if at + 1 < len(columns) else None
    if after is None or after.cell >= 0 or "" not in after.gaps:
        return
    if after.kind == NUMBER:                           # 12.00001+0 may be 12.0000, channel 1, and +0
        raise CannotDraft(f"digits of two numbers touch ({shown(said[0] + after.said[0])}): where the value ends can't "
                          "be told")
    words = after.kind == WORD and not after.is_constant and not is_unit(after)
    if words and len(places_of(columns[at], decimal)) > 1:
        raise CannotDraft(f"letters and digits are glued to the value's end ({shown(said[0] + after.said[0])}): where "
                          "it ends can't be told")


def _check_heads(columns: list[Column], at: int) -> None:
    """Raises CannotDraft where whole numbers fall into groups by their first digit: it may name a channel."""
    texts = [text for text in columns[at].texts if text]
    others = any(one.kind in (WORD, NUMBER) and not one.is_constant for place, one in enumerate(columns) if place != at)
    heads = Counter(text[0] for text in texts)
    if others or not all(text.isdigit() and len(text) > 4
                         for text in texts) or len(heads) < 2 or min(heads.values()) < 2:
        return
    rests = [[int(text[1:]) for text in texts if text[0] == head] for head in heads]
    if all(max(rest) - min(rest) < 10 ** (len(texts[0]) - 2) for rest in rests):
        raise CannotDraft(f"the first digit of {shown(texts[0])} may be a channel's name: where the value begins can't "
                          "be told")


def _glued(columns: list[Column], at: int) -> list[str]:
    """A letter right before digits without a sign: the first digit may belong to it."""
    column, before = columns[at], columns[at - 1] if at else None
    if before is None or column.cell >= 0 or before.kind != WORD or "" not in column.gaps:
        return []
    wholes = [re.match("[0-9]*", text)[0] for text in column.said if text[0] not in "+-"]
    if max(map(len, wholes), default=0) < 2:
        return []
    text = shown(before.said[0] + column.said[0])
    if max(map(len, wholes)) > 2 and any(one[:1] != "0" for one in wholes):
        raise CannotDraft(f"a letter and digits are glued ({text}): where the name ends and the value begins can't be "
                          "told")
    return [f"in {text} the letter is taken as the name, all digits as the value: is it so?"]


def _implied(text: str) -> str:
    digits = text.lstrip("+- ").rjust(4, "0")
    return f"{digits[:-3].lstrip('0') or '0'}.{digits[-3:]}"
