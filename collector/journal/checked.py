"""Whether a journal that is opened is whole, within a bounded time.

Knows: what is checked.  Always: the name, and the way to the newest record and form.  After an unclean end: of a file
up to 64 MiB the structure of every page; of a larger one every form, and every record, from the newest on, for
WITHIN_S, so that a start takes less than two seconds.
Must not know: what to do with a damaged one.

Not checked: what a page says where its structure is right; a digit that a disk has turned is not found here.
"""

import sqlite3
import time
from pathlib import Path

from collector.errors import JournalFailed
from collector.journal.forms import FORM_TABLES
from collector.journal.schema import last_form, last_seq, meta

WITHIN_S = 1.4
_WHOLE_BYTES = 64 * 1024 * 1024
_STEP = 500


def refuse_damaged(db: sqlite3.Connection, path: Path, was_unclean: bool) -> None:
    """Raises JournalFailed or sqlite3.Error where damage is found."""
    meta(db, "name")
    newest, _ = last_seq(db), last_form(db)
    if not was_unclean:
        return
    if path.stat().st_size <= _WHOLE_BYTES:
        found, = db.execute("PRAGMA quick_check(1)").fetchone()
        if found != "ok":
            raise JournalFailed(f"the journal {path} is damaged: {' '.join(found.split())}")
        return
    for table in FORM_TABLES:
        db.execute(f"SELECT sum(crc) FROM {table}").fetchone()           # the last column: each row is read to its end
    end = time.monotonic() + WITHIN_S
    while time.monotonic() < end:
        rows = db.execute("SELECT * FROM record WHERE seq <= ? ORDER BY seq DESC LIMIT ?", (newest, _STEP)).fetchall()
        if not rows:
            return
        newest = rows[-1][0] - 1
