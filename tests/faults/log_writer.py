"""Appends to a journal whose log is copied aside and begun anew all the time, until it is killed: FOLDER.

Prints the seq that is durable, after each append.
"""

import os
import sys
from pathlib import Path

from collector.journal import Journal, Row, log

COPIED_BYTES, LONG_BYTES = 50_000, 200_000


def main(folder: Path) -> None:
    log.COPIED_BYTES, log.LONG_BYTES = COPIED_BYTES, LONG_BYTES
    journal, number = Journal.open(folder), 0
    while True:
        first, number = journal.next_seq, number + 1
        rows = [Row(seq, seq, "measurement", "bore-column", "housing", "", b'{"seq":%d,"raw":"%s"}' % (seq, b"." * 200))
                for seq in range(first, first + 1 + number % 60)]
        journal.append(rows, {"round": str(rows[-1].seq)})
        os.write(1, b"%d\n" % rows[-1].seq)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
