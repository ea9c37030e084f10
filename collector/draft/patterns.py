"""Write a pattern that reads the frames of a shape, and as little else as may be.

Knows: RE2's syntax; digits, signs and blanks as they were seen.
Must not know: why a field is what it is.

Decimals are demanded in the number that was seen, so that a frame that lost its last digit is unread, not another size.
"""

import re
from collections.abc import Iterable

from collector.draft.proposal import EXPONENT, FILLER, MARK, NUMBER, SIGN, TIME, WORD, Column, Field, Read
from collector.draft.words import NO_PART

VALUE = "value"


def pattern_of(read: Read, over: Iterable[str] = (), loose: bool = False,
               tail: frozenset[str] = frozenset({""})) -> str:
    """The pattern; `over`: texts that stand where the value does; `tail`: blanks at the frames' end.

    `loose`: any text may stand for the value, to find out which do.
    """
    value = next(field.first for field in read.fields if field.name == VALUE)
    pieces = []
    for at, column in enumerate(read.columns):
        opens = next((field for field in read.fields if field.first == at and field.name), None)
        within = next((field for field in read.fields if field.first <= at <= field.last), None)
        body = _body(column, within, read.decimal)
        if at == value:
            body = _anything(read, at) if loose else "|".join([value_pattern(read), *map(escaped, over)])
        gap = _gap(column.gaps, bool(over or loose) and at in (value, value + 1), column is read.columns[0]
                   or not _abut(read.columns, at))
        if "|" in body and not (opens and opens.last == at):
            body = f"(?:{body})"
        piece = gap + (f"(?P<{opens.name}>" if opens else "") + body + (")" if within and within.name
                                                                        and within.last == at else "")
        pieces.append(f"(?:{piece})?" if at != value and None in column.texts else piece)
    if read.period:
        return "".join(pieces)
    return f"^{''.join(pieces)}{_gap(tail, False, True)}$"


def escaped(text: str) -> str:
    """The text as a pattern that means just it."""
    return "".join(f"\\{char}" if char in "\\.+*?()[]{}|^$" else char if char.isprintable() else f"\\x{ord(char):02x}"
                   for char in text)


def _gap(gaps: Iterable[str], is_loose: bool, may_vanish: bool) -> str:
    seen = set(gaps)
    if seen == {""} and not is_loose:
        return ""
    if seen == {" "} and not is_loose:
        return " "
    return " *" if "" in seen or is_loose and may_vanish else " +"


def _abut(columns: tuple[Column, ...], at: int) -> bool:
    """Whether without blanks this column could run into the one before it."""
    return columns[at].kind in (NUMBER, WORD) and columns[at - 1].kind in (NUMBER, WORD)


def value_pattern(read: Read) -> str:
    """The pattern of the value's digits alone."""
    value = next(field.first for field in read.fields if field.name == VALUE)
    return _number(read.columns[value].said, read.decimal, strict=True)


def _anything(read: Read, value: int) -> str:
    """What may stand for the value in a search: of several readings what is surely none, no word glued to a word."""
    if not read.period:
        return "[^ ](?:.*?[^ ])?"
    glued = value and read.columns[value - 1].kind == WORD and "" in read.columns[value].gaps
    return "|".join(["[-*.?#=_/+~]{3,}", *([] if glued else sorted(NO_PART))])


def _number(said: tuple[str, ...], decimal: str, strict: bool) -> str:
    signs = [text[0] in "+-" for text in said]
    blank = " *" if any(re.match("[+-] ", text) for text in said) else ""
    sign = f"(?:[+-]{blank})?" if blank else "[+-]?" if strict or any(signs) else ""
    if strict and all(signs):
        sign = f"[+-]{blank}"
    wholes = [text.lstrip("+- ").partition(decimal)[0] for text in said]
    places = {len(text.partition(decimal)[2]) for text in said}
    padded = any(len(whole) > 1 and whole[0] == "0" for whole in wholes) and len(set(map(len, wholes))) == 1
    whole = f"[0-9]{{{len(wholes[0])}}}" if strict and padded else "[0-9]*" if "" in wholes else "[0-9]+"
    mark = escaped(decimal)
    if places == {0}:
        return sign + whole
    if 0 in places or not strict:
        return f"{sign}{whole}(?:{mark}[0-9]+)?"
    return f"{sign}{whole}{mark}" + _digits(places)


def _digits(places: set[int]) -> str:
    return "[0-9]+" if len(places) > 1 else "[0-9]" if places == {1} else f"[0-9]{{{min(places)}}}"


def _body(column: Column, field: Field | None, decimal: str) -> str:
    said = column.said
    if column.kind in (MARK, SIGN):
        return escaped(said[0]) if len(said) == 1 else "[" + "".join(map(escaped, said)).replace("-", "\\-") + "]"
    if field is None or field.also.get("fixed") or field.name in ("unit", "kind"):
        return "|".join(map(escaped, said))
    if column.kind == TIME:
        return re.sub(r"(?:\[0-9\])+", _counted,
                      "".join("[0-9]" if char.isdigit() else escaped(char) for char in said[0]))
    if column.kind == FILLER:
        return escaped(said[0][0]) + "+"
    if column.kind == NUMBER:
        return "[0-9]+" if all(text.isdigit() for text in said) else _number(said, decimal, strict=False)
    if column.kind == WORD:
        return _word(said)
    if column.kind == EXPONENT:
        return "[0-9A-Za-z.+-]+"
    return f"[0-9A-F]{{{len(said[0])}}}"                    # a checksum that nobody knows


def _counted(found: re.Match) -> str:
    times = len(found[0]) // 5
    return "[0-9]" + (f"{{{times}}}" if times > 1 else "")


def _word(said: tuple[str, ...]) -> str:
    """The class that words are of, with a beginning that all have: CH1, CH2 -> CH[0-9]."""
    for letters in ("[A-Z]", "[a-z]", "[A-Za-z]"):
        found = [re.fullmatch(f"({letters}+)([0-9]*)", text) for text in said]
        if None in found:
            continue
        heads, numbers = {match[1] for match in found}, {len(match[2]) for match in found}
        sizes = {len(head) for head in heads}
        head = letters if sizes == {1} else letters + "+"
        if len(heads) == 1 and numbers != {0} and sizes != {1}:
            head = escaped(heads.pop())
        return head + ("" if numbers == {0} else "[0-9]" if numbers == {1} else "[0-9]*" if 0 in numbers else "[0-9]+")
    return "[A-Za-z0-9]+" if all(re.fullmatch("[A-Za-z0-9]+", text)
                                 for text in said) else "|".join(sorted(map(escaped, said)))
