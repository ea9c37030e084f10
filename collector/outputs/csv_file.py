"""Output kind `csv`: RFC 4180, UTF-8, CRLF, a header line at each file's start.

Knows: how fields are quoted, that numbers are never touched, that a text must not become a formula.
Must not know: folders, cursors.
"""

import csv
import re
from collections.abc import Iterable, Iterator, Sequence
from itertools import islice
from operator import attrgetter
from types import SimpleNamespace
from typing import Any, Literal

import msgspec
from pydantic import field_validator, model_validator

from collector.errors import RecordRefused
from collector.files import Files
from collector.outputs import growing, sealed
from collector.outputs.csv_alike import FORMULA, Alike
from collector.outputs.cursor import Cursor
from collector.outputs.folder import FolderOutput, FolderSettings, place
from collector.record import FIELDS, Record, decode
from collector.settings import YesNo, wrong

NUMBERS = ("value", "deviation", "nominal", "lower", "upper")
_DELIMITERS = (",", ";", "\t", "|")
_AT_ONCE = 500                               # records: what is made of them stays in the processor's cache
_NEVER_IN_JSON = b"\0"
_LINE_END = b"\r\n"
_CONTROL, _CONTROL_IN_JSON = re.compile("[\x00-\x1f\x7f-\x9f]"), re.compile("[\x01-\x1f\x7f-\x9f]")


class Settings(FolderSettings):
    """`outputs.NAME` with `kind: csv`.  `columns` empty: every field of the record, in contract order."""

    columns: tuple[str, ...] = ()
    delimiter: str = ","
    decimal: Literal[".", ","] = "."
    bom: YesNo = False

    @field_validator("columns")
    @classmethod
    def _known_columns(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        for at, column in enumerate(value):
            if column not in FIELDS:
                raise wrong(f"a record has no field {column!r}", f"fields are {', '.join(FIELDS)}")
            if column in value[:at]:
                raise wrong(f"column {column!r} is there twice", "name each column once")
        return value

    @field_validator("delimiter")
    @classmethod
    def _known_delimiter(cls, value: str) -> str:
        if value not in _DELIMITERS:
            raise wrong(f"{value!r} can't be the delimiter", 'write one of ",", ";", "\\t", "|"')
        return value

    @model_validator(mode="after")
    def _tells_numbers_apart(self) -> "Settings":
        if self.delimiter == self.decimal:
            raise wrong("delimiter and decimal are both ','", 'write delimiter: ";"')
        return self


class CsvLines:
    """Records as lines of CSV."""

    suffix = "csv"

    def __init__(self, output: str, settings: Settings):
        self._output, self._settings = output, settings
        self._columns = settings.columns or FIELDS
        self._alike = Alike(self._made, settings.delimiter)

    def header(self) -> bytes:
        return csv_header(self._columns, self._settings.delimiter, self._settings.bom)

    def lines(self, rows: Sequence[Any]) -> bytes:
        """Raises RecordRefused for a body that is no record."""
        try:
            return self._lines(rows)
        except (msgspec.MsgspecError, UnicodeError):
            return b"".join([self._line(row) for row in rows])         # says which one it is

    def _line(self, row: Any) -> bytes:
        try:
            return self._lines((row,))
        except (msgspec.MsgspecError, UnicodeError) as error:
            raise RecordRefused(self._output, row.seq, f"it is no record: {error}") from error

    def _lines(self, rows: Sequence[Any]) -> bytes:
        return _LINE_END.join([*self._alike.lines([row.body for row in rows]), b""])

    def _made(self, bodies: Sequence[bytes]) -> list[bytes]:
        lines = csv_lines(bodies, self._columns, self._settings.delimiter, self._settings.decimal)
        return b"".join(lines).split(_LINE_END)[:-1]


def csv_header(columns: tuple[str, ...], delimiter: str = ",", bom: bool = False) -> bytes:
    """The line of column names, after a byte order mark where one is wanted."""
    return (b"\xef\xbb\xbf" if bom else b"") + _written([columns], delimiter)


def csv_lines(bodies: Iterable[bytes], columns: tuple[str, ...], delimiter: str = ",",
              decimal: str = ".") -> Iterator[bytes]:
    """Records' JSON as lines of CSV, some hundred at a time.

    Raises msgspec.MsgspecError or UnicodeError where one is no record.
    """
    rest = iter(bodies)
    while records := list(map(decode, islice(rest, _AT_ONCE))):
        yield _written(_texts(records, columns, decimal), delimiter)


def _written(rows: Iterable[Iterable[str]], delimiter: str) -> bytes:
    """Lines of CSV.  The line ends are put in here: the writer compares each character with each of its own line end,
    which takes half as long again; no text has one in it (`guarded`)."""
    lines: list[str] = []
    csv.writer(SimpleNamespace(write=lines.append), delimiter=delimiter, lineterminator="").writerows(rows)
    return "\r\n".join([*lines, ""]).encode("utf-8")


def _texts(records: list[Record], columns: tuple[str, ...], decimal: str) -> Iterable[tuple[str, ...]]:
    """What is written for each record, column by column: that is twice as fast as record by record, since in most
    columns many records say the same."""
    return zip(*[_column(name, list(map(attrgetter("class_" if name == "class" else name), records)), decimal)
                 for name in columns])


def _column(name: str, values: list[Any], decimal: str) -> list[str]:
    """The texts of one column."""
    if name == "seq":
        return list(map(str, values))
    if name in NUMBERS or name == "detail":
        texts = _NEVER_IN_JSON.join(values).decode("utf-8")
        if not texts.replace("\0", " ").isprintable():
            texts = _CONTROL_IN_JSON.sub(lambda found: f"\\u{ord(found[0]):04x}", texts)
        return (texts.replace(".", decimal) if name in NUMBERS else texts).split("\0")
    if name == "flags":
        values = list(map(";".join, values))
    changed = {text: guarded(text) for text in set(values) if text}
    return list(map(changed.get, values, values))


def guarded(text: str) -> str:
    """A text that no spreadsheet takes for a formula and that has no control character in it."""
    if text.isprintable() and not text.startswith(FORMULA):
        return text
    text = _CONTROL.sub(lambda found: f"\\x{ord(found[0]):02x}", text)
    return f"'{text}" if text.startswith(FORMULA) else text


def build(name: str, site: str, settings: Settings, cursor: Cursor, files: Files) -> FolderOutput:
    """The output `name` of this site."""
    return FolderOutput(place(name, site, settings, cursor, files, CsvLines(name, settings)), sealed, growing)
