"""The ways in which the texts of frames may be read: cells between delimiters, tokens by a pattern, places of a line.

Knows: how the frames' texts become columns, and what the format says then.
Must not know: checksums, how frames were cut.
"""

import re
from collections import Counter
from collections.abc import Callable, Iterator

from collector.draft.fields import read_columns
from collector.draft.over_range import in_place, whole_frames
from collector.draft.patterns import pattern_of, value_pattern
from collector.draft.places import placed
from collector.draft.proposal import MIXED, NOTHING, NUMBER, SIGN, WORD, Column, NotThisWay, Read, View
from collector.draft.shape import build_tokens, find_decimal, main_shape
from collector.draft.signs import refuse_behind
from collector.draft.telling import shown

_DELIMITERS = (";", "\t", "|", ",")


def views_of(texts: list[str], check: int = 0) -> Iterator[Callable[[], View]]:
    """Each way, the simplest first; calling it may raise CannotDraft.  `check`: places at the end that are no text."""
    decimal, question = find_decimal(texts)
    refuse_behind(texts)
    asked = (question,) if question else ()
    for delimiter in _DELIMITERS:
        if delimiter != decimal and not check:
            yield lambda mark=delimiter: _cells(texts, mark, decimal, asked)
    yield lambda: _tokens(texts, decimal, check, asked)
    if not check:
        yield lambda: _places(texts, decimal, asked)


def _tokens(texts: list[str], decimal: str, check: int, asked: tuple[str, ...]) -> View:
    tokens = build_tokens(decimal, check)
    members, columns, tail = main_shape([tokens(text) for text in texts])
    read = read_columns(columns, decimal)
    taken = set(members)
    rest = [text for index, text in enumerate(texts) if index not in taken]
    sure, doubtful = _in_value_place(re.compile(pattern_of(read, loose=True, tail=tail | {""})), rest)
    over = [*sure, *doubtful]
    value = re.compile(value_pattern(read))
    written = [*over, *(text for text in read.nines if not value.fullmatch(text))]
    keys: dict[str, object] = {"pattern": pattern_of(read, written, tail=tail)}
    if read.period:
        keys["repeat"] = "true"
    return _view(keys, read, whole_frames(rest) + over, doubtful, asked)


def _in_value_place(pattern: re.Pattern, texts: list[str]) -> tuple[list[str], list[str]]:
    return in_place(match["value"] for text in texts for match in pattern.finditer(text))


def _places(texts: list[str], decimal: str, asked: tuple[str, ...]) -> View:
    columns, names = placed(texts, decimal)
    read = read_columns(columns, decimal)
    spans = {field.name: names[field.first] for field in read.fields if field.name}
    written = {name: f"{first}-{last}" if last > first else str(first) for name, (first, last) in spans.items()}
    return _view({"positions": written}, read, whole_frames(texts), [], asked)


def _cells(texts: list[str], delimiter: str, decimal: str, asked: tuple[str, ...]) -> View:
    rows = [[cell.strip(" ") for cell in text.split(delimiter)] for text in texts if re.search("[0-9]", text)]
    count = Counter(map(len, rows)).most_common(1)[0][0] if rows else 1
    same = [row for row in rows if len(row) == count]
    if count < 2 or len(same) < 0.6 * len(rows):
        raise NotThisWay(f"{shown(delimiter)} does not part the frames into the same fields")
    tokens = build_tokens(decimal)
    kinds = [[_kind(cell, tokens) for cell in row] for row in same]
    usual = [Counter(kind for kind in column if kind != NOTHING).most_common(1) for column in zip(*kinds)]
    wanted = [one[0][0] if one else NOTHING for one in usual]
    members = [at for at, row in enumerate(kinds)
               if all(kind == want or kind == NOTHING and want != NUMBER for kind, want in zip(row, wanted))]
    if MIXED in wanted or not members:
        raise NotThisWay("a field holds several things")
    columns = [Column(want, tuple(same[at][place] for at in members), cell=place) for place, want in enumerate(wanted)]
    read = read_columns(columns, decimal)
    if read.period and read.period * len(read.columns) != count:
        raise NotThisWay("the fields do not come again evenly")
    value = next(field.first for field in read.fields if field.name == "value")
    every = range(value, count, len(read.columns)) if read.period else (value,)
    sure, doubtful = in_place(row[at] for row in _split(texts, delimiter, count) for at in every
                              if not re.search("[0-9]", row[at]) and row[at])
    names = [next((field.name for field in read.fields if field.first == at and field.name), "-")
             for at in range(len(read.columns))]
    keys: dict[str, object] = {"delimiter": delimiter, "fields": names}
    if read.period:
        keys["repeat"] = "true"
    return _view(keys, read, whole_frames(texts) + sure + doubtful, doubtful, asked)


def _split(texts: list[str], delimiter: str, count: int) -> Iterator[list[str]]:
    for text in texts:
        row = [cell.strip(" ") for cell in text.split(delimiter)]
        if len(row) == count:
            yield row


def _kind(cell: str, tokens: Callable) -> str:
    found = tokens(cell)[0]
    if not found:
        return NOTHING
    if len(found) == 1:
        return found[0].kind
    joined = found[0].kind == WORD and not any(token.gap for token in found) and re.fullmatch(r"[A-Za-z][\w/+-]*", cell)
    return WORD if joined else SIGN if set(cell) <= set("+-") else MIXED


def _view(keys: dict[str, object], read: Read, over: list[str], doubtful: list[str], asked: tuple[str, ...]) -> View:
    if read.decimal == ",":
        keys["decimal"] = ","
    questions = [*asked,
                 *(f"{shown(text)} stands where the value does: does it mean no part, or out of span?"
                   for text in doubtful),
                 *(f"{shown(text)} is taken to mean no part, or out of span, since it is nothing but nines: is it so?"
                   for text in read.nines)]
    return View(keys, read, tuple(dict.fromkeys([*over, *read.nines])), tuple(questions))
