"""A journal, with what lies beside it, copied into one file while it is in use; and a journal made of such a file.

The file is a journal of its own, compact, with one more table, `beside`: cursors and refused records, by their path in
the state folder.  They are read before the journal, so that no cursor is ahead of it.
Knows: that the copy is one reading transaction, synced before it gets its name; that no id may be given twice, though
records were made after the backup: a journal that is put back has a new name, and its seqs go on behind a gap.
Must not know: what a cursor or a record says, how large the gap must be.

Tables `meta` and `record` are used as every schema has had them: an older journal is copied and put back as it is.
"""

import os
import re
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

from msgspec import Struct

from collector.clock import Clock
from collector.errors import CollectorError, JournalFailed, JournalFull, StoppedByIO
from collector.files import Files
from collector.journal.schema import (MEMORY, RENEWED, Renewed, connect, connect_reading, last_seq, meta, renewed_of,
                                      renewed_text)
from collector.journal.sqlite_faults import (BESIDE, FILE_NAME, check_identity, is_backup, is_no_room, set_pragma,
                                             translated)

_MADE = "backup"
_KINDS = ("outputs/*.cursor", "outputs/*.refused.jsonl")
_PATH = re.compile(r"outputs/[^/.][^/]*\.(cursor|refused\.jsonl)")


class Backup(Struct, frozen=True):
    """What a backup holds: the JOURNAL, its `last` seq, how many `records`, and when it was `made`, wall time in ns.

    `beside`: content by path in the state folder.
    """

    name: str
    last: int
    records: int
    made_ns: int
    beside: dict[str, bytes]


def write_backup(folder: Path, to: Path, files: Files, clock: Clock, replaces: bool = False) -> Backup:
    """Copy the journal of this state folder to the new file `to`, private and synced; a daemon may run.

    `replaces`: a file of this name that is there already makes way once the new one is whole.
    Raises StoppedByIO: no journal, or `to` is there or can't be made; JournalFull: no room; JournalFailed: damaged.
    """
    source, part = folder / FILE_NAME, to.with_name(f".{to.name}.part")
    if not source.is_file():
        raise StoppedByIO(f"there is no journal in {folder}")
    if os.path.lexists(to) and not replaces:
        raise StoppedByIO(f"{to} is there already, and is not written over")
    with _oserrors_named(f"the backup {to} can't be made"), _removed_after(part, files):
        beside, made_ns = _beside(folder), clock.wall_ns()
        _copy(source, part, files)
        with _changing(part) as db:
            db.execute(f"CREATE TABLE {BESIDE} (path TEXT PRIMARY KEY, content BLOB NOT NULL) STRICT")
            db.executemany(f"INSERT INTO {BESIDE} VALUES (?, ?)", beside.items())
            db.execute("INSERT INTO meta VALUES (?, ?)", (_MADE, str(made_ns)))
        made = read_backup(part)
        if replaces:
            files.remove(to)
        files.rename(part, to)
    return made


def read_backup(path: Path) -> Backup:
    """What the file holds.  Raises StoppedByIO: it is no backup, or of a newer collector; JournalFailed: damaged."""
    if not path.is_file():
        raise StoppedByIO(f"there is no backup {path}")
    with _sqlite_named(path), closing(connect_reading(path)) as db:
        if not check_identity(db, path, oldest=0) or not is_backup(db):
            raise StoppedByIO(f"{path} is no backup of a collector")
        beside = dict(db.execute(f"SELECT path, content FROM {BESIDE} ORDER BY path").fetchall())
        records, = db.execute("SELECT count(*) FROM record").fetchone()
        found = Backup(meta(db, "name"), last_seq(db), records, int(meta(db, _MADE)), beside)
    wrong = [name for name in beside if not _PATH.fullmatch(name)]
    if wrong:
        raise StoppedByIO(f"{path} is no backup of a collector: {wrong[0]!r} has no place in a state folder")
    return found


def put_back(source: Path, folder: Path, name: str, next_seq: int, told: Renewed, forget: tuple[str, ...],
             files: Files) -> None:
    """Make the journal of this folder, which has none, of a backup; only at its end it is there, whole and synced.

    `name`: the new JOURNAL; `next_seq`: what its next record will carry; `told` is told with that one; `forget`: what
    was remembered under these keys is not any more.  Raises as `write_backup`.
    """
    part = folder / f"{FILE_NAME}.part"
    with _oserrors_named(f"the journal can't be put back in {folder}"), _removed_after(part, files):
        _copy(source, part, files)
        with _changing(part) as db:
            db.execute(f"DROP TABLE {BESIDE}")
            untold = db.execute("SELECT value FROM meta WHERE key = ?", (RENEWED,)).fetchone()
            every = [*(renewed_of(untold[0]) if untold else []), told]
            db.executemany("DELETE FROM meta WHERE key = ?", [(_MADE,), *((MEMORY + key,) for key in forget)])
            db.executemany("INSERT OR REPLACE INTO meta VALUES (?, ?)", [
                ("name", name), ("trimmed", str(next_seq - 1)), (RENEWED, renewed_text(every))])
        files.rename(part, folder / FILE_NAME)


def _beside(folder: Path) -> dict[str, bytes]:
    """Cursors first: what an output refuses meanwhile comes again, and is known as refused then."""
    found = {}
    for kind in _KINDS:
        for path in sorted(folder.glob(kind)):
            with suppress(FileNotFoundError):
                found[path.relative_to(folder).as_posix()] = path.read_bytes()
    return {name: content for name, content in found.items() if _PATH.fullmatch(name)}


def _copy(source: Path, part: Path, files: Files) -> None:
    """Every page in use is read, so that damage of its structure is found."""
    for suffix in ("", "-journal"):
        files.remove(Path(f"{part}{suffix}"))
    os.close(os.open(part, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600))
    with _sqlite_named(source), closing(connect_reading(source)) as db:
        check_identity(db, source, oldest=0)
        db.execute("VACUUM INTO ?", (str(part),))


@contextmanager
def _changing(part: Path) -> Iterator[sqlite3.Connection]:
    """One transaction on a file that is not in force yet; behind it the whole file is synced."""
    with _sqlite_named(part), closing(connect(part)) as db:
        set_pragma(db, "journal_mode", "DELETE", "delete")
        set_pragma(db, "synchronous", "FULL", 2)
        db.execute("BEGIN IMMEDIATE")
        yield db
        db.execute("COMMIT")
    fd = os.open(part, os.O_RDWR)
    try:
        os.fsync(fd)                         # the copy itself is not: SQLite syncs what a transaction has changed
    finally:
        os.close(fd)


@contextmanager
def _sqlite_named(path: Path) -> Iterator[None]:
    try:
        yield
    except sqlite3.Error as error:
        raise translated(error, path) from error


@contextmanager
def _oserrors_named(what: str) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise StoppedByIO(f"{what}: {error.strerror}") from error
    except JournalFull as full:
        raise JournalFull(f"{what}: {'no room' if is_no_room(full) else full}") from full
    except JournalFailed as failed:                # SQLite does not say which of the two files it was
        raise JournalFailed(f"{what}: {failed.__cause__ or failed}; see the disks of both") from failed


@contextmanager
def _removed_after(part: Path, files: Files) -> Iterator[None]:
    """What is left of it after an error is gone."""
    try:
        yield
    except (CollectorError, OSError):
        for suffix in ("", "-journal"):
            with suppress(OSError):
                files.remove(Path(f"{part}{suffix}"))
        raise
