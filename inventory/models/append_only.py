"""Database triggers that refuse to change or delete what has been recorded.

They are (re)installed after every migrate, because SQLite rebuilds a table to alter it and drops its
triggers without a word; `missing` lets a system check and the audit say so if they are ever gone.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

# Table → its unique columns beside the id: SQLite's INSERT OR REPLACE deletes a clashing row without
# firing a DELETE trigger, so clashing inserts are refused too.
TABLES: dict[str, list[list[str]]] = {
    "inventory_movement": [["id"], ["reversal_of_id"]],
    "inventory_lotparent": [["id"], ["lot_id", "parent_id"]],
    "inventory_peroxidetest": [["id"], ["withdraws_id"]],
    "inventory_observation": [["id"], ["withdraws_id"]],
    "inventory_treatment": [["id"], ["withdraws_id"]],
    "inventory_event": [["id"]],
    "inventory_importedrow": [["id"], ["lab_id", "kind", "fingerprint", "turn"]],
}
_FUNCTION = "stillkeep_refuse_change"


def _sqlite_statements(table: str, keys: list[list[str]]) -> list[str]:
    # One look-up per key: with the planner's statistics present, a single OR over them reads the whole table.
    clashes = [" AND ".join(f'"{c}" = NEW."{c}"' for c in key) for key in keys]
    found = " OR ".join(f'EXISTS (SELECT 1 FROM "{table}" WHERE {clash})' for clash in clashes)  # noqa: S608
    guards = {"update": "", "delete": "", "insert": f"WHEN {found}"}
    statements = []
    for verb, condition in guards.items():
        name = f"{table}_keep_{verb}"
        statements.append(f'DROP TRIGGER IF EXISTS "{name}"')
        statements.append(
            f'CREATE TRIGGER "{name}" BEFORE {verb.upper()} ON "{table}" {condition} '
            f"BEGIN SELECT RAISE(ABORT, '{table} is append-only'); END"
        )
    return statements


def _postgresql_statements(table: str) -> list[str]:
    return [
        f"CREATE OR REPLACE FUNCTION {_FUNCTION}() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
        "RAISE EXCEPTION '% is append-only', TG_TABLE_NAME USING ERRCODE = 'restrict_violation'; END $$",
        f'DROP TRIGGER IF EXISTS "{table}_keep" ON "{table}"',
        f'CREATE TRIGGER "{table}_keep" BEFORE UPDATE OR DELETE OR TRUNCATE ON "{table}" '
        f"FOR EACH STATEMENT EXECUTE FUNCTION {_FUNCTION}()",
    ]


def install(connection: Any) -> None:
    """Create the triggers on every append-only table that exists; safe to repeat."""
    present = set(connection.introspection.table_names())
    with connection.cursor() as cursor:
        for table, keys in TABLES.items():
            if table not in present:
                continue
            sqlite = connection.vendor == "sqlite"
            for sql in _sqlite_statements(table, keys) if sqlite else _postgresql_statements(table):
                cursor.execute(sql)


def remove(connection: Any) -> None:
    """Drop the triggers. Only for emptying a test database or removing a demo."""
    present = set(connection.introspection.table_names())
    with connection.cursor() as cursor:
        for table in TABLES:
            if table not in present:
                continue
            if connection.vendor == "sqlite":
                for verb in ("update", "delete", "insert"):
                    cursor.execute(f'DROP TRIGGER IF EXISTS "{table}_keep_{verb}"')
            else:
                cursor.execute(f'DROP TRIGGER IF EXISTS "{table}_keep" ON "{table}"')


@contextmanager
def suspended(connection: Any) -> Iterator[None]:
    """Without the triggers inside the block; they are back afterwards, whatever happens."""
    remove(connection)
    try:
        yield
    finally:
        install(connection)


def missing(connection: Any) -> list[str]:
    """Names of expected triggers that the database does not have."""
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            cursor.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")
            wanted = [f"{t}_keep_{verb}" for t in TABLES for verb in ("update", "delete", "insert")]
        else:
            cursor.execute("SELECT tgname FROM pg_trigger WHERE NOT tgisinternal AND tgenabled <> 'D'")
            wanted = [f"{t}_keep" for t in TABLES]
        present = {row[0] for row in cursor.fetchall()}
    return [name for name in wanted if name not in present]
