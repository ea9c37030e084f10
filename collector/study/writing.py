"""The files of a study.  A plan is never written over, nor its page; a page of results is, where it is one of ours.

Knows: how tables are written as CSV so that no text becomes a formula.
Must not know: what is in them, what tells a file of ours.
"""

import csv
import io
from collections.abc import Callable, Iterable, Sequence
from decimal import Decimal
from pathlib import Path
from typing import Any

from collector.errors import StoppedByIO
from collector.outputs.csv_file import guarded
from collector.pages.replacing import digest, refuse_foreign, write

_REPLACED = ("study", "study master", "study drift")


def refuse_taken(paths: Iterable[Path]) -> None:
    """Raises StoppedByIO where one is there already, before anything is made."""
    for path in paths:
        if path.exists() or path.is_symlink():
            raise StoppedByIO(f"{path} is there already, and a plan is never written over; name another file")


def write_new(path: Path, data: bytes) -> None:
    """Raises StoppedByIO where the file is there already, or can't be written."""
    try:
        with open(path, "xb") as file:
            file.write(data)
    except OSError as error:
        raise StoppedByIO(f"{path} can't be written: {error.strerror}") from error


def write_page(page: Path, tables: dict[str, bytes], text: Callable[[list[str], str], str], force: bool) -> None:
    """The tables (`STEM-NAME` beside the page), then the page, each whole or not at all.

    `text` makes the page of the tables' names and of what its head is to say of them.  Raises StoppedByIO, and
    CollectorError where a file in the way is none of ours, or was changed since (`force`: it is replaced all the same).
    """
    files = {page.with_name(f"{page.stem}-{name}"): data for name, data in tables.items()}
    told = {path.name: digest(data) for path, data in files.items()}
    made = page_bytes(text(list(told), " ".join(f"{name}={found}" for name, found in told.items())))
    refuse_foreign(page, files, force, _REPLACED)
    write(page, made, files)


def page_bytes(text: str) -> bytes:
    """A page in UTF-8; what a file's name holds that is none is shown as an escape."""
    return text.encode("utf-8", "backslashreplace")


def csv_text(columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> bytes:
    """A table as RFC 4180 has it, in UTF-8."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(columns)
    writer.writerows([_cell(value) for value in row] for row in rows)
    return page_bytes(text.getvalue())


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, Decimal):
        return f"{value:f}"
    return repr(value) if isinstance(value, float) else guarded(str(value))
