"""Several readings in one frame: the columns that come again with each of them.

Knows: that what stands between two values must be alike, and that something must name each reading's channel.
Must not know: what the columns mean otherwise.
"""

from collector.draft.proposal import MARK, CannotDraft, Column


def stacked(columns: list[Column], values: list[int]) -> tuple[list[Column], int, int]:
    """The columns of one reading, each with the texts of all in turn; where the value is in them; readings a frame.

    Raises CannotDraft where the values are not alike, so that nothing tells which is meant.
    """
    if not all(any(mark in text for mark in ".,") or text[0] in "+-" for at in values for text in columns[at].said):
        raise _untold(columns, values)
    between = [_alike(columns[before + 1:after]) for before, after in zip(values, values[1:])]
    if any(one != between[0] for one in between):
        raise _untold(columns, values)
    trail = _common(between[0], _alike(columns[values[-1] + 1:]))
    lead = _common(between[0][trail:][::-1], _alike(columns[:values[0]])[::-1])
    if any(kind != MARK for kind, _ in between[0][trail:len(between[0]) - lead]):
        raise _untold(columns, values)
    rows = [columns[value - lead:value + trail + 1] for value in values]
    found = [_over(each, at == 0) for at, each in enumerate(zip(*rows, strict=True))]
    if not any(_names(column, len(values)) for at, column in enumerate(found) if at != lead):
        raise _untold(columns, values)
    return found, lead, len(values)


def _alike(columns: list[Column]) -> list[tuple[str, str]]:
    return [(one.kind, one.said[0] if one.kind == MARK and one.said else "") for one in columns]


def _common(first: list, second: list) -> int:
    size = 0
    while size < min(len(first), len(second)) and first[size] == second[size]:
        size += 1
    return size


def _over(each: tuple[Column, ...], is_first: bool) -> Column:
    texts = tuple(text for row in zip(*(one.texts for one in each), strict=True) for text in row)
    gaps = frozenset({""}) if is_first else frozenset().union(*(one.gaps for one in each))
    return Column(each[0].kind, texts, gaps, each[0].cell)


def _names(column: Column, count: int) -> bool:
    """Whether the readings of each frame differ in this column, and the frames do not: it names the channel."""
    if column.kind == MARK or len(column.said) > 64:
        return False
    rows = [column.texts[at:at + count] for at in range(0, len(column.texts), count)]
    return all(len(set(row)) == count for row in rows) and len(column.said) <= max(count, len(column.texts) // 2)


def _untold(columns: list[Column], values: list[int]) -> CannotDraft:
    shown = " and ".join(repr(columns[at].said[0]) for at in values[:4])
    return CannotDraft(f"{len(values)} numbers of a frame may each be the value ({shown}), and nothing names their "
                       f"channels or sets one apart")
