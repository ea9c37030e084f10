"""The files of a study.  A plan is never written over; a page only where it is one of ours, its tables where nobody has
changed them since, as the page's head says by their digests.

Knows: how tables are written as CSV so that no text becomes a formula; what tells a page of ours.
Must not know: what is in them.
"""

import csv
import hashlib
import io
import re
from collections.abc import Callable, Iterable, Sequence
from decimal import Decimal
from pathlib import Path
from typing import Any

from collector.errors import CollectorError, StoppedByIO
from collector.files import show
from collector.outputs.csv_file import guarded

_HEAD_BYTES = 20_000
_OURS = re.compile(rb'<meta name="generator" content="column-collector study')
_TABLES = re.compile(rb'<meta name="tables" content="([^"]*)">')


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
    told = {path.name: hashlib.sha256(data).hexdigest() for path, data in files.items()}
    made = page_bytes(text(list(told), " ".join(f"{name}={digest}" for name, digest in told.items())))
    try:
        old = _tables_of(page, force)
        for path in files:
            if not _may_replace(path, force, (old.get(path.name), told[path.name])):
                raise CollectorError(f"{path} is in the way: it is no table of this study, or was changed since; "
                                     "nothing was written, --force replaces it")
        for path, data in (*files.items(), (page, made)):
            show(path, data, padded=False)
    except OSError as error:
        raise StoppedByIO(f"{page} and its tables can't be written: {error.strerror}") from error


def _tables_of(page: Path, force: bool) -> dict[str, str]:
    """Name -> digest, as the page that is there says."""
    if not page.exists() and not page.is_symlink():
        return {}
    head = b""
    if page.is_file() and not page.is_symlink():
        with open(page, "rb") as file:
            head = file.read(_HEAD_BYTES)
    if not _OURS.search(head) and not (force and page.is_file() and not page.is_symlink()):
        raise CollectorError(f"{page} is in the way and is no page of a study; nothing was written"
                             + (", --force replaces it" if not force else ""))
    found = _TABLES.search(head)
    return dict(one.split("=", 1) for one in found[1].decode().split() if "=" in one) if found else {}


def _may_replace(path: Path, force: bool, known: tuple[str | None, str]) -> bool:
    if path.is_symlink() or path.exists() and not path.is_file():
        return False
    return force or not path.exists() or hashlib.sha256(path.read_bytes()).hexdigest() in known


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
