"""A page of a hundred containers in raw SQL, and its rows as they go out; it must give what the API gives."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

PAGE = (
    "SELECT c.id, c.code, s.id, s.key, s.name, c.lot_id, o.id, o.name, c.volume_ul, c.capacity_ul, c.opened, "
    "c.opened_on, c.received_on, c.next_test_due, c.due_code, c.due_words, c.worst_sign, c.discarded_at, "
    "c.version FROM inventory_container c LEFT JOIN inventory_lot l ON l.id = c.lot_id "
    "LEFT JOIN inventory_solvent s ON s.id = l.solvent_id "
    "LEFT JOIN inventory_location o ON o.id = c.location_id "
    "WHERE c.lab_id = %s AND c.discarded_at IS NULL ORDER BY c.id LIMIT 101"
)


def millilitres(volume_ul: int) -> str:
    whole, rest = divmod(volume_ul, 1000)
    return f"{whole}.{rest:03d}".rstrip("0") if rest else str(whole)


def row_out(row: Sequence[Any]) -> dict[str, Any]:
    """The members of one container, in the order of the API."""
    return {
        "id": str(row[0]),
        "code": row[1],
        "solvent": {"id": str(row[2]), "key": row[3], "name": row[4]},
        "lot": str(row[5]),
        "location": None if row[6] is None else {"id": str(row[6]), "name": row[7]},
        "volume": {"value": millilitres(row[8]), "unit": "mL", "uncertainty": None},
        "capacity": {"value": millilitres(row[9]), "unit": "mL", "uncertainty": None},
        "opened": row[10],
        "opened_on": row[11],
        "received_on": row[12],
        "next_test_due_on": row[13],
        "due_code": row[14],
        "due_words": row[15],
        "worst_sign": row[16],
        "discarded_at": row[17],
        "version": row[18],
    }
