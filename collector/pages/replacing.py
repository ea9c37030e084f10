"""A page and its tables as files: each whole or not at all, and nothing replaced that is not ours.

Knows: a page of ours by what its head says it was made by, a table by the digest that its page says of it.
Must not know: what is in them.
"""

import hashlib
import html
import re
from collections.abc import Sequence
from pathlib import Path

from collector.errors import CollectorError, StoppedByIO
from collector.files import show

_HEAD_BYTES = 20_000
_MADE_BY = '<meta name="generator" content="column-collector {}">'
_TABLES = re.compile(rb'<meta name="tables" content="([^"]*)">')
_TABLE = re.compile("(.+?)=([0-9a-f]{64})(?: |$)")


def digest(data: bytes) -> str:
    """SHA-256 as hexadecimal digits."""
    return hashlib.sha256(data).hexdigest()


def refuse_foreign(page: Path, tables: dict[Path, bytes], force: bool, kinds: Sequence[str]) -> None:
    """Raises CollectorError where a file in the way is none of ours, or was changed since.

    `force`: only where it is no file at all; `kinds`: what pages of ours that may be replaced are called, as in report.
    """
    old = _old_tables(page, force, kinds)
    for path, data in tables.items():
        if not _is_there(path):
            continue
        if not force and (found := digest(_read(path))) not in (old.get(path.name), digest(data)):
            raise CollectorError(f"{path} is in the way: it is no table of a {kinds[0]}, or was changed since (SHA-256 "
                                 f"{found[:12]}…); nothing was written, --force replaces it")


def write(page: Path, text: bytes, tables: dict[Path, bytes]) -> None:
    """Tables first, the page last; the folder is made.  Raises StoppedByIO."""
    try:
        page.parent.mkdir(parents=True, exist_ok=True)
        for path, data in (*tables.items(), (page, text)):
            show(path, data, padded=False)
    except OSError as error:
        raise StoppedByIO(f"{page} and its tables can't be written: {error.strerror}") from error


def _old_tables(page: Path, force: bool, kinds: Sequence[str]) -> dict[str, str]:
    """Name -> digest, as the page that is there says."""
    if not _is_there(page):
        return {}
    head = _read(page, _HEAD_BYTES)
    if not force and not any(_MADE_BY.format(kind).encode() in head for kind in kinds):
        raise CollectorError(f"{page} is in the way and is no {kinds[0]} of ours; nothing was written, "
                             "--force replaces it")
    told = _TABLES.search(head)
    return dict(_TABLE.findall(html.unescape(told[1].decode("utf-8", "replace")))) if told else {}


def _is_there(path: Path) -> bool:
    """Raises CollectorError where it is no plain file, StoppedByIO."""
    try:
        path.lstat()
    except FileNotFoundError:
        return False
    except OSError as error:
        raise StoppedByIO(f"{path} can't be reached: {error.strerror}") from error
    if path.is_symlink() or not path.is_file():
        raise CollectorError(f"{path} is in the way and is no file")
    return True


def _read(path: Path, most: int = -1) -> bytes:
    try:
        with open(path, "rb") as file:
            return file.read(most)
    except OSError as error:
        raise StoppedByIO(f"{path} can't be read: {error.strerror}") from error
