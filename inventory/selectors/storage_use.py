"""Whether a storage limit is exceeded, in SQL of both databases, for the sweep. `s` is the limit's row.

What counts is what counts in `selectors.storage`. A container whose material is none of the table's words
falls under the limits for every material here, which tells of one too many rather than of one too few.
"""

from __future__ import annotations

from inventory.rules.storage import MATERIALS
from inventory.selectors.storage import COUNTS_SQL, OUTSIDE_SQL, USE_SQL

_KNOWN = "(" + ", ".join(f"'{material}'" for material in MATERIALS) + ")"
_MATERIAL = (
    f"(l.materials = '' OR c.material NOT IN {_KNOWN} "
    "OR REPLACE(l.materials, ',' || c.material || ',', '') <> l.materials)"
)
# For each limit on the size of one container, those that are larger than it allows.
_LARGER = (
    "SELECT l.id AS limit_id FROM inventory_storagelimit l "  # noqa: S608
    "JOIN inventory_locationpath p ON p.ancestor_id = l.location_id "
    "JOIN inventory_container c ON c.location_id = p.descendant_id "
    "JOIN inventory_lot t ON t.id = c.lot_id JOIN inventory_solvent s ON s.id = t.solvent_id "
    "WHERE l.ended_at IS NULL AND l.measure = 'container' AND c.discarded_at IS NULL AND c.volume_ul > 0 "
    f"AND c.capacity_ul > l.limit_ul AND {COUNTS_SQL} AND {OUTSIDE_SQL} AND {_MATERIAL}"
)
_STANDING = f"SELECT SUM(u.volume_ul) FROM ({USE_SQL}) AS u WHERE u.limit_id = s.id"  # noqa: S608
OVER_SQL = (
    f"CASE s.measure WHEN 'container' THEN EXISTS (SELECT 1 FROM ({_LARGER}) AS u WHERE u.limit_id = s.id) "  # noqa: S608
    f"ELSE COALESCE(({_STANDING}), 0) > s.limit_ul END"
)
