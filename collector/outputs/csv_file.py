"""Output kind `csv`: RFC 4180, UTF-8, CRLF, a header line at each file's start.

Knows: how fields are quoted, that numbers are never touched, that a text must not become a formula.
Must not know: folders, cursors.
"""

import csv
import functools
import io
import re
from collections.abc import Callable, Iterable
from operator import attrgetter
from typing import Any, Literal

import msgspec
from pydantic import field_validator, model_validator

from collector.errors import RecordRefused
from collector.files import Files
from collector.outputs import growing, sealed
from collector.outputs.cursor import Cursor
from collector.outputs.folder import FolderOutput, FolderSettings, place
from collector.record import FIELDS, NONE, Record, decode
from collector.settings import YesNo, wrong

NUMBERS = ("value", "deviation", "nominal", "lower", "upper")
_DELIMITERS = (",", ";", "\t", "|")
_FORMULA = tuple("=+-@")
_CONTROL = re.compile("[\x00-\x1f\x7f-\x9f]")


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

    def header(self) -> bytes:
        return csv_header(self._columns, self._settings.delimiter, self._settings.bom)

    def lines(self, rows: tuple[Any, ...]) -> bytes:
        """Raises RecordRefused for a body that is no record."""
        try:
            line = _line_of(self._columns, self._settings.decimal)
            lines = [line(record) for record in [decode(row.body) for row in rows]]
            return _written(lines, self._settings.delimiter)
        except (msgspec.MsgspecError, UnicodeError):
            return b"".join([self._line(row) for row in rows])         # says which one it is

    def _line(self, row: Any) -> bytes:
        try:
            return csv_line(row.body, self._columns, self._settings.delimiter, self._settings.decimal)
        except (msgspec.MsgspecError, UnicodeError) as error:
            raise RecordRefused(self._output, row.seq, f"it is no record: {error}") from error


def csv_header(columns: tuple[str, ...], delimiter: str = ",", bom: bool = False) -> bytes:
    """The line of column names, after a byte order mark where one is wanted."""
    return (b"\xef\xbb\xbf" if bom else b"") + _written([columns], delimiter)


def csv_line(body: bytes, columns: tuple[str, ...], delimiter: str = ",", decimal: str = ".") -> bytes:
    """A record's JSON as one line of CSV.  Raises msgspec.MsgspecError or UnicodeError where it is no record."""
    record = decode(body)
    return _written([_line_of(columns, decimal)(record)], delimiter)


def _written(lines: Iterable[Iterable[str]], delimiter: str) -> bytes:
    text = io.StringIO(newline="")
    csv.writer(text, delimiter=delimiter, lineterminator="\r\n").writerows(lines)
    return text.getvalue().encode("utf-8")


@functools.cache
def _line_of(columns: tuple[str, ...], decimal: str) -> Callable[[Record], list[str]]:
    """How the texts of these columns are taken out of a record."""
    names = ["class_" if column == "class" else column for column in columns]
    take = attrgetter(*names) if len(names) > 1 else lambda record: (getattr(record, names[0]),)
    cells = [_cell(column, decimal) for column in columns]
    return lambda record: [cell(value) if value and value is not NONE else ""
                           for cell, value in zip(cells, take(record))]


def _cell(column: str, decimal: str) -> Callable[[Any], str]:
    """How one column's value is written, where there is one."""
    if column == "seq":
        return str
    if column in NUMBERS and decimal == ".":
        return lambda value: str(value, "ascii")
    if column in NUMBERS:
        return lambda value: str(value, "ascii").replace(".", decimal)
    if column == "flags":
        return lambda value: guarded(";".join(value))
    if column == "detail":
        return lambda value: _CONTROL.sub(lambda found: f"\\u{ord(found[0]):04x}", str(value, "utf-8"))
    return guarded


def guarded(text: str) -> str:
    """A text that no spreadsheet takes for a formula and that has no control character in it."""
    if text.isprintable() and text[:1] not in _FORMULA:
        return text
    text = _CONTROL.sub(lambda found: f"\\x{ord(found[0]):02x}", text)
    return f"'{text}" if text[:1] in _FORMULA else text


def build(name: str, site: str, settings: Settings, cursor: Cursor, files: Files) -> FolderOutput:
    """The output `name` of this site."""
    return FolderOutput(place(name, site, settings, cursor, files, CsvLines(name, settings)), sealed, growing)
