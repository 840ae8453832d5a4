"""What stands against a storage limit, in SQL of both databases: what `rules.storage` says, for the sweep.

Of a limit `s`, a container `c` and the solvent `v` in it. What is not known counts as the worst: a category
that the scheme does not know is its most dangerous one, a material that is none of the table's falls under
every limit.
"""

from __future__ import annotations

from inventory.rules.storage import CATEGORIES, MATERIALS, NOT_FLAMMABLE


def _words(values: tuple[str, ...]) -> str:
    return "(" + ", ".join(f"'{value}'" for value in values) + ")"


def _category(scheme: str, column: str) -> str:
    known = CATEGORIES[scheme]
    return f"CASE WHEN {column} IN {_words((*known, NOT_FLAMMABLE))} THEN {column} ELSE '{known[0]}' END"


_CATEGORY = (
    f"CASE s.scheme WHEN 'ghs' THEN {_category('ghs', 'v.ghs_category')} "
    f"ELSE {_category('nfpa30', 'v.nfpa30_class')} END"
)
# % is doubled: the statement has parameters.
_COUNTS = (
    f"(s.categories = '' OR s.categories LIKE '%%,' || {_CATEGORY} || ',%%') "
    f"AND (s.materials = '' OR c.material NOT IN {_words(MATERIALS)} "
    "OR s.materials LIKE '%%,' || c.material || ',%%')"
)
# CROSS JOIN makes SQLite start from what lies in the location, not from all containers.
_STANDING = (
    "FROM inventory_locationpath AS p CROSS JOIN inventory_container AS c "
    "LEFT JOIN inventory_lot AS o ON o.id = c.lot_id LEFT JOIN inventory_solvent AS v ON v.id = o.solvent_id "
    "WHERE p.ancestor_id = s.location_id AND c.location_id = p.descendant_id AND c.discarded_at IS NULL"
)
STANDING_SQL = f"COALESCE((SELECT SUM(c.volume_ul) {_STANDING} AND {_COUNTS}), 0)"
LARGER_SQL = f"EXISTS (SELECT 1 {_STANDING} AND c.capacity_ul > s.limit_ul AND {_COUNTS})"
