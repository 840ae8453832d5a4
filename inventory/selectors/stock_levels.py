"""How much of a solvent a lab has, how much of it is fit to use, and how much it wants to have.

Fit to use: on the shelf, not in quarantine, within the last day it may be kept and the maker's expiry,
without a bad reading and without a sign. A test that is due makes nothing unfit: it is done before use.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from django.db import connection

_BAD = "('reading-at-or-above-level', 'reading-not-decisive')"
# Of a container `c`; {today}: the lab's day, as SQL.
_FIT = (
    "c.quarantined_at IS NULL AND c.worst_sign = '' AND c.due_code NOT IN " + _BAD + " "
    "AND (c.dispose_on IS NULL OR c.dispose_on >= {today}) "
    "AND (c.expires_on IS NULL OR c.expires_on >= {today})"
)
_HELD = (
    "FROM inventory_lot AS o CROSS JOIN inventory_container AS c "
    "WHERE o.lab_id = {level}.lab_id AND o.solvent_id = {level}.solvent_id AND c.lot_id = o.id "
    "AND c.discarded_at IS NULL AND c.volume_ul > 0"
)


def fit_sql(today: str, level: str = "s") -> str:
    """What is fit to use of the solvent of a stock level, in µl, as a scalar in SQL of both databases."""
    held = _HELD.format(level=level)
    return f"COALESCE((SELECT SUM(c.volume_ul) {held} AND {_FIT.format(today=today)}), 0)"


@dataclass(frozen=True, slots=True)
class OnHand:
    """µl on the shelf, and of those fit to use."""

    on_hand_ul: int
    fit_ul: int


def on_hand(*, level_ids: Sequence[int], today: date) -> dict[int, OnHand]:
    """What there is of the solvent of each stock level, in one statement. today: the lab's own day."""
    if not level_ids:
        return {}
    marks = ", ".join(str(int(pk)) for pk in level_ids)
    all_of = f"COALESCE((SELECT SUM(c.volume_ul) {_HELD.format(level='s')}), 0)"
    day = connection.ops.adapt_datefield_value(today)
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT s.id, {all_of}, {fit_sql('%(today)s')} "  # noqa: S608
            f"FROM inventory_stocklevel AS s WHERE s.id IN ({marks})",
            {"today": day},
        )
        return {pk: OnHand(int(held), int(fit)) for pk, held, fit in cursor.fetchall()}
