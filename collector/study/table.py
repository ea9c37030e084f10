"""A study out of a table: CSV text with the columns part, operator, value and, if it likes, trial.

Knows: CSV as RFC 4180 has it, with line and column of every cell; plain digits.
Must not know: the journal, what the values mean.
"""

import re
from collections.abc import Mapping, Sequence
from decimal import Decimal
from pathlib import Path

from msgspec import Struct

from collector.errors import CollectorError, Fault, StoppedByIO

COLUMNS = ("part", "operator", "value", "trial")
_LARGEST = 20_000_000
_MOST_FAULTS = 20
_NUMBER = re.compile(r"[+-]?[0-9]{1,15}(\.[0-9]{1,15})?")


class Cell(Struct, frozen=True):
    """A cell and where it begins, both from 1."""

    text: str
    line: int
    column: int


class Line(Struct, frozen=True):
    """One reading of a table, its trial (0: the table does not say) and its line in the file."""

    part: str
    operator: str
    value: Decimal
    trial: int
    line: int


class TableRefused(CollectorError):
    """A table that can't be read as a study: every fault with file:line:column, the first twenty at most."""

    def __init__(self, faults: Sequence[Fault]):
        self.faults = list(faults[:_MOST_FAULTS])
        more = len(faults) - len(self.faults)
        super().__init__("\n".join(map(str, self.faults)) + (f"\nand {more} more" if more else ""))


def read_table(path: Path, comma: bool = False, called: Mapping[str, str] | None = None) -> list[Line]:
    """The readings of a CSV file in its order.

    `comma`: a decimal comma, and `;` between the cells; `called`: what a column is called there, as in {part: serial}.
    Raises StoppedByIO where it can't be read, TableRefused.
    """
    try:
        with open(path, "rb") as file:
            data = file.read(_LARGEST + 1)
    except OSError as error:
        raise StoppedByIO(f"the table {path} can't be read: {error.strerror}") from error
    if len(data) > _LARGEST:
        raise TableRefused([Fault(str(path), 1, 1, f"it is larger than {_LARGEST} bytes")])
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        column = error.start - (data.rfind(b"\n", 0, error.start) + 1) + 1
        raise TableRefused([Fault(str(path), line, column, "this is no UTF-8", "save it as UTF-8")]) from None
    return _Reading(str(path), comma, called or {}).lines(text)


class _Reading:
    def __init__(self, name: str, comma: bool, called: Mapping[str, str]):
        self._name, self._comma, self._called = name, comma, called
        self._faults: list[Fault] = []

    def _fault(self, at: Cell, what: str, right: str = "") -> None:
        self._faults.append(Fault(self._name, at.line, at.column, what, right))

    def lines(self, text: str) -> list[Line]:
        rows = self._rows(text)
        head, *rest = rows or [[Cell("", 1, 1)]]
        at = self._columns(head)
        found = [] if at is None else [one for row in rest if (one := self._line(row, at, len(head)))]
        if at is not None and not rest:
            self._fault(Cell("", 2, 1), "there is no reading below the names of the columns")
        self._twice(found)
        if self._faults:
            raise TableRefused(self._faults)
        return found

    def _columns(self, head: list[Cell]) -> dict[str, int] | None:
        names = [cell.text.strip() for cell in head]
        at = {}
        for column in COLUMNS:
            name = self._called.get(column, column)
            places = [place for place, one in enumerate(names) if one == name]
            if len(places) > 1:
                self._fault(head[places[1]], f"there are two columns {name!r}")
            elif places:
                at[column] = places[0]
            elif column != "trial" or column in self._called:
                self._fault(head[0], f"there is no column {name!r}",
                            f"the first line names them, separated by {';' if self._comma else ','}; "
                            f"it says {', '.join(names)[:200]}")
        return None if self._faults else at

    def _line(self, row: list[Cell], at: dict[str, int], width: int) -> Line | None:
        if len(row) != width:
            self._fault(row[min(len(row) - 1, width)], f"{len(row)} cells, where the first line has {width}",
                        "" if self._comma else "a decimal comma needs its option")
            return None
        before = len(self._faults)
        part, operator = (self._text(row[at[column]], column) for column in ("part", "operator"))
        value, trial = self._value(row[at["value"]]), self._trial(row[at["trial"]]) if "trial" in at else 0
        return Line(part, operator, value, trial, row[0].line) if len(self._faults) == before else None

    def _text(self, cell: Cell, column: str) -> str:
        text = cell.text.strip()
        if not text:
            self._fault(cell, f"no {column}")
        return text

    def _value(self, cell: Cell) -> Decimal:
        text = cell.text.strip()
        plain = text.replace(",", ".") if self._comma else text
        if not _NUMBER.fullmatch(plain) or self._comma and "." in text:
            self._fault(cell, f"{text!r} is no value",
                        f"write plain digits, as in {'25,0031' if self._comma else '25.0031'}")
            return Decimal(0)
        return Decimal(plain)

    def _trial(self, cell: Cell) -> int:
        text = cell.text.strip()
        if not re.fullmatch("[1-9][0-9]{0,3}", text):
            self._fault(cell, f"{text!r} is no trial", "trials are counted 1, 2, 3 ...")
            return 0
        return int(text)

    def _twice(self, found: list[Line]) -> None:
        seen: dict[tuple[str, str, int], int] = {}
        for one in found:
            key = (one.part, one.operator, one.trial)
            if one.trial and key in seen:
                self._fault(Cell("", one.line, 1), f"trial {one.trial} of part {one.part!r} by {one.operator!r} stands "
                            f"in line {seen[key]} already")
            seen.setdefault(key, one.line)

    def _rows(self, text: str) -> list[list[Cell]]:
        """The cells of each line that holds something; a cell in quotes may hold separators, line ends and `""`."""
        mark = re.escape(";" if self._comma else ",")
        cell = re.compile(rf'(?:"((?:[^"]|"")*)"|([^"\r\n{mark}][^\r\n{mark}]*|))({mark}|\r\n|\n|\r|\Z)')
        rows: list[list[Cell]] = [[]]
        line, begin, at = 1, 0, 0
        while at < len(text) or rows[-1]:
            found = cell.match(text, at)
            if found is None:
                self._fault(Cell("", line, at - begin + 1), "a quote that does not end, or text behind it")
                break
            quoted, plain, end = found.groups()
            rows[-1].append(Cell(quoted.replace('""', '"') if quoted is not None else plain, line, at - begin + 1))
            breaks = [one.end() for one in re.finditer(r"\r\n|\n|\r", found[0])]
            if breaks:
                line, begin = line + len(breaks), found.start() + breaks[-1]
            at = found.end()
            if end not in (";", ","):
                rows.append([])
                if at >= len(text):
                    break
        return [row for row in rows if len(row) > 1 or row and row[0].text.strip()]
