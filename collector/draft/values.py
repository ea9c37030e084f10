"""Which number of a frame is the value: by what the others can not be.

Knows: decimals, signs, units beside a number, numbers that run, that stay, that name a channel.
Must not know: what the other fields are called in the format.

Where two are as likely as each other, none is chosen.
"""

import re
from itertools import pairwise

from collector.draft.looks import (
    has_decimals, is_date, is_running, is_signed, is_temperature, is_unit, may_be_temperature, places_of, plain_number,
)
from collector.draft.proposal import EXPONENT, MARK, NUMBER, WORD, CannotDraft, Column
from collector.draft.telling import shown
from collector.draft.words import KEYS, KEYS_WITH_SIGN, NEARLY_UNITS

_FINE = 3
"""So many decimals and more are those of a size, not of a temperature."""


def keys_of(columns: list[Column], decimal: str) -> dict[int, str]:
    """Column -> what the word in front of it says that it is; one letter says nothing of a number with decimals."""
    found = {}
    for at, column in enumerate(columns[:-1]):
        if column.kind != WORD or len(column.said) != 1:
            continue
        word, after = column.said[0].upper(), columns[at + 1]
        if after.kind == MARK and after.said in (("=",), (":",)) and after.cell < 0 and at + 2 < len(columns):
            if word in KEYS or word in KEYS_WITH_SIGN and not has_decimals(columns[at + 2], decimal):
                found[at + 2] = KEYS_WITH_SIGN[word]
        elif word in KEYS and after.kind != MARK:
            found[at + 1] = KEYS[word]
    return found


def find_values(columns: list[Column], keys: dict[int, str], decimal: str) -> tuple[list[int], str]:
    """The columns that may be values, several only where nothing sets one apart; and why, where that needs saying.

    Raises CannotDraft: there is none, or it can't be told.
    """
    steady = _steady(columns, keys, decimal)
    plausible = _plausible(columns, steady, decimal)
    with_decimals = [at for at in plausible if has_decimals(columns[at], decimal)]
    varying = [at for at in with_decimals or plausible if not columns[at].is_constant]
    if with_decimals and not varying and any(not columns[at].is_constant for at in steady):
        raise CannotDraft(f"{shown(columns[with_decimals[0]].said[0])} never changes, and other numbers without "
                          f"decimals "
                          "do: which is the value can't be told")
    if len(steady) > 1 and all(columns[at].is_constant for at in steady):
        raise CannotDraft("no number changes in the whole capture, and there are several: capture more than one part")
    pool = varying or with_decimals or plausible
    fine = [at for at in pool if min(places_of(columns[at], decimal)) >= _FINE]
    if len(fine) == 1 and all(may_be_temperature(columns[at], decimal) for at in pool if at not in fine):
        pool = fine
    if not with_decimals:
        _check_whole(columns, pool, keys)
    twin = _twins(columns, pool, decimal)
    if twin:
        return [twin[0]], twin[1]
    for rule in (lambda at: keys.get(at) == "value", lambda at: _beside_unit(columns, at)):
        kept = [at for at in pool if rule(at)]
        neighbours = any(abs(at - other) == 1 for at in kept for other in pool if other not in kept)
        if kept and not neighbours:                    # of 12.1 12.2 mm both may be the value
            pool = kept
    if len(pool) > 1:                                  # one of several may have stood still: U 12.1 M 12.2 L 12.0
        alike = {frozenset(places_of(columns[at], decimal)) for at in pool}
        pool = [at for at in with_decimals or pool if at in pool or frozenset(places_of(columns[at], decimal)) in alike]
    return pool, ""


def _steady(columns: list[Column], keys: dict[int, str], decimal: str) -> list[int]:
    """The numbers that do not count, are no date, and are not said to be something else."""
    numbers = [at for at, column in enumerate(columns) if column.kind == NUMBER]
    if not numbers:
        sample = next((column.said[0] for column in columns if column.kind == EXPONENT), "")
        raise CannotDraft(f"the only number is written with an exponent ({shown(sample)}), which the collector does "
                          f"not "
                          "read" if sample else "no frame holds a number that stands by itself")
    found = [at for at in numbers if not (keys.get(at, "value") != "value"
                                          or is_temperature(columns, at) or is_running(columns[at])
                                          or is_date(columns[at]))]
    if not found:
        raise CannotDraft(f"the only number ({shown(columns[numbers[0]].said[0])}) is no value: it counts the frames, "
                          f"or "
                          "is said to be something else")
    return found


def _plausible(columns: list[Column], steady: list[int], decimal: str) -> list[int]:
    """Those that name no channel; of these, those with a sign or decimals, where there are any."""
    found = [at for at in steady if not _is_label(columns, at, steady, decimal)] or steady
    return [at for at in found if is_signed(columns[at]) or has_decimals(columns[at], decimal)] or found


def _is_label(columns: list[Column], at: int, others: list[int], decimal: str) -> bool:
    """One or two digits, few different ones, where another number has decimals or more places: it names a channel."""
    said = columns[at].said
    if not all(re.fullmatch("[0-9]{1,2}", text) for text in said) or len(said) > 16:
        return False
    return any(has_decimals(columns[other], decimal) or all(len(text) > 2 for text in columns[other].said)
               for other in others if other != at)


def _check_whole(columns: list[Column], pool: list[int], keys: dict[int, str]) -> None:
    """Raises CannotDraft where a whole number without a sign may be anything: small, or never falling beside others."""
    at = pool[0]
    are_others = sum(column.kind == NUMBER for column in columns) > len(pool)
    if len(pool) > 1 or is_signed(columns[at]) or keys.get(at) == "value" or _beside_unit(columns, at):
        return
    numbers = [int(text) for text in columns[at].texts if text]
    if max(numbers) < 100 or are_others and all(before <= after for before, after in pairwise(numbers)):
        raise CannotDraft(f"{shown(columns[at].said[0])} may be the value, may count the frames or name a channel: a "
                          "whole number without sign and unit does not tell")


def _twins(columns: list[Column], values: list[int], decimal: str) -> tuple[int, str] | None:
    """Of two values that differ by the same in every frame, the size, and why: the other one is its deviation."""
    if len(values) != 2 or len(columns[values[0]].said) < 3:
        return None
    first, second = ([plain_number(text, decimal) for text in columns[at].texts] for at in values)
    apart = {one - two for one, two in zip(first, second, strict=True)}
    if len(apart) != 1:
        return None
    size, other = values if max(map(abs, first)) >= max(map(abs, second)) else reversed(values)
    return size, (f"{shown(columns[other].said[0])} is the same reading less {abs(apart.pop())} in every frame: the "
                  f"larger one, {shown(columns[size].said[0])}, is taken as the size")


def _beside_unit(columns: list[Column], at: int) -> bool:
    return any(is_unit(columns[place]) or _is_nearly_unit(columns[place])
               for place in (at - 1, at + 1) if 0 <= place < len(columns))


def _is_nearly_unit(column: Column) -> bool:
    if column.kind != WORD or len(column.said) != 1:
        return False
    text = column.said[0]
    return (text.lower() if len(text) > 1 else text) in NEARLY_UNITS
