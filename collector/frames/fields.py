"""Cut a frame into texts by a delimiter, or by character positions.

Knows: how many fields there are and where they stand.
Must not know: what the texts mean.
"""

from collector.frames.pattern import Cut, Texts
from collector.frames.refused import FormatRefused
from collector.record import NO_MATCH, Unread

SKIPPED = "-"


def build_fields(delimiter: str, fields: tuple[str, ...], encoding: str, repeat: bool) -> tuple[tuple[str, ...], Cut]:
    """The names of the fields that are not skipped, and the cutter.  Raises FormatRefused, key `fields`.

    A delimiter of blanks takes a run of them for one: columns that pad with blanks send no empty fields.
    """
    if not fields:
        raise FormatRefused("delimiter needs fields", "name each field in order, - for one to skip", "fields")
    padded, size = not delimiter.strip(" "), len(fields)
    kept = [at for at, name in enumerate(fields) if name != SKIPPED]

    def cut(data: bytes) -> list[Texts] | Unread:
        text = data.decode(encoding, "surrogateescape")
        texts = [one for one in text.split(" ") if one] if padded else text.split(delimiter)
        if len(texts) != size and not (repeat and texts and len(texts) % size == 0):
            return Unread(NO_MATCH, f"{len(texts)} fields where {'groups of ' if repeat else ''}{size} were expected")
        return [tuple([texts[first + at] for at in kept]) for first in range(0, len(texts), size)]

    return tuple(fields[at] for at in kept), cut


def build_positions(positions: dict[str, tuple[int, int]], encoding: str) -> tuple[tuple[str, ...], Cut]:
    """The names, and the cutter; positions count characters from 1, both ends in.
    Raises FormatRefused, key `positions`."""
    for name, (first, last) in positions.items():
        if not 1 <= first <= last:
            raise FormatRefused(f"{first}-{last} is no span of characters",
                                "count from 1, the first not behind the last", f"positions.{name}")
    spans = [slice(first - 1, last) for first, last in positions.values()]
    needed = positions.get("value", (0, 0))[1]

    def cut(data: bytes) -> list[Texts] | Unread:
        text = data.decode(encoding, "surrogateescape")
        if len(text) < needed:
            return Unread(NO_MATCH, f"{len(text)} characters where the value ends at {needed}")
        return [tuple([text[span] or None for span in spans])]

    return tuple(positions), cut
