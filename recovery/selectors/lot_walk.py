"""Lots and their parents, read outwards from one lot: as many rows as the answer, whatever else is recorded.

One recursive statement on SQLite and PostgreSQL, over the indexes of `LotParent` by lot and by parent. UNION
keeps every lot once, so that even a circle would come to an end.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from django.db import connection

from inventory.models import Lot, Movement
from inventory.rules.errors import Conflict
from recovery.rules.lineage import Edge, Lineage

EDGES_MAX = 50_000
CHUNK = 500
MADE_FROM = ("blending", "run")

# CROSS JOIN keeps SQLite from going through all parents and looking each up in the walk.
_BACK = (
    "WITH RECURSIVE walk(lot_id) AS ("
    " SELECT l.id FROM inventory_lot l WHERE l.id IN ({starts})"
    " UNION SELECT p.parent_id FROM walk w JOIN inventory_lotparent p ON p.lot_id = w.lot_id{only}) "
    "SELECT p.lot_id, p.parent_id, p.volume_ul, 0 FROM walk w "
    "CROSS JOIN inventory_lotparent p{only} WHERE p.lot_id = w.lot_id LIMIT {most}"
)
_FORTH = (
    "WITH RECURSIVE walk(lot_id) AS ("
    " SELECT l.id FROM inventory_lot l WHERE l.id IN ({starts})"
    " UNION SELECT p.lot_id FROM walk w JOIN inventory_lotparent p ON p.parent_id = w.lot_id) "
    "SELECT p.lot_id, p.parent_id, p.volume_ul, "
    " (SELECT SUM(q.volume_ul) FROM inventory_lotparent q WHERE q.lot_id = p.lot_id) "
    "FROM walk w CROSS JOIN inventory_lotparent p WHERE p.parent_id = w.lot_id LIMIT {most}"
)
_ONLY_BLENDS = " JOIN inventory_lot b ON b.id = p.lot_id AND b.origin = 'blend'"
# With a number of generations a lot may be met once in each.
_SOME_BACK = (
    "WITH RECURSIVE walk(lot_id, step) AS ("
    " SELECT l.id, 0 FROM inventory_lot l WHERE l.id IN ({starts})"
    " UNION SELECT p.parent_id, w.step + 1 FROM walk w JOIN inventory_lotparent p ON p.lot_id = w.lot_id"
    " WHERE w.step < {steps}) "
    "SELECT DISTINCT p.lot_id, p.parent_id, p.volume_ul, 0 FROM walk w "
    "CROSS JOIN inventory_lotparent p WHERE p.lot_id = w.lot_id AND w.step < {steps} LIMIT {most}"
)
_SOME_FORTH = (
    "WITH RECURSIVE walk(lot_id, step) AS ("
    " SELECT l.id, 0 FROM inventory_lot l WHERE l.id IN ({starts})"
    " UNION SELECT p.lot_id, w.step + 1 FROM walk w JOIN inventory_lotparent p ON p.parent_id = w.lot_id"
    " WHERE w.step < {steps}) "
    "SELECT DISTINCT p.lot_id, p.parent_id, p.volume_ul, "
    " (SELECT SUM(q.volume_ul) FROM inventory_lotparent q WHERE q.lot_id = p.lot_id) "
    "FROM walk w CROSS JOIN inventory_lotparent p WHERE p.parent_id = w.lot_id AND w.step < {steps} "
    "LIMIT {most}"
)


def behind(lot_ids: Sequence[int], *, generations: int | None = None, blends_only: bool = False) -> Lineage:
    """All that went into these lots, or as many generations of it; blends_only: distilling ends the line.

    Raises Conflict when that is more than EDGES_MAX.
    """
    only = _ONLY_BLENDS if blends_only else ""
    return _walked(_BACK if generations is None else _SOME_BACK, lot_ids, generations, only)


def ahead(lot_ids: Sequence[int], *, generations: int | None = None) -> Lineage:
    """All that was made of these lots, or as many generations of it. Raises Conflict as `behind`."""
    return _walked(_FORTH if generations is None else _SOME_FORTH, lot_ids, generations, "")


def _walked(sql: str, lot_ids: Sequence[int], generations: int | None, only: str) -> Lineage:
    marks = ", ".join(["%s"] * len(lot_ids))
    text = sql.format(starts=marks, only=only, steps=generations, most=EDGES_MAX + 1)
    with connection.cursor() as cursor:
        cursor.execute(text, list(lot_ids))
        rows = cursor.fetchall()
    if len(rows) > EDGES_MAX:
        raise Conflict(
            "lot",
            "too-many-lots",
            f"More than {EDGES_MAX} pourings and distillations hang together with this lot.",
            "Ask for fewer generations.",
        )
    gone = undone({row[0] for row in rows})
    # SUM over bigint is a decimal on PostgreSQL.
    return Lineage(
        tuple(Edge(lot, parent, ul, int(whole)) for lot, parent, ul, whole in rows if lot not in gone)
    )


def undone(lot_ids: set[int]) -> set[int]:
    """Which of these lots were made by an entry that was booked back: nothing ever came of them."""
    found: set[int] = set()
    for chunk in chunks(sorted(lot_ids)):
        made = Movement.objects.filter(lot_id__in=chunk, source__kind__in=MADE_FROM)
        rows = made.values_list("lot_id", "reversal_of_id", "reversed_by__id").distinct()
        # Sorted out here: SQLite would rather go through all reversals of the ledger.
        found.update(lot for lot, reverses, reversed_by in rows if reverses is None and reversed_by)
    return found


def chunks(ids: Sequence[int]) -> Iterator[Sequence[int]]:
    """As many ids as one statement takes."""
    for start in range(0, len(ids), CHUNK):
        yield ids[start : start + CHUNK]


def origins_of(lot_ids: Sequence[int]) -> dict[int, str]:
    found: dict[int, str] = {}
    for chunk in chunks(lot_ids):
        found.update(Lot.objects.filter(pk__in=chunk).values_list("pk", "origin"))
    return found
