"""Many new rows at once, with their ids known beforehand so that rows can name each other.

Statements of many rows on SQLite, COPY on PostgreSQL: several times faster than model objects, and every
constraint and trigger holds as ever. Only inside a transaction.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from gc import disable, enable, isenabled
from typing import Any
from uuid import UUID

from django.db import connection, models

CHUNK = 4000
ROWS_IN_A_STATEMENT = 200


def take_ids(model: type[models.Model], count: int) -> list[int]:
    """Ids that no other row has or will get."""
    table = model._meta.db_table
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            # Safe because a writing transaction on SQLite is alone from its first statement (IMMEDIATE).
            assert connection.in_atomic_block
            cursor.execute("SELECT seq FROM sqlite_sequence WHERE name = %s", [table])
            row = cursor.fetchone()
            first = (row[0] if row else 0) + 1
            return list(range(first, first + count))
        cursor.execute(
            "SELECT nextval(pg_get_serial_sequence(%s, 'id')) FROM generate_series(1, %s)", [table, count]
        )
        return [row[0] for row in cursor.fetchall()]


def insert(model: type[models.Model], columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> None:
    """Insert rows of plain values in the order of `columns`; moments and entry ids go through `stored`."""
    table, names = model._meta.db_table, ", ".join(columns)
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            # Many rows in one statement: a guard on the table costs most of its time once in each.
            for some in _split(list(rows), len(columns)):
                marks = ", ".join([f"({', '.join(['%s'] * len(columns))})"] * len(some))
                sql = f"INSERT INTO {table} ({names}) VALUES {marks}"  # noqa: S608
                cursor.execute(sql, [value for row in some for value in row])
            return
        # psycopg's own errors as Django's, as with every other statement.
        with connection.wrap_database_errors, cursor.copy(f"COPY {table} ({names}) FROM STDIN") as copy:
            for row in rows:
                copy.write_row(row)


def _split(rows: list[Sequence[Any]], width: int) -> Iterator[list[Sequence[Any]]]:
    """Rows by as many as one SQLite statement has room for."""
    room = connection.connection.getlimit(sqlite3.SQLITE_LIMIT_VARIABLE_NUMBER) // width
    step = max(1, min(ROWS_IN_A_STATEMENT, room))
    for start in range(0, len(rows), step):
        yield rows[start : start + step]


def stored(value: datetime | UUID) -> Any:
    """A moment or an entry id as the database keeps it."""
    if isinstance(value, UUID):
        return value if connection.features.has_native_uuid_field else value.hex
    return connection.ops.adapt_datetimefield_value(value)


@contextmanager
def without_pauses() -> Any:
    """No cyclic garbage collection while many small objects are made that all live to the end."""
    was_on = isenabled()
    disable()
    try:
        yield
    finally:
        if was_on:
            enable()
