"""Records that differ in a few texts only: what they have in common lies in the journal once, as a form that each of
them fills in.

Knows: how a form and what it is filled with lie in the file; that each form lies there twice, on different pages, with
its CRC, since damage to one would cost every record that is made of it; for how long a form is in use.
Must not know: what a record says.

So a record takes some 50 bytes instead of 500, and the log is copied into the file that much more rarely.
"""

from collections.abc import Callable, Iterable
from functools import partial
from typing import NamedTuple
from zlib import crc32

from collector.clock import Stamps

FORM_TABLES = "forms", "forms_again"
IN_USE, HELD = 20_000, 40_000
"""A form is filled in until so many newer ones were made; the writer holds some more, for rows that are not durable
yet: of these there are never 20,000."""

_PIECES = 6
_BETWEEN = b"\0"                                       # JSON has none in it, and no text from outside


class Row(NamedTuple):
    """A record as the journal keeps it: arrival in microseconds since 1970, what one selects by, its JSON.

    `form`: not 0 where the body is what is to be filled into the form of that number, in which part and lot stand too.
    Who reads the journal is given the whole.
    """

    seq: int
    at_us: int
    kind: str
    port: str
    part: str
    lot: str
    body: bytes
    form: int = 0


class Form(NamedTuple):
    """What some records have in common: what one selects by, and the pieces of their JSON.

    Between the pieces stand: the seq, once more the seq, the time, and two texts.
    """

    kind: str
    port: str
    part: str
    lot: str
    pieces: tuple[bytes, bytes, bytes, bytes, bytes, bytes]


new_row = partial(tuple.__new__, Row)                  # what `Row(...)` does, without its own function


def filling(*texts: bytes) -> bytes:
    """The body of a row that fills two texts into a form."""
    return _BETWEEN.join(texts)


class Filler:
    """Makes whole rows of what is filled into forms."""

    def __init__(self) -> None:
        self._stamps, self._at_us, self._time = Stamps(), -1, b""

    def whole(self, row: tuple, form: Form) -> Row:
        """The row with all that the form says.  Raises ValueError where the row is damaged."""
        seq, at_us, _, _, _, _, body, _ = row
        kind, port, part, lot, (begin, before_seq, before_time, before_first, before_second, end) = form
        try:
            first, second = body.split(_BETWEEN)
            if at_us != self._at_us:
                self._at_us, self._time = at_us, self._stamps.text(at_us * 1000).encode()
        except (AttributeError, OverflowError, TypeError, ValueError) as error:
            raise ValueError(f"record {seq} is damaged: {error}") from error
        number = b"%d" % seq
        return new_row((seq, at_us, kind, port, part, lot, b"".join((
            begin, number, before_seq, number, before_time, self._time, before_first, first, before_second, second,
            end)), 0))


class Forms:
    """Those that new rows may be filled into, by number: of one journal, and of the file that is begun after it.

    `oldest`: the lowest number that is in use.
    """

    def __init__(self, last: int = 0):
        """`last`: the highest number that was ever given."""
        self.last, self.oldest = last, last + 1
        self._filler, self._held = Filler(), dict[int, Form]()
        self._newest: dict[str, Form] = {}             # by port

    def add(self, form: Form) -> int:
        """The number of a new form.  What it has in common with the one before of its port is held once."""
        self.last += 1
        before = self._newest.get(form.port, form)
        pieces = tuple([old if old == new else new for old, new in zip(before.pieces, form.pieces)])
        self._newest[form.port] = self._held[self.last] = form._replace(pieces=pieces)
        self._held.pop(self.last - HELD, None)
        self.oldest = max(self.oldest, self.last - IN_USE + 1)
        return self.last

    def holds(self, number: int) -> bool:
        """Whether a row that is not durable yet may be filled into it."""
        return number in self._held

    def stored(self, numbers: Iterable[int]) -> list[tuple]:
        """These as rows of their tables."""
        return [_stored(number, self._held[number]) for number in numbers]

    def whole(self, row: Row) -> Row:
        """The row as who reads the journal is given it."""
        return self._filler.whole(row, self._held[row.form]) if row.form else row


class ReadForms:
    """Those of a file that is read, by number."""

    def __init__(self, look: Callable[[str, int], list[tuple]]):
        """`look` gives what a statement finds, nothing where that is damaged."""
        self._look = look
        self._known: dict[int, Form] = {}

    def of(self, number: int) -> Form | None:
        """None: there is none that is sound."""
        form = self._known.get(number)
        return self._read(number) if form is None else form

    def forget(self) -> None:
        """Another file is read from here on: a number says nothing there."""
        self._known.clear()

    def _read(self, number: int) -> Form | None:
        for table in FORM_TABLES:
            for found in self._look(f"SELECT * FROM {table} WHERE number = ?", number):
                form = _made(found)
                if form is not None and _stored(number, form) == found:
                    if len(self._known) >= IN_USE:
                        self._known.clear()
                    self._known[number] = form
                    return form
        return None


def _stored(number: int, form: Form) -> tuple:
    """A form as a row of its tables."""
    pieces = _BETWEEN.join(form.pieces)
    crc = crc32(_BETWEEN.join((form.kind.encode(), form.port.encode(), form.part.encode(), form.lot.encode(), pieces)))
    return number, form.kind, form.port, form.part, form.lot, pieces, crc


def _made(found: tuple) -> Form | None:
    _, *said, content, _ = found
    if not isinstance(content, bytes) or not all(isinstance(text, str) for text in said):
        return None
    pieces = tuple(content.split(_BETWEEN))
    return Form(*said, pieces) if len(pieces) == _PIECES else None
