"""A short life of a journal, in a process of its own that a fault is put into: FOLDER [HOW].

Few rows by turns with many, which are filled into forms.  Prints a line for each thing that is promised: `kept FIRST
LAST` for rows that append returned for, `name NAME`.  On JournalFailed it begins a new file and goes on; on JournalFull it tries again, as the worker does.
HOW is `short-log`, for a log that is copied aside and begun anew within these few rows, or, for negative controls, a pragma that
makes it careless.
"""

import os
import sys
from pathlib import Path

from collector.errors import JournalFailed, JournalFull
from collector.journal import Form, Journal, Row, filling, log

SHORT_LOG = "short-log"
ROUNDS, FEW, MANY = 8, 3, 40
PIECES = b'{"seq":', b',"again":', b',"time":"', b'","serial":"', b'","raw":"', b'"}'


def say(*words: object) -> None:
    os.write(1, " ".join(map(str, words)).encode() + b"\n")


def main(folder: Path, how: str = "") -> None:
    journal = Journal.open(folder)
    if how == SHORT_LOG:
        log.COPIED_BYTES, log.LONG_BYTES = 12_000, 60_000
    elif how:
        journal._db.execute(f"PRAGMA {how}").fetchall()
    say("name", journal.name)
    for number in range(ROUNDS):
        journal = keep(journal, number)
        if number == ROUNDS // 2:
            journal = trimmed(journal)
    journal.close()
    say("closed")


def keep(journal: Journal, number: int) -> Journal:
    rows = few(journal.next_seq) if number % 2 else many(journal)
    for _ in range(3):
        try:
            journal.append(rows, {"round": str(number)})
            say("kept", rows[0].seq, rows[-1].seq)
            return journal
        except JournalFull:
            say("full")
        except JournalFailed as failed:
            say("failed", failed)
            journal = journal.begin_anew(2)
    raise SystemExit("it never went on")


def few(first: int) -> list[Row]:
    return [Row(seq, seq, "measurement", "bore-column", "housing", "", b'{"seq":%d,"raw":"%s"}' % (seq, b"." * 900))
            for seq in range(first, first + FEW)]


def many(journal: Journal) -> list[Row]:
    """By turns of a form that is new, and of the one before it."""
    forms = journal.forms
    newest = forms.add(Form("measurement", "bore-column", "housing", "L7", (*PIECES[:4], b'","form":"%d%s","raw":"' % (forms.last + 1, b"." * 900), PIECES[5])))
    used = [newest, max(1, newest - 1)]
    first = journal.next_seq
    return [Row(seq, seq, "measurement", "bore-column", "", "", filling(b"S%d" % seq, b"%d" % used[seq % 2]), used[seq % 2])
            for seq in range(first, first + MANY)]


def trimmed(journal: Journal) -> Journal:
    try:
        journal.trim(2, 10**15)
        return journal
    except JournalFailed as failed:
        say("failed", failed)
        return journal.begin_anew(2)


if __name__ == "__main__":
    main(Path(sys.argv[1]), *sys.argv[2:])
