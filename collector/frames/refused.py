"""A format that can't be built, said for the person who wrote it.

Knows: which key is wrong, what is wrong with it, what would be right.
Must not know: files, lines, columns (configuration adds those).
"""

from collections.abc import Iterable
from difflib import get_close_matches

from collector.errors import CollectorError


class FormatRefused(CollectorError):
    """A format that can't be built.  `key` is the key below `formats.NAME`, dotted where it lies deeper."""

    exit_code = 78

    def __init__(self, what: str, right: str, key: str):
        self.what, self.right, self.key = what, right, key
        super().__init__(f"{key}: {what}; {right}" if right else f"{key}: {what}")


def one_of(wrong: str, known: Iterable[str]) -> str:
    """What would be right instead of an unknown name: the nearest known one, or all of them."""
    names = list(known)
    near = get_close_matches(wrong, names, 1)
    return f"did you mean {near[0]!r}?" if near else f"known are {', '.join(names)}"
