"""The journal's one writing connection: append, trim, and what goes on when its disk is full or its file fails.

Knows: SQLite in WAL mode, synced at every commit; that `seq` has no gaps and is never used again; the reserve that is
given up when the disk is full; that a file that failed once is never written or synced again.
Must not know: what a record says, who reads it.

One connection writes, and a second one copies the log into the file (`log`); every other only reads.
"""

import os
import sqlite3
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import partial
from itertools import groupby, takewhile
from operator import attrgetter, itemgetter
from pathlib import Path
from typing import Any

from collector.clock import Clock, SystemClock
from collector.errors import JournalFailed, JournalFull, StoppedByIO
from collector.files import Files
from collector.journal.forms import FORM_TABLES, HELD, IN_USE, Forms, Row
from collector.journal.log import Log
from collector.journal.many import insert_many
from collector.journal.opening import open_file, prepare
from collector.journal.place import refuse_unfit
from collector.journal.renewal import renew
from collector.journal.reserve import Reserve
from collector.journal.schema import (COUNTED, FIRST, MEMORY, RENEWED, Renewed, connect_reading, last_form,
                                      last_seq, meta, renewed_of)
from collector.journal.sqlite_faults import (FILE_NAME, is_no_room, primary_code, translated,
                                             translated_outside_append)

_EACH_COMMIT_BYTES, _EACH_ROW_BYTES, _EACH_FORM_BYTES = 8192, 30, 1000
_FEW_ROWS = 32
_BODY, _FILLED = attrgetter("body"), itemgetter(0, 1, 6, 7)       # seq, at_us, body, form


class Journal:
    """The one connection that writes; used by one thread at a time.

    `name` is the JOURNAL of the ids; `next_seq` is what the next record must carry; `renewed` is what befell the file
    and has not been told: it is kept until the first `append` of rows, which should tell it.
    """

    def __init__(self, path: Path, db: sqlite3.Connection, lock_fd: int, reserve: Reserve, clock: Clock, files: Files,
                 forms: Forms | None = None):
        """`forms`: those of the file before; of these the new one has none."""
        self._path, self._db, self._lock_fd, self._reserve = path, db, lock_fd, reserve
        self._clock, self._files = clock, files
        self._failed = ""
        try:
            self._log, self._grown_bytes = Log(db, path), 0
        except BaseException as error:
            db.close()
            if isinstance(error, sqlite3.Error):
                raise translated_outside_append(error, path) from error
            if isinstance(error, OSError):
                raise StoppedByIO(f"the journal {path} can't be opened: {error.strerror}") from error
            raise
        self._begun: list[Row] = []
        self._forms_there, self._forms_begun = set[int](), set[int]()      # the numbers of those that this file has
        self.forms = Forms(last_form(db)) if forms is None else forms
        self.name = meta(db, "name")
        self.next_seq = last_seq(db) + 1
        told = db.execute("SELECT value FROM meta WHERE key = ?", (RENEWED,)).fetchone()
        self.renewed: list[Renewed] = renewed_of(told[0]) if told else []

    @classmethod
    def open(cls, folder: Path, keep_after: int = 0, seen: int = 0, reserve_bytes: int = 0,
             clock: Clock = SystemClock(), files: Files = Files(),
             moved: Callable[[], None] = lambda: None) -> "Journal":
        """Open the journal in this folder, made at its first use; a damaged one is set aside and a new file begun.

        For that case: `keep_after` is the seq through which every output has taken all, rows above are carried over;
        `seen` is the highest seq that is known to have been used; `moved` is called again and again while that goes on,
        which may take minutes.  `reserve_bytes`: room for when the disk is full.
        Raises StoppedByIO: network or removable file system, in use, newer, another program's, or no new file either.
        """
        refuse_unfit(folder)
        path = folder / FILE_NAME
        lock_fd, was_unclean = prepare(folder, path, files)
        reserve = Reserve(folder / "journal.reserve", reserve_bytes)
        try:
            try:
                db = _with_room(reserve, lambda: open_file(path, was_unclean, files, clock))
            except JournalFailed as damage:
                cause = str(damage)
                _with_room(reserve, lambda: renew(path, cause, keep_after, seen, False, files, clock, moved))
                db = _with_room(reserve, lambda: open_file(path, False, files, clock))
            reserve.fill()
            return cls(path, db, lock_fd, reserve, clock, files)
        except BaseException as error:
            os.close(lock_fd)
            if isinstance(error, JournalFull | JournalFailed):
                raise StoppedByIO(str(error)) from error
            raise

    def begin_anew(self, keep_after: int, moved: Callable[[], None] = lambda: None) -> "Journal":
        """After JournalFailed: a new file is in force; use the journal returned, this one is closed.

        Name and seq go on, what was remembered and every row above `keep_after` is carried over as far as it can be
        read; `renewed` says what could not.  `moved` as in `open`.  The batch that failed was not kept: append it, the
        same rows, first.
        Raises JournalFull: nothing has changed, call it again; JournalFailed: neither can a new file be trusted.
        """
        self._let_go()
        last = self.next_seq - 1
        _with_room(self._reserve, lambda: renew(self._path, self._failed, keep_after, last, True, self._files,
                                                self._clock, moved))
        db = _with_room(self._reserve, lambda: open_file(self._path, False, self._files, self._clock))
        anew = Journal(self._path, db, self._lock_fd, self._reserve, self._clock, self._files, self.forms)
        self._lock_fd = -1
        return anew

    @property
    def reserve(self) -> str:
        """`whole`, or `given up` while the disk has no room for it: then a person must make room."""
        return self._reserve.state

    def append(self, rows: list[Row], memory: dict[str, str | None] | None = None) -> None:
        """Keep these rows, in one transaction with one sync; returns only when they are durable.

        `memory`: what the writer wants to find again with these rows, by key (None: no longer).
        Raises JournalFull: nothing of it was kept, try again; JournalFailed: the file can't be trusted any more.
        """
        if not rows and not memory:
            return

        def both() -> None:
            self.begin(rows, memory or {})
            self.finish()

        _with_room(self._reserve, both)

    def begin(self, rows: list[Row], memory: dict[str, str | None]) -> None:
        """The first half of `append`: `finish` makes these rows durable, and nothing else may come in between.

        Raises as `append`; then nothing was begun.
        """
        if rows and (rows[0].seq != self.next_seq or rows[-1].seq != self.next_seq + len(rows) - 1):
            raise ValueError(f"rows {rows[0].seq} to {rows[-1].seq} do not follow {self.next_seq - 1}")
        with self._or_rolled_back():
            self._db.execute("BEGIN IMMEDIATE")
            self._insert(rows)
            self._remember(memory)
            if rows and self.renewed:
                self._db.execute("DELETE FROM meta WHERE key = ?", (RENEWED,))
        self._begun = rows

    def finish(self) -> None:
        """The second half of `append`.  Any thread may call it: it waits for the disk.  Raises as `append`."""
        rows, self._begun = self._begun, []
        with self._or_rolled_back():
            self._db.execute("COMMIT")
        if rows:
            self.renewed = []
        self.next_seq += len(rows)
        self._forms_there |= self._forms_begun
        if len(self._forms_there) > HELD:
            self._forms_there = set(filter(self.forms.holds, self._forms_there))
        self._grown_bytes += _EACH_COMMIT_BYTES
        if rows:                                             # then the log has really grown
            self._log_does(partial(self._log.grown, self._grown_bytes))
            self._grown_bytes = 0

    def _insert(self, rows: list[Row]) -> None:
        """Few rows are written whole: forms save nothing there, and cost pages of their own."""
        if len(rows) < _FEW_ROWS:
            rows = [self.forms.whole(row) for row in rows]
        self._forms_begun = {row.form for row in rows} - self._forms_there - {0}
        for table in FORM_TABLES:
            insert_many(self._db, table, self.forms.stored(sorted(self._forms_begun)))
        self._grown_bytes += (_EACH_ROW_BYTES * len(rows) + sum(map(len, map(_BODY, rows)))
                              + _EACH_FORM_BYTES * len(self._forms_begun))
        for is_filled, some in groupby(rows, lambda row: row.form > 0):
            if is_filled:
                insert_many(self._db, "record", list(map(_FILLED, some)), row="(?, ?, '', '', '', '', ?, ?)")
            else:
                insert_many(self._db, "record", list(some))

    def memory(self) -> dict[str, str]:
        """What `append` was given to remember, as of the last row."""
        try:
            found = self._db.execute("SELECT key, value FROM meta").fetchall()
        except sqlite3.Error as error:
            raise translated_outside_append(error, self._path) from error
        return {key.removeprefix(MEMORY): text for key, text in found if key.startswith(MEMORY)}

    def _remember(self, memory: dict[str, str | None]) -> None:
        kept = [(MEMORY + key, text) for key, text in memory.items() if text is not None]
        gone = [(MEMORY + key,) for key, text in memory.items() if text is None]
        insert_many(self._db, "meta", kept, "ON CONFLICT (key) DO UPDATE SET value = excluded.value")
        if gone:
            self._db.executemany("DELETE FROM meta WHERE key = ?", gone)

    def trim(self, through: int, before_us: int, most: int = 500,
             counted: Callable[[Counter[tuple[str, str]]], dict[str, str | None]] = lambda gone: {}) -> int:
        """Delete the first rows, at most `most`, up to seq `through` while they are older than `before_us`; how many.

        Of rows that were stamped before the clock was set, none goes from behind one that stays.

        What was deleted is remembered, so that no seq is used again even if every row goes; `counted` is given how many
        of each (port, kind) they are, and what it gives is remembered with that.  On a full disk nothing is deleted.
        Raises JournalFailed as `append`.
        """
        try:
            gone = self._deleted(through, before_us, most, counted)
        except JournalFull:
            return 0
        if len(gone) < most:
            self.tidy()
        return len(gone)

    def _deleted(self, through: int, before_us: int, most: int, counted: Callable) -> list[tuple]:
        with self._transaction():
            first = self._db.execute(FIRST, (through, most)).fetchall()
            gone = list(takewhile(lambda row: row[1] < before_us, first))
            if gone:
                self._db.executemany("DELETE FROM record WHERE seq = ?", [(seq,) for seq, *_ in gone])
                for table in FORM_TABLES:              # no row that stays is filled into one of these
                    self._db.execute(f"DELETE FROM {table} WHERE number <= ?", (max(row[4] for row in gone) - IN_USE,))
                self._db.execute("UPDATE meta SET value = max(CAST(value AS INTEGER), ?) WHERE key = 'trimmed'",
                                 (gone[-1][0],))
                self._remember(counted(Counter(row[2:4] for row in gone)))
        return gone

    def kinds(self) -> Counter[tuple[str, str]]:
        """How many rows of each (port, kind) are in the file: every row is walked."""
        try:
            found = self._db.execute(COUNTED, (0, self.next_seq)).fetchall()
        except sqlite3.Error as error:
            raise translated_outside_append(error, self._path) from error
        return Counter({(port, kind): times for port, kind, times in found})

    def tidy(self) -> None:
        """For when it is quiet; `trim` ends with it: the log goes into the file, the reserve is filled.

        What a reader holds at this moment stays in the log until the next time.  Never waits.
        """
        self._log_does(self._log.tidy)
        self._reserve.fill()

    def size_bytes(self) -> int:
        """Bytes that the journal holds: pages in use, and the write-ahead log beside it."""
        try:
            pages, = self._db.execute("PRAGMA page_count").fetchone()
            free, = self._db.execute("PRAGMA freelist_count").fetchone()
            page_bytes, = self._db.execute("PRAGMA page_size").fetchone()
        except sqlite3.Error as error:
            raise translated_outside_append(error, self._path) from error
        return (pages - free) * page_bytes + _size_bytes(f"{self._path}-wal")

    def close(self) -> None:
        """Close; what is in the write-ahead log goes into the file.  Everything was durable before."""
        self._log_does(self._log.close)
        if self._failed:
            self._let_go()
        try:
            self._db.close()
            if self._lock_fd >= 0 and not self._failed:
                os.ftruncate(self._lock_fd, 0)
        except sqlite3.Error as error:
            raise translated_outside_append(error, self._path) from error
        finally:
            self._log.forget()
            if self._lock_fd >= 0:
                os.close(self._lock_fd)
            self._lock_fd = -1

    def _let_go(self) -> None:
        """Close without a last checkpoint: SQLite makes none while another connection is there, here one that reads."""
        beside = None
        with suppress(sqlite3.Error):
            beside = connect_reading(self._path)
            beside.execute("SELECT 1 FROM meta LIMIT 1").fetchone()
        with suppress(sqlite3.Error, OSError):
            self._log.close()
        with suppress(sqlite3.Error):
            self._db.close()
        if beside is not None:
            beside.close()
        self._log.forget()

    def _log_does(self, step: Callable[[], None]) -> None:
        """No room: another time.  An error fails the next append; a copy that is under way is not stopped by that."""
        if self._failed:
            return
        try:
            step()
        except sqlite3.Error as error:
            told = translated(error, self._path)
            if not isinstance(told, JournalFull):
                self._failed = str(told)
            elif is_no_room(told):
                self._reserve.give_up()
        except OSError as error:
            self._failed = f"the journal {self._path} can't be trusted any more: {error.strerror}"

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        with self._or_rolled_back():
            self._db.execute("BEGIN IMMEDIATE")
            yield
            self._db.execute("COMMIT")

    @contextmanager
    def _or_rolled_back(self) -> Iterator[None]:
        if self._failed:
            raise JournalFailed(self._failed)
        try:
            yield
        except BaseException as error:
            self._roll_back()
            if not isinstance(error, sqlite3.Error):
                raise
            if isinstance(error, sqlite3.InterfaceError | sqlite3.ProgrammingError) or \
                    primary_code(error) in (sqlite3.SQLITE_CONSTRAINT, sqlite3.SQLITE_MISMATCH):
                raise                                        # rows that no journal could take: a bug, not the disk
            told = translated(error, self._path)
            if isinstance(told, JournalFailed):
                self._failed = str(told)
            raise told from error

    def _roll_back(self) -> None:
        if self._db.in_transaction:                          # a full disk has rolled back already
            with suppress(sqlite3.Error):
                self._db.execute("ROLLBACK")


def _with_room(reserve: Reserve, step: Callable[[], Any]) -> Any:
    """Do it; where the disk is full, once more in the room of the reserve."""
    try:
        return step()
    except JournalFull as full:
        if not is_no_room(full) or not reserve.give_up():
            raise
    return step()


def _size_bytes(path: str) -> int:
    with suppress(FileNotFoundError):
        return os.stat(path).st_size
    return 0
