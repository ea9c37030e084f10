"""Make an older collector's journal over to the schema of today, before it is written to.

Knows: the steps, by the schema that each begins with; that a synced copy comes first, and that all steps are one
transaction: a kill at any moment leaves the old journal or the new one, and the next start begins again.
Must not know: what a record says.

The copy is a backup: an older collector takes it back by `collector restore`.
"""

import sqlite3
from collections.abc import Callable, Mapping
from pathlib import Path

import structlog

from collector.clock import Clock
from collector.errors import JournalFailed, JournalFull, StoppedByIO
from collector.files import Files
from collector.journal.backup import write_backup
from collector.journal.schema import make_form_tables, set_writing
from collector.journal.sqlite_faults import SCHEMA, check_identity, copy_before

log = structlog.get_logger()

Step = Callable[[sqlite3.Connection], None]



def _with_forms(db: sqlite3.Connection) -> None:
    db.execute("ALTER TABLE record ADD COLUMN form INTEGER NOT NULL DEFAULT 0")
    make_form_tables(db)


STEPS: dict[int, Step] = {1: _with_forms}
"""The schema that a journal has -> what makes it the next one, within the transaction that is open."""


def migrate(db: sqlite3.Connection, path: Path, files: Files, clock: Clock, steps: Mapping[int, Step] = STEPS) -> None:
    """Make the journal `path`, to which `db` alone is connected for writing, one of SCHEMA; nothing to do is fine.

    Raises StoppedByIO: there is no way from its schema, or no room; nothing has changed then.  And sqlite3.Error.
    """
    version, = db.execute("PRAGMA user_version").fetchone()
    if not check_identity(db, path, oldest=0) or version == SCHEMA:
        return
    way = range(version, SCHEMA)
    if any(one not in steps for one in way):
        raise StoppedByIO(f"the journal {path} was made by another collector (its schema is {version}), and there is "
                          "no way from that to this one's; run the one that made it")
    copy = copy_before(path, version)
    try:
        write_backup(path.parent, copy, files, clock, replaces=True)
        set_writing(db)
        db.execute("BEGIN IMMEDIATE")
        for one in way:
            steps[one](db)
        db.execute(f"PRAGMA user_version={SCHEMA}")
        db.execute("COMMIT")
        log.warning("journal-made-over", journal=str(path), schema=version, to=SCHEMA, copy=str(copy))
    except (JournalFull, JournalFailed) as error:
        raise StoppedByIO(f"the journal {path} (its schema is {version}) can't be made over to that of this collector, "
                          f"{SCHEMA}: {error}; nothing has changed, the older collector can go on with it") from error
