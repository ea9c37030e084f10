"""Rows into a table, many with one statement.

Row by row the interpreter's lock is let go and asked for again at each: that costs more than the row does.

Knows: how such a statement is written.
Must not know: tables, transactions.
"""

import sqlite3
from collections.abc import Sequence
from functools import cache
from itertools import chain

_AT_ONCE = 128, 64, 32, 16, 8, 4, 3, 2, 1              # few statements, so that each stays prepared; up to 999 values


def insert_many(db: sqlite3.Connection, table: str, rows: Sequence[Sequence], at_conflict: str = "") -> None:
    """Insert these rows, all of one width, in their order."""
    at = 0
    for many in _AT_ONCE:
        while len(rows) - at >= many:
            db.execute(_statement(table, len(rows[at]), many, at_conflict),
                       list(chain.from_iterable(rows[at:at + many])))
            at += many


@cache
def _statement(table: str, width: int, many: int, at_conflict: str) -> str:
    row = f"({', '.join('?' * width)})"
    return f"INSERT INTO {table} VALUES {', '.join([row] * many)} {at_conflict}"
