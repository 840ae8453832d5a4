"""The list of containers, the hottest read of the house, in SQL that SQLite and PostgreSQL both read.

Written out because building this statement anew for each request costs more than running it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db import connection

from inventory.models import Lab
from inventory.rules.names import keys_like

# Output column → where it is from; the order is that of the rows.
COLUMNS = {
    "id": "c.id",
    "code": "c.code",
    "solvent_id": "l.solvent_id",
    "solvent_key": "s.key",
    "solvent_name": "s.name",
    "lot_id": "c.lot_id",
    "location_id": "c.location_id",
    "location_name": "o.name",
    "volume_ul": "c.volume_ul",
    "capacity_ul": "c.capacity_ul",
    "opened": "c.opened",
    "opened_on": "c.opened_on",
    "received_on": "c.received_on",
    "next_test_due": "c.next_test_due",
    "due_code": "c.due_code",
    "due_words": "c.due_words",
    "worst_sign": "c.worst_sign",
    "discarded_at": "c.discarded_at",
    "version": "c.version",
}
WITH_DANGER = (*COLUMNS, "quarantined_at", "danger")
_FROM = (
    " FROM inventory_container c LEFT JOIN inventory_lot l ON l.id = c.lot_id "
    "LEFT JOIN inventory_solvent s ON s.id = l.solvent_id "
    "LEFT JOIN inventory_location o ON o.id = c.location_id WHERE c.lab_id = %s"
)
_EQUAL = {
    "id": "c.id = %s",
    "location": "c.location_id = %s",
    "lot": "c.lot_id = %s",
    "opened": "c.opened = %s",
    "due_code": "c.due_code = %s",
    "next_test_due_on__lte": "c.next_test_due <= %s",
    "next_test_due_on__gte": "c.next_test_due >= %s",
    "due_before": "c.next_test_due < %s",
}
# Flag → condition when it is true, when it is false.
_FLAGS = {
    "empty": ("c.volume_ul = 0", "c.volume_ul > 0"),
    "signs": ("c.worst_sign <> ''", "c.worst_sign = ''"),
    "discarded": ("c.discarded_at IS NOT NULL", "c.discarded_at IS NULL"),
}
_SEARCHED = ("c.code", "s.name", "s.key", "o.name", "c.note")
WORDS_MAX = 8


@dataclass(frozen=True)
class Sort:
    """One column of an order; "danger" where the statement is given its expression."""

    column: str
    descending: bool = False
    nullable: bool = False


def in_danger(*, lab: Lab, danger: str, most: int) -> list[int]:
    """Ids of containers that are here, of a band up to `most`. danger: as for `containers_listed`."""
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT c.id{_FROM} AND c.discarded_at IS NULL AND ({danger}) <= %s", [lab.pk, most])
        return [pk for (pk,) in cursor.fetchall()]


def containers_listed(
    *,
    lab: Lab,
    given: Mapping[str, Any],
    order: Sequence[Sort] = (),
    place: Sequence[Any] | None = None,
    nulls_last: bool = True,
    limit: int = 100,
    danger: str = "",
) -> list[tuple[Any, ...]]:
    """Rows of the columns of `order`, then of `COLUMNS`; with `danger` given, of `WITH_DANGER`.

    given: filters by name (those above, solvent, inside, q); discarded ones are left out unless asked for.
    place: values of `order` after which the rows begin. danger: SQL as `shelf_danger.danger_sql` makes it.
    """
    columns = COLUMNS | {"quarantined_at": "c.quarantined_at", "danger": danger} if danger else COLUMNS
    conditions, values = _conditions(given)
    if place is not None:
        text, more = _beyond(columns, order, place, nulls_last)
        conditions.append(text)
        values += more
    shown = ", ".join([*(columns[key.column] for key in order), *columns.values()])
    sql = " AND ".join([f"SELECT {shown}{_FROM}", *conditions])
    if order:
        sql += " ORDER BY " + ", ".join(_order(columns, key, nulls_last) for key in order)
    with connection.cursor() as cursor:
        cursor.execute(f"{sql} LIMIT {int(limit)}", [lab.pk, *map(_adapted, values)])
        return list(cursor.fetchall())


def containers_now(ids: Sequence[int]) -> list[tuple[Any, ...]]:
    """Rows of id, code, volume_ul, lot_id, next_test_due, due_code, worst_sign and version, by id."""
    marks = ", ".join(["%s"] * len(ids)) or "NULL"
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT id, code, volume_ul, lot_id, next_test_due, due_code, worst_sign, version "  # noqa: S608
            f"FROM inventory_container WHERE id IN ({marks}) ORDER BY id",
            list(ids),
        )
        return list(cursor.fetchall())


def not_drawable(ids: Sequence[int], today: date) -> list[int]:
    """Of these, containers that held something and are not sure to be fit to draw from today, by id."""
    marks = ", ".join(["%s"] * len(ids)) or "NULL"
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT id FROM inventory_container WHERE id IN ({marks}) AND lot_id IS NOT NULL "  # noqa: S608
            "AND discarded_at IS NULL AND (drawable_until IS NULL OR drawable_until < %s) ORDER BY id",
            [*ids, _adapted(today)],
        )
        return [row[0] for row in cursor.fetchall()]


def _adapted(value: Any) -> Any:
    return connection.ops.adapt_datefield_value(value) if isinstance(value, date) else value


def _conditions(given: Mapping[str, Any]) -> tuple[list[str], list[Any]]:
    flags = {"discarded": False, **given} if "id" not in given else given
    texts = [_FLAGS[name][not flags[name]] for name in _FLAGS if name in flags]
    values = []
    for name, text in _EQUAL.items():
        if name in given:
            texts.append(text)
            values.append(given[name])
    if "solvent" in given:
        ref = given["solvent"]
        by_id = ref.isascii() and ref.isdigit() and len(ref) < 19
        texts.append("l.solvent_id = %s" if by_id else "s.key = %s")
        values.append(int(ref) if by_id else ref)
    if "inside" in given:
        marks = ", ".join(["%s"] * len(given["inside"])) or "NULL"
        texts.append(f"c.location_id IN ({marks})")
        values += given["inside"]
    for word in given.get("q", "").lower().split()[:WORDS_MAX]:
        like = "%" + word.replace("!", "!!").replace("%", "!%").replace("_", "!_") + "%"
        meant = keys_like(word)
        ways = [*(f"LOWER({name}) LIKE %s ESCAPE '!'" for name in _SEARCHED), *(["s.key = %s"] * len(meant))]
        texts.append("(" + " OR ".join(ways) + ")")
        values += [*([like] * len(_SEARCHED)), *meant]
    return texts, values


def _order(columns: Mapping[str, str], key: Sort, nulls_last: bool) -> str:
    text = columns[key.column] + (" DESC" if key.descending else "")
    if not key.nullable:
        return text
    return f"{text} NULLS {'LAST' if nulls_last else 'FIRST'}"


def _beyond(
    columns: Mapping[str, str], order: Sequence[Sort], place: Sequence[Any], nulls_last: bool
) -> tuple[str, list[Any]]:
    """Rows that come after `place`: further in the first key, or equal there and further in the next."""
    options: list[str] = []
    equal: list[str] = []
    values: list[Any] = []
    held: list[Any] = []
    for key, value in zip(order, place, strict=True):
        column = columns[key.column]
        further = _further(column, key, value, nulls_last)
        if further:
            options.append(" AND ".join([*equal, further]))
            values += [*held, *([] if value is None else [value])]
        equal.append(f"{column} IS NULL" if value is None else f"{column} = %s")
        held += [] if value is None else [value]
    return "(" + " OR ".join(f"({option})" for option in options) + ")", values


def _further(column: str, key: Sort, value: Any, nulls_last: bool) -> str:
    if value is None:
        return "" if nulls_last else f"{column} IS NOT NULL"
    text = f"{column} {'<' if key.descending else '>'} %s"
    return f"({text} OR {column} IS NULL)" if key.nullable and nulls_last else text
