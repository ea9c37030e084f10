"""Begin a new journal file where the old one can't be trusted any more, and set the old one aside.

Knows: that the old file is only read, never written or synced again; the steps, each durable before the next:
  1. `journal.sqlite.part` is made: the JOURNAL's name, what was remembered, every row that is still needed;
  2. it is renamed to `journal.sqlite.next-STAMP`: from here on the new one is in force, until here the old one was;
  3. the old file, its log and its index go to `journal.sqlite.failed-STAMP`, then the new one takes the old name.
Whoever opens the journal finishes step 3 first, so a kill anywhere leaves one of the two.
Must not know: what a record says, which outputs there are.
"""

import errno
import os
import sqlite3
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, closing, suppress
from datetime import UTC, datetime
from pathlib import Path

import msgspec

from collector.clock import Clock
from collector.errors import JournalFailed, JournalFull
from collector.files import Files
from collector.journal.forms import Row
from collector.journal.salvage import Salvage, open_salvage
from collector.journal.schema import (MEMORY, RENEWED, Lost, Renewed, connect, drawn_name, make_tables,
                                      renewed_text)
from collector.journal.sqlite_faults import FILE_NAME, set_pragma, translated

BESIDE = ("-wal", "-shm", "-journal")
_ROWS_A_MOVE = 1000
_INSERT = "INSERT INTO record VALUES (?, ?, ?, ?, ?, ?, ?, ?)"


def renew(path: Path, cause: str, keep_after: int, seen: int, exact: bool, files: Files, clock: Clock,
          moved: Callable[[], None]) -> None:
    """Put a new file in force, with the rows above `keep_after`.  `seen`: the last seq that is known to have been used.

    `exact`: nothing above `seen` was ever acknowledged, so nothing above it is carried over.  `moved` is called for
    every so many rows: a large journal takes minutes.
    Raises JournalFull: nothing has changed, try again; JournalFailed: neither can the new one be trusted.
    """
    try:
        if not list(path.parent.glob(f"{path.name}.next-*")):      # made before, where only names were to be finished
            _stage(path, cause, keep_after, seen, exact, files, clock, moved)
        finish(path, files)
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            raise JournalFull(f"no room for a new journal in {path.parent}") from error
        raise JournalFailed(f"no new journal can be begun in {path.parent}: {error.strerror}") from error


def _stage(path: Path, cause: str, keep_after: int, seen: int, exact: bool, files: Files, clock: Clock,
           moved: Callable[[], None]) -> None:
    part, stamp = path.with_name(f"{path.name}.part"), _free_stamp(path, clock)
    _remove(part, files)
    try:
        _fill(part, path, Renewed(cause, f"{path.name}.failed-{stamp}"), keep_after, seen, exact, moved)
        files.rename(part, path.with_name(f"{path.name}.next-{stamp}"))
    except BaseException as error:
        with suppress(OSError):
            _remove(part, files)
        if isinstance(error, sqlite3.Error):
            raise translated(error, part) from error
        raise


def finish(path: Path, files: Files) -> None:
    """Finish what a kill has interrupted; nothing to do is fine.  Raises OSError."""
    for new in path.parent.glob(f"{path.name}.next-*"):
        aside = path.with_name(f"{path.name}.failed-{new.name.rpartition('-')[2]}")
        for suffix in ("", *BESIDE):
            old, gone = Path(f"{path}{suffix}"), Path(f"{aside}{suffix}")
            if suffix and gone.exists():
                files.remove(old)                # made by one that looked for the journal just now: it holds nothing
            elif old.exists():
                files.rename(old, gone)
        files.rename(new, path)
    _remove(path.with_name(f"{path.name}.part"), files)


def set_aside(folder: Path) -> list[Path]:
    """The journal files that were set aside in this folder, by age.  Raises OSError."""
    return sorted(path for path in folder.glob(f"{FILE_NAME}.failed-*") if not path.name.endswith(BESIDE))


def _fill(part: Path, old: Path, told: Renewed, keep_after: int, seen: int, exact: bool,
          moved: Callable[[], None]) -> None:
    """Make the new file; returns when it is synced."""
    os.close(os.open(part, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600))
    with closing(connect(part)) as new:
        set_pragma(new, "journal_mode", "DELETE", "delete")
        set_pragma(new, "synchronous", "FULL", 2)
        new.execute("BEGIN IMMEDIATE")
        if not _carried_over(new, old, told, keep_after, seen, exact, moved):
            told = msgspec.structs.replace(told, carries_on=False, memory_whole=False)
            make_tables(new, {"name": drawn_name(), "trimmed": "0", RENEWED: renewed_text([told])})
        new.execute("COMMIT")


def _carried_over(new: sqlite3.Connection, old: Path, told: Renewed, keep_after: int, seen: int, exact: bool,
                  moved: Callable[[], None]) -> bool:
    """False: the old one can't be read at all, or not its name, without which its records' ids say nothing."""
    with ExitStack() as held:
        try:
            found = held.enter_context(open_salvage(old, keep_after, seen, exact))
        except JournalFailed:
            return False
        if found.name:
            _carry_over(new, found, told, moved)
        return bool(found.name)


def _carry_over(new: sqlite3.Connection, found: Salvage, told: Renewed, moved: Callable[[], None]) -> None:
    make_tables(new, {"name": found.name, "trimmed": str(found.last)})
    kept = new.executemany(_INSERT, _seen_moving(found.rows(), moved)).rowcount
    missing = [*found.broken, *((seq, seq) for seq in found.unsound)]
    count = sum(high - low + 1 for low, high in missing)
    lost = Lost()
    if missing:
        lost = Lost(count, min(low for low, _ in missing), max(high for _, high in missing), found.end_known)
    told = msgspec.structs.replace(told, kept=max(0, kept), lost=lost, memory_whole=found.memory_whole)
    new.executemany("INSERT INTO meta VALUES (?, ?)", [(MEMORY + key, text) for key, text in found.memory.items()])
    new.execute("INSERT INTO meta VALUES (?, ?)", (RENEWED, renewed_text([*found.renewed, told])))


def _seen_moving(rows: Iterable[Row], moved: Callable[[], None]) -> Iterator[Row]:
    for at, row in enumerate(rows):
        if at % _ROWS_A_MOVE == 0:
            moved()
        yield row


def _free_stamp(path: Path, clock: Clock) -> str:
    """The time, in whole seconds; a later one where a file of this time is there already."""
    second = clock.wall_ns() // 1_000_000_000
    while True:
        stamp = datetime.fromtimestamp(second, UTC).strftime("%Y%m%dT%H%M%SZ")
        if not path.with_name(f"{path.name}.failed-{stamp}").exists():
            return stamp
        second += 1


def _remove(part: Path, files: Files) -> None:
    for suffix in ("", *BESIDE):
        files.remove(Path(f"{part}{suffix}"))
