"""Rows into a table, many with one statement.

Row by row the interpreter's lock is let go and asked for again at each: that costs more than the row does.

Knows: how such a statement is written.
Must not know: tables, transactions.
"""

import sqlite3
from collections.abc import Sequence
from functools import cache
from itertools import chain

_AT_ONCE = 128, 64, 32, 16, 8, 4, 3, 2, 1              # few statements, so that each stays prepared; up to 1,024 values


def insert_many(db: sqlite3.Connection, table: str, rows: Sequence[Sequence], at_conflict: str = "",
                row: str = "") -> None:
    """Insert these rows, all of one width, in their order; `row`: as SQL writes one, where it has fixed values too."""
    at = 0
    for many in _AT_ONCE:
        while len(rows) - at >= many:
            db.execute(_statement(table, row or _row(len(rows[at])), many, at_conflict),
                       list(chain.from_iterable(rows[at:at + many])))
            at += many


@cache
def _row(width: int) -> str:
    return f"({', '.join('?' * width)})"


@cache
def _statement(table: str, row: str, many: int, at_conflict: str) -> str:
    return f"INSERT INTO {table} VALUES {', '.join([row] * many)} {at_conflict}"
