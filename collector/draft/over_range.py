"""Texts that a column sends where no value is: no part, out of span.

Knows: fillers, words for it, numbers of nines; where the value would stand.
Must not know: how the rest of a frame is read.
"""

import re
from collections import Counter
from collections.abc import Iterable

from msgspec import structs

from collector.draft.looks import plain_number
from collector.draft.proposal import Column
from collector.draft.words import NO_PART

_FILLER = re.compile(r"([-*.?#=_/+~])\1{2,}|[-*.?#=_/+~]{3,}")


def without_nines(column: Column, decimal: str) -> tuple[Column, list[str]]:
    """The column without numbers of nothing but nines that lie far off the others, and those numbers."""
    nines = [text for text in column.said if re.fullmatch(rf"[+-]? *0*9{{2,}}(?:{re.escape(decimal)}9+)?", text)
             and text.count("9") >= 4]
    others = sorted(abs(plain_number(text, decimal) or 0) for text in column.said if text not in nines)
    if not nines or not others:
        return column, []
    far = [text for text in nines if abs(plain_number(text, decimal)) > 5 * others[len(others) // 2]
           and abs(plain_number(text, decimal)) > 2 * others[-1]]
    return structs.replace(column, texts=tuple(None if text in far else text for text in column.texts)), far


def whole_frames(texts: Iterable[str]) -> list[str]:
    """Frames that are nothing but such a text."""
    return sorted({text.strip() for text in texts if is_sure(text.strip())})


def in_place(texts: Iterable[str]) -> tuple[list[str], list[str]]:
    """Of the texts that stood in the value's place: those that are sure, and those that came again and are asked."""
    counts = Counter(text.strip() for text in texts)
    sure = [text for text in counts if is_sure(text)]
    return sorted(sure), sorted(text for text, times in counts.items() if text not in sure and times > 1
                                and re.fullmatch(r"[A-Za-z ?!*.-]{2,12}", text))


def is_sure(text: str) -> bool:
    """Whether the text is one filler, or a word that says it."""
    return bool(_FILLER.fullmatch(text)) or text.upper().replace("-", "").replace(" ", "").replace(".", "") in NO_PART
