"""Give records their place: `seq`, `id`, `time`.

Knows: the next seq of the journal, the site's and the journal's name; that a time which nothing keeps right is flagged.
Must not know: what a record says, whether it was committed yet.
"""

from functools import partial
from typing import Any

from collector.clock import Stamps
from collector.journal import Row
from collector.record import Record, encode

UNSYNCHRONISED = "clock-unsynchronised"


_row = partial(tuple.__new__, Row)                     # what `Row(...)` does, without its own function


class Numbering:
    """Numbers records in the order they are made; used by the worker thread alone.

    `unsynchronised`: the times of the records that are made now are of a clock that nothing keeps right.
    """

    def __init__(self, site: str, journal: str, next_seq: int):
        self.unsynchronised = False
        self.site, self.next_seq = site, next_seq
        self._prefix = f"{site}-{journal}-"
        self._stamps = Stamps()

    def filled(self, form: str, kind: str, wall_ns: int, port: str, part: str, lot: str, texts: tuple[str, ...]) -> Row:
        """A journal row of a new record, its JSON by a form; `texts`: what is filled in behind seq, seq and time."""
        seq = self.next_seq
        self.next_seq = seq + 1
        body = form % (seq, seq, self._stamps.text(wall_ns), *texts)
        return _row((seq, wall_ns // 1000, kind, port, part, lot, body.encode()))

    def flagged(self, flags: tuple[str, ...]) -> tuple[str, ...]:
        """These flags, and that the clock is not right where nothing keeps it so."""
        return (*flags, UNSYNCHRONISED) if self.unsynchronised else flags

    def id(self, seq: int | str) -> str:
        """The id of the record with this seq."""
        return f"{self._prefix}{seq}"

    def row(self, kind: str, wall_ns: int, *, port: str = "", part: str = "", lot: str = "", **fields: Any) -> Row:
        """A journal row of a new record; `fields` are further fields of the record."""
        seq = self.next_seq
        self.next_seq = seq + 1
        if self.unsynchronised:
            fields["flags"] = self.flagged(fields.get("flags", ()))
        record = Record(seq=seq, id=f"{self._prefix}{seq}", time=self._stamps.text(wall_ns), kind=kind, site=self.site,
                        port=port, part=part, lot=lot, **fields)
        return Row(seq, wall_ns // 1000, kind, port, part, lot, encode(record))
