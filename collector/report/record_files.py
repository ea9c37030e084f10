"""Records out of files that an output or `collector export` wrote, JSON lines or CSV, as if they were a journal.

Knows: both forms, with any delimiter, decimal sign and columns that an output may have; that a file may be broken.
Must not know: what the records are made into.
"""

import csv
import hashlib
import re
from collections.abc import Collection, Iterable, Iterator
from heapq import heappop, heappush
from pathlib import Path

import msgspec
from msgspec import Raw

from collector.errors import CollectorError, StoppedByIO
from collector.journal import Row
from collector.measuring.units import WRITTEN
from collector.outputs.csv_file import NUMBERS
from collector.record import FIELDS, KINDS, Record, decode, encode
from collector.report.selection import VALUES, time_us

_NEEDED = ("seq", "id", "time", "kind")
_DELIMITERS = ",;\t|"
_NUMBER = re.compile(r"-?\d+(\.\d+)?")
_UNITS = ("", *(unit.value for unit in WRITTEN))
_BOM = "\ufeff"


class RecordFiles:
    """Reads the files anew for each `select`, woven into one order of seq; within a file they must be in that order."""

    def __init__(self, paths: Collection[Path]):
        firsts = [(next((row.seq for row in _rows(path)), 0), path) for path in paths]
        self._files = sorted(firsts)

    def digests(self) -> dict[str, str]:
        """SHA-256 of each file, by the name that it was given by."""
        return {str(path): _sha256(path) for _, path in self._files}

    def select(self, since_us: int | None = None, until_us: int | None = None, port: str | None = None,
               part: str | None = None, lot: str | None = None, kinds: Collection[str] = (), first: int = 1,
               through: int | None = None) -> Iterator[Row]:
        """As a journal's reader does it.  Raises CollectorError with file and line, StoppedByIO."""
        before, rare = 0, () if set(kinds) & set(VALUES) else tuple(f'"{kind}"' for kind in kinds)
        for row, path in self._woven(rare):
            if row.seq <= before:
                raise CollectorError(f"{path}: record {row.seq} comes again, or stands behind record {before}; "
                                     "give each record once, each file in order of seq")
            before = row.seq
            if row.seq < first or through is not None and row.seq > through or kinds and row.kind not in kinds:
                continue
            if since_us is not None and row.at_us < since_us or until_us is not None and row.at_us >= until_us:
                continue
            if all(wanted in (None, told) for wanted, told in ((port, row.port), (part, row.part), (lot, row.lot))):
                yield row

    def _woven(self, rare: tuple[str, ...]) -> Iterator[tuple[Row, Path]]:
        """The records of `_rows`; a file is opened only when its first record is due."""
        waiting, heap = list(reversed(self._files)), []
        while waiting or heap:
            if waiting and (not heap or waiting[-1][0] <= heap[0][0]):
                path = waiting.pop()[1]
                rows = _rows(path, rare)
            else:
                _, _, row, path, rows = heappop(heap)
                yield row, path
            if (row := next(rows, None)) is not None:
                heappush(heap, (row.seq, str(path), row, path, rows))


def _sha256(path: Path) -> str:
    try:
        with open(path, "rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise StoppedByIO(f"{path} can't be read: {error.strerror}") from error


def _rows(path: Path, rare: tuple[str, ...] = ()) -> Iterator[Row]:
    """The records of one file: JSON lines where it begins with a brace, else CSV.

    `rare`: lines of JSON that hold none of these texts may be left out unread; another pass reads them all.
    """
    try:
        with open(path, encoding="utf-8", newline="") as file:
            begins = file.read(1)
            if begins == "{" or not begins:
                file.seek(0)
                yield from _json_rows(path, _whole(path, file), rare)
                return
            if begins != _BOM:
                file.seek(0)
            yield from _csv_rows(path, _whole(path, file))
    except OSError as error:
        raise StoppedByIO(f"{path} can't be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise CollectorError(f"{path} is no file of records: it is not UTF-8 ({error.reason})") from error


def _whole(path: Path, lines: Iterable[str]) -> Iterator[str]:
    """The lines.  Raises CollectorError for one that does not end: nobody knows what it would have said."""
    for number, line in enumerate(lines, 1):
        if not line.endswith("\n"):
            raise CollectorError(f"{path}:{number}: the line has no end; the file was cut, or is still being written")
        yield line


def _json_rows(path: Path, lines: Iterator[str], rare: tuple[str, ...]) -> Iterator[Row]:
    for number, line in enumerate(lines, 1):
        if rare and not any(text in line for text in rare):
            continue
        body = line[:-1].encode()
        try:
            yield _row(decode(body), body)
        except (msgspec.MsgspecError, ValueError) as error:
            raise CollectorError(f"{path}:{number}: this is no record: {error}") from error


def _csv_rows(path: Path, lines: Iterator[str]) -> Iterator[Row]:
    head = next(lines, "")
    delimiter = max(_DELIMITERS, key=head.count)
    reader = csv.reader([head], delimiter=delimiter)
    columns = next(reader, [])
    if missing := [name for name in _NEEDED if name not in columns]:
        raise CollectorError(f"{path}:1: this is no file of records: column {missing[0]} is missing; it needs "
                             f"{', '.join(_NEEDED)} and should have all")
    if unknown := [name for name in columns if name not in FIELDS]:
        raise CollectorError(f"{path}:1: a record has no field {unknown[0]!r}")
    reader = csv.reader(lines, delimiter=delimiter, strict=True)
    try:
        for cells in reader:
            if len(cells) != len(columns):
                raise ValueError(f"{len(cells)} cells, the header has {len(columns)}")
            record = _record({name: cell for name, cell in zip(columns, cells) if cell})
            yield _row(record, encode(record))
    except (csv.Error, msgspec.MsgspecError, ValueError) as error:
        raise CollectorError(f"{path}:{reader.line_num + 1}: this is no record: {error}") from error


def _record(cells: dict[str, str]) -> Record:
    """Raises ValueError or msgspec.MsgspecError for a cell that a record can't have."""
    fields = {}
    for name, cell in cells.items():
        if name in NUMBERS:
            digits = cell.replace(",", ".")
            if not _NUMBER.fullmatch(digits):
                raise ValueError(f"{name} {cell!r} is no number")
            fields[name] = Raw(digits.encode())
        elif name == "detail":
            msgspec.json.decode(cell)
            fields[name] = Raw(cell.encode())
        elif name == "flags":
            fields[name] = tuple(_text(cell).split(";"))
        else:
            fields["class_" if name == "class" else name] = int(cell) if name == "seq" else _text(cell)
    if any(name not in fields for name in _NEEDED):
        raise ValueError(f"it has no {next(name for name in _NEEDED if name not in fields)}")
    return Record(**fields)


def _text(cell: str) -> str:
    """A text without the quote that keeps it from being a formula."""
    return cell[1:] if cell[0] == "'" and cell[1:2] in tuple("=+-@") else cell


def _row(record: Record, body: bytes) -> Row:
    if record.seq < 1 or record.kind not in KINDS:
        raise ValueError(f"seq {record.seq}, kind {record.kind!r}")
    if record.unit not in _UNITS:
        raise ValueError(f"unit {record.unit!r}")
    for name in NUMBERS:
        if (digits := bytes(getattr(record, name))) and not _NUMBER.fullmatch(digits.decode()):
            raise ValueError(f"{name} {digits.decode()!r} is no number")
    return Row(record.seq, time_us(record.time), record.kind, record.port, record.part, record.lot, body)
