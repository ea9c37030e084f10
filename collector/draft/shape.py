"""Cut a frame's text into tokens, and frames into groups of one shape.

Knows: what digits, words, signs, dates and fillers look like.
Must not know: what any of them means.
"""

import re
from collections import Counter
from collections.abc import Callable

from msgspec import Struct

from collector.draft.proposal import CHECK, EXPONENT, FILLER, MARK, NUMBER, SIGN, TIME, WORD, CannotDraft, Column

_CLOCK = r"\d\d:\d\d(?::\d\d(?:\.\d{1,6})?)?"
TIMES = rf"20\d\d-\d\d-\d\d[T ]{_CLOCK}|20\d\d[-/]\d\d[-/]\d\d|\d\d\.\d\d\.(?:20)?\d\d|\d\d/\d\d/(?:20)?\d\d" \
        rf"|{_CLOCK}|20\d{{6}}T?[0-2]\d[0-5]\d[0-5]\d"
_TIME = re.compile(rf"(?<![0-9.,])(?:{TIMES})(?![0-9:]|[.,][0-9])")
_FLAGS = "<>=!?*^#~"
WHOLE = "whole number"


class Token(Struct, frozen=True):
    """A text of one kind, and the blanks before it."""

    kind: str
    text: str
    gap: str


def build_tokens(decimal: str, check: int = 0) -> Callable[[str], tuple[list[Token], str]]:
    """A frame's text -> its tokens, and the blanks at its end.  `check`: so many places at the end are a checksum."""
    mark = re.escape(decimal)
    number = rf"(?:[0-9]+(?:{mark}[0-9]+)?|{mark}[0-9]+)"
    rules = re.compile("|".join(f"(?P<{kind}>{rule})" for kind, rule in (
        (TIME, rf"(?<![0-9.,])(?:{TIMES})(?![0-9:]|[.,][0-9])"),
        (EXPONENT, rf"(?<![A-Za-z0-9])[+-]?{number}[eE][+-]?[0-9]+(?![A-Za-z0-9])"),
        (FILLER, r"([-*.?#=_/+~])\4{2,}(?![0-9])"),
        (WORD, rf"(?:(?<=[0-9])|(?<=[0-9] "
               rf"))(?:mm|um|uin|in|thou)(?=[A-Z])|[^\W\d_][A-Za-z0-9]*(?![A-Za-z0-9]|{mark}[0-9])|[^\W\d_]+"),
        (NUMBER, rf"(?:[+-] *)?{number}"),
        (SIGN, r"[+-]"),
        (MARK, r"[^ ]"),
    )))

    def tokens(text: str) -> tuple[list[Token], str]:
        tail = text[len(text) - check:] if check else ""
        text = text[:len(text) - check] if check else text
        found, at = [], 0
        for match in rules.finditer(text):
            found.append(Token(match.lastgroup or FILLER, match[0], text[at:match.start()]))
            at = match.end()
        if check:
            return [*found, Token(CHECK, tail, text[at:])], ""
        return found, text[at:]

    return tokens


def signature(tokens: list[Token]) -> tuple[str, ...]:
    """Frames of one signature have the same kinds in the same order; a mark counts as itself, but for a flag at an end.

    Numbers with decimals and without are two kinds: 12.0093 is a size, 0001 beside it something else.
    """
    marks = [token.text if token.kind == MARK else WHOLE if token.kind == NUMBER and token.text.lstrip("+- ").isdigit()
             else token.kind
             for token in tokens]
    for at in {0, len(marks) - 1} if len(marks) > 1 else ():
        if marks[at] in _FLAGS:
            marks[at] = "flag"
    return tuple(marks)


Row = list[Token | None]


def main_shape(frames: list[tuple[list[Token], str]]) -> tuple[list[int], list[Column], frozenset[str]]:
    """Which frames have the commonest shape with a number in it, its columns, and the blanks at its end.

    One word or mark may be missing in some of them.  Raises CannotDraft where no frame has a number.
    """
    groups: dict[tuple[str, ...], list[int]] = {}
    for index, (tokens, _) in enumerate(frames):
        groups.setdefault(signature(tokens), []).append(index)
    counts = Counter({one: len(members) for one, members in groups.items() if {NUMBER, WHOLE, EXPONENT} & set(one)})
    if not counts:
        raise CannotDraft("no frame holds a number")
    base = counts.most_common(1)[0][0]
    rows: dict[int, Row] = {index: list(frames[index][0]) for index in groups[base]}
    longer = next((one for one, _ in counts.most_common() if len(one) == len(base) + 1 and _extra(base, one)), None)
    shorter = next((one for one, _ in counts.most_common() if len(one) == len(base) - 1 and _extra(one, base)), None)
    if longer or shorter:
        full, part = (longer, base) if longer else (base, shorter)
        rows = {index: list(frames[index][0]) for index in groups[full]}
        less = {index: list(frames[index][0]) for index in groups[part]}
        at = max(_extra(part, full), key=lambda place: (_agreement(rows, less, place), place))
        rows |= {index: [*row[:at], None, *row[at:]] for index, row in less.items()}
        base = full
    members = sorted(rows)
    columns = [Column(_kind(kind), tuple(token and token.text for token in texts),
                      frozenset(token.gap for token in texts if token))
               for kind, texts in zip(base, zip(*(rows[index] for index in members), strict=True), strict=True)]
    return members, columns, frozenset(frames[index][1] for index in members)


def _extra(part: tuple[str, ...], full: tuple[str, ...]) -> list[int]:
    """The places whose one word or mark `full` has more than `part`."""
    return [at for at, kind in enumerate(full) if full[:at] + full[at + 1:] == part
            and kind not in (NUMBER, WHOLE, SIGN, EXPONENT, TIME)]


def _agreement(rows: dict[int, Row], less: dict[int, Row], at: int) -> int:
    """In how many columns both say some of the same, if the token that one lacks is this one."""
    first = [{token.text for token in texts} for texts in zip(*rows.values(), strict=True)]
    second = [{token.text for token in texts} for texts in zip(*less.values(), strict=True)]
    return sum(bool(one & two) for one, two in zip(first[:at] + first[at + 1:], second, strict=True))


def _kind(sign: str) -> str:
    if sign == WHOLE:
        return NUMBER
    return sign if sign in (NUMBER, WORD, TIME, SIGN, FILLER, EXPONENT, CHECK) else MARK


def find_decimal(texts: list[str]) -> tuple[str, str]:
    """The decimal mark, and a question about it ("": none).  Raises CannotDraft where a comma may be either."""
    bare = [_TIME.sub(" ", text) for text in texts]
    some = [text for text in bare if re.search(r"[0-9]", text)]
    dotted = sum(bool(re.search(r"(?<![0-9]\.)(?<![0-9])[0-9]*\.[0-9]", text)) for text in some)
    comma = [text for text in some if re.search(r"[0-9],[0-9]", text)]
    if 2 * dotted >= len(some) and some:
        grouped = [text for text in comma if re.search(r"(?<![0-9.,])[+-]?[0-9]{1,3},[0-9]{3}\.[0-9]", text)]
        if grouped and len(grouped) == len(some):
            raise CannotDraft(f"in {grouped[0].strip()!r} the comma may group thousands (which the collector does not "
                              f"read) or be a delimiter")
        return ".", ""
    runs = [run for text in comma for run in re.findall(r"[0-9]+(?:,[0-9]+)+", text)]
    if 2 * len(comma) < len(some) or not runs:
        return ".", ""
    if any(run.count(",") > 1 for run in runs) or any(re.search(r",(?![0-9])|(?<![0-9]),", text) for text in comma):
        raise CannotDraft(f"commas part the fields of {comma[0].strip()!r}, and {runs[0]!r} may be two of them or one "
                          f"number with a decimal comma")
    whole = [run.partition(",")[0] for run in runs]
    signed = any(re.search(r"[+-] *[0-9]+,[0-9]", text) for text in comma)
    if signed or "0" in whole:
        return ",", ""
    if all(len(one) == 1 for one in whole) or any(len(one) > 1 and one[0] == "0" for one in whole):
        raise CannotDraft(f"{runs[0]!r} may be one number with a decimal comma, or two fields with a comma between; "
                          "a capture with a sign in front of it would tell")
    return ",", f"{runs[0]!r} is taken as one number with a decimal comma, not as two fields: is it?"
