"""Signs that the collector does not read: refused, since a negative value would come out positive.

Knows: signs behind the digits, in a field of their own, as letters.
Must not know: what else is in a frame.
"""

import re

from collector.draft.proposal import MARK, SIGN, WORD, CannotDraft, Column
from collector.draft.telling import listed, shown
from collector.draft.words import MINUS_WORDS, SIGN_WORDS

_BEHIND = re.compile(r"[0-9][.,][0-9]+ ?[+-](?![0-9.,])|(?<![0-9])[0-9]{3,} ?[+-](?:$|[ ;,])")
_WRONG = "the collector reads + and - in front of the digits only, so a negative value would be read as positive"


def refuse_behind(texts: list[str]) -> None:
    """Raises CannotDraft where a sign stands behind the digits of a number."""
    behind = next((text for text in texts if _BEHIND.search(text)), None)
    if behind:
        raise CannotDraft(f"in {shown(behind)} a sign stands behind the digits; {_WRONG}")


def refuse_apart(columns: list[Column], value: int) -> None:
    """Raises CannotDraft where a column beside the value may be its sign."""
    for at, column in enumerate(columns):
        if column.kind == SIGN and (abs(at - value) == 1 or not column.is_constant):
            raise CannotDraft(f"a sign ({listed(column.said)}) stands apart from the digits of "
                              f"{shown(columns[value].said[0])}; {_WRONG}")
        if column.kind != WORD:
            continue
        said = {text.upper() for text in column.said}
        glued = at == value - 1 and "" in columns[value].gaps
        if glued and len(said) == 1 and said <= MINUS_WORDS:
            raise CannotDraft(f"{shown(column.said[0] + columns[value].said[0])} may be a negative value; {_WRONG}")
        between = columns[min(at, value) + 1:max(at, value)]
        likely = said in SIGN_WORDS and all(one.kind == MARK for one in between)
        if likely or glued and _ends_with_sign(said):
            raise CannotDraft(f"{listed(column.said)} beside the value is likely its sign; {_WRONG}")


def _ends_with_sign(said: set[str]) -> bool:
    """Words whose last letters are P and N, or M: XP0.1 and XN0.1."""
    ends = {text[-1] for text in said}
    return len(said) > 1 and (ends in SIGN_WORDS or any({text[:-1] + end for end in pair} <= said for pair in SIGN_WORDS
                                                        for text in said))
