"""Many new rows at once, with their ids known beforehand so that rows can name each other.

executemany on SQLite, COPY on PostgreSQL: several times faster than model objects, and every constraint and
trigger holds as ever. Only inside a transaction.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from contextlib import contextmanager
from datetime import datetime
from gc import disable, enable, isenabled
from typing import Any
from uuid import UUID

from django.db import connection, models

CHUNK = 4000


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
            marks = ", ".join(["%s"] * len(columns))
            cursor.executemany(f"INSERT INTO {table} ({names}) VALUES ({marks})", list(rows))  # noqa: S608
            return
        # psycopg's own errors as Django's, as with every other statement.
        with connection.wrap_database_errors, cursor.copy(f"COPY {table} ({names}) FROM STDIN") as copy:
            for row in rows:
                copy.write_row(row)


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
