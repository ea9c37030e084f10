"""A report's files: the page, its tables beside it, and nothing replaced that is not a report of ours.

Knows: a page of ours by what it says in its head, a table by the digest that its page says of it.
Must not know: what is in them.
"""

import hashlib
import re
from pathlib import Path

from collector.errors import CollectorError, StoppedByIO
from collector.files import show

PAGE = "report.html"
_HEAD_BYTES = 20_000
_OURS = re.compile(rb'<meta name="generator" content="column-collector report">')
_TABLES = re.compile(rb'<meta name="tables" content="([^"]*)">')


def places(to: Path, tables: list[str]) -> tuple[Path, dict[str, Path]]:
    """Where page and tables go: into a folder, or beside a page that has a name of its own."""
    if to.suffix.lower() not in (".html", ".htm"):
        return to / PAGE, {name: to / name for name in tables}
    return to, {name: to.with_name(f"{to.stem}-{name}") for name in tables}


def digest(data: bytes) -> str:
    """SHA-256 as hexadecimal digits."""
    return hashlib.sha256(data).hexdigest()


def refuse_foreign(page: Path, tables: dict[Path, bytes], force: bool) -> None:
    """Raises CollectorError where a file in the way is none of ours, or was changed since.

    `force`: only where it is no file at all.
    """
    old = _old_tables(page, force)
    for path, data in tables.items():
        if not _is_there(path):
            continue
        if not path.is_file() or path.is_symlink():
            raise CollectorError(f"{path} is in the way and is no file")
        if not force and (found := digest(_read(path))) not in (old.get(path.name), digest(data)):
            raise CollectorError(f"{path} is in the way: it is no table of a report, or was changed since (SHA-256 "
                                 f"{found[:12]}…); nothing was written, --force replaces it")


def write(page: Path, text: bytes, tables: dict[Path, bytes]) -> None:
    """Tables first, the page last, each whole or not at all.  Raises StoppedByIO."""
    try:
        page.parent.mkdir(parents=True, exist_ok=True)
        for path, data in (*tables.items(), (page, text)):
            show(path, data, padded=False)
    except OSError as error:
        raise StoppedByIO(f"the report can't be written to {page.parent}: {error.strerror}") from error


def _old_tables(page: Path, force: bool) -> dict[str, str]:
    """Name -> digest, as the page that is there says."""
    if not _is_there(page):
        return {}
    if not page.is_file() or page.is_symlink():
        raise CollectorError(f"{page} is in the way and is no file")
    head = _read(page, _HEAD_BYTES)
    if not force and not _OURS.search(head):
        raise CollectorError(f"{page} is in the way and is no report of ours; nothing was written, --force replaces it")
    told = _TABLES.search(head)
    return dict(one.split("=", 1) for one in told[1].decode().split() if "=" in one) if told else {}


def _is_there(path: Path) -> bool:
    try:
        path.lstat()
    except FileNotFoundError:
        return False
    except OSError as error:
        raise StoppedByIO(f"{path} can't be reached: {error.strerror}") from error
    return True


def _read(path: Path, most: int = -1) -> bytes:
    try:
        with open(path, "rb") as file:
            return file.read(most)
    except OSError as error:
        raise StoppedByIO(f"{path} can't be read: {error.strerror}") from error
