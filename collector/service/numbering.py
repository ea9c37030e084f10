"""Give records their place: `seq`, `id`, `time`.

Knows: the next seq of the journal, the site's and the journal's name; that a time which nothing keeps right is flagged.
Must not know: what a record says, whether it was committed yet.
"""

from collections.abc import Iterable
from typing import Any

from collector.clock import Stamps
from collector.journal import Form, Forms, Row, filling, new_row
from collector.record import Record, encode

UNSYNCHRONISED = "clock-unsynchronised"
SERIAL, RAW = "\0s", "\0r"
"""What stands in a form for them; no text from outside has a NUL in it."""

Filling = tuple[int, bytes, bytes]
"""The number of a form, and what is filled in: the serial (empty where the form has none) and the raw text, as they
stand between the quotes of a JSON string."""

_BEFORE_SEQ = b'{"seq":'
_MARKS = b'-\\u0000i', b'"\\u0000t', b'"\\u0000s', b'"\\u0000r'
"""With the character before: a text that has such letters in it has two backslashes there."""


class Numbering:
    """Numbers records in the order they are made; used by the worker thread alone.

    `unsynchronised`: the times of the records that are made now are of a clock that nothing keeps right.
    """

    def __init__(self, site: str, journal: str, next_seq: int, forms: Forms | None = None):
        """`forms`: the journal's; without them, for rows that go into none."""
        self.forms = Forms() if forms is None else forms
        self.unsynchronised = False
        self.site, self.next_seq = site, next_seq
        self._prefix = f"{site}-{journal}-"
        self._stamps = Stamps()

    def form(self, kind: str, *, port: str, part: str, lot: str, **fields: Any) -> int:
        """The number of that of records that differ in nothing but seq, id, time, and what `SERIAL` and `RAW` stand
        for; before the serial stands nothing where they have none."""
        pieces = [_BEFORE_SEQ]
        record = self._record(0, self.id("\0i"), "\0t", kind, port=port, part=part, lot=lot, **fields)
        rest = encode(record).removeprefix(_BEFORE_SEQ + b"0")
        for mark in _MARKS:
            before, found, behind = rest.partition(mark)
            pieces.append(before + mark[:1] if found else b"")
            rest = behind if found else rest
        return self.forms.add(Form(kind, port, part, lot, (*pieces, rest)))

    def filled(self, many: Iterable[Filling], kind: str, wall_ns: int, port: str) -> list[Row]:
        """The journal rows of new records of one moment, filled into forms."""
        seq, at_us, rows = self.next_seq, wall_ns // 1000, []
        for form, serial, raw in many:
            rows.append(new_row((seq, at_us, kind, port, "", "", filling(serial, raw), form)))
            seq += 1
        self.next_seq = seq
        return rows

    def id(self, seq: int | str) -> str:
        """The id of the record with this seq."""
        return f"{self._prefix}{seq}"

    def row(self, kind: str, wall_ns: int, *, port: str = "", part: str = "", lot: str = "", **fields: Any) -> Row:
        """A journal row of a new record; `fields` are further fields of the record."""
        seq = self.next_seq
        self.next_seq = seq + 1
        record = self._record(seq, self.id(seq), self._stamps.text(wall_ns), kind, port=port, part=part, lot=lot,
                              **fields)
        return Row(seq, wall_ns // 1000, kind, port, part, lot, encode(record))

    def _record(self, seq: int, id: str, time: str, kind: str, **fields: Any) -> Record:
        if self.unsynchronised:
            fields["flags"] = (*fields.get("flags", ()), UNSYNCHRONISED)
        return Record(seq=seq, id=id, time=time, kind=kind, site=self.site, **fields)
