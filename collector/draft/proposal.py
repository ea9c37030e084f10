"""What a draft is made of, from the bounds of a frame to the finished proposal.

Knows: shapes of data only.
Must not know: how any of it is found or written.
"""

from msgspec import Struct

from collector.errors import CollectorError
from collector.frames.framer import Framing

NUMBER, WORD, TIME, SIGN, FILLER, MARK, EXPONENT, CHECK, MIXED, NOTHING = (
    "number", "word", "time", "sign", "filler", "mark", "exponent", "check", "mixed", "nothing")
"""What a text is by its characters.  `sign`: a + or - without digits behind it; `filler`: one mark several times."""


class CannotDraft(CollectorError):
    """No honest format can be proposed.  The text says why, and what would help."""


class NotThisWay(CannotDraft):
    """This way of reading does not suit the frames; another may."""


class Bounds(Struct, frozen=True):
    """One way to cut the capture into frames: keys of a port (`end`, `start`, `length`, `gap`), and why."""

    keys: dict[str, str]
    framing: Framing
    why: str


class Column(Struct, frozen=True):
    """What stands in one place of all frames of a shape.  `texts`: one a frame, None where a frame ends before it.

    `gaps`: the texts of blanks seen before it.  `cell`: the cell of a delimited frame that it is, -1: it is none.
    """

    kind: str
    texts: tuple[str | None, ...]
    gaps: frozenset[str] = frozenset({""})
    cell: int = -1

    @property
    def said(self) -> tuple[str, ...]:
        """The different texts, in the order they came."""
        return tuple(dict.fromkeys(text for text in self.texts if text))

    @property
    def is_constant(self) -> bool:
        return len(self.said) <= 1


class Field(Struct, frozen=True):
    """Columns `first` to `last`, and what they are: a group of the format, or "" for what is not read.

    `why` and `question` (one a line) are for a person; `also`: further keys of the format that the field needs.
    """

    name: str
    first: int
    last: int
    why: str
    question: str = ""
    also: dict[str, object] = {}


class Read(Struct, frozen=True):
    """What the fields of one shape are.  `period`: so many readings a frame, of which these are one (0: one a frame).

    `nines`: numbers in the value's place that are none.
    """

    columns: tuple[Column, ...]
    fields: tuple[Field, ...]
    decimal: str = "."
    period: int = 0
    nines: tuple[str, ...] = ()


class View(Struct, frozen=True):
    """One way to read the frames: keys of the format, the fields behind them, over-range texts, what is open."""

    keys: dict[str, object]
    read: Read
    over_range: tuple[str, ...] = ()
    questions: tuple[str, ...] = ()


class Draft(Struct, frozen=True, kw_only=True):
    """A proposal: keys of `ports.NAME` and `formats.NAME`, why each is so, what is open, and how it reads the capture.

    `not_read`: (frame as text, how many times, why) of the frames that the format leaves unread.
    """

    port: dict[str, object]
    entry: dict[str, object]
    explained: tuple[tuple[str, str], ...]
    questions: tuple[str, ...]
    frames: int
    read: int
    not_read: tuple[tuple[str, int, str], ...] = ()
    risk: int = 0
