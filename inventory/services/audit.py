"""Works everything out again from the movements and reports each difference. Repairs nothing.

Every comparison of stored and recomputed figures is one statement, so that postings made meanwhile cannot
show as differences. A part of the house that keeps figures of its own adds its statements by `register`.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass
from datetime import date
from typing import Any

from django.db import connection, transaction

from inventory.models import Container, Lab, append_only
from inventory.rules.stored import Stored
from inventory.services.facts import containers_with, gathered
from inventory.services.forecasting import forecasts_of
from inventory.services.readings import lock_containers
from inventory.services.refreshing import COLUMNS, worked_out

DUE_DATES_SAMPLED = 1000
BATCH = 500


@dataclass(frozen=True)
class Finding:
    """One difference: in which check, on which record, what was worked out and what is stored."""

    check: str
    table: str
    id: str
    expected: str
    found: str

    def __str__(self) -> str:
        return f"{self.check}: {self.table} {self.id}: expected {self.expected}, found {self.found}"


@dataclass(frozen=True)
class AuditReport:
    """What was compared and what differs. `compared`: rows of each table that were looked at."""

    lab: str | None
    findings: tuple[Finding, ...]
    compared: dict[str, int]
    due_dates: int

    @property
    def clean(self) -> bool:
        return not self.findings

    def as_json(self) -> dict[str, Any]:
        """Plain values for json.dumps."""
        return {"clean": self.clean, **asdict(self)}


@dataclass(frozen=True)
class Comparison:
    """A statement that gives one row (id, expected, found) per difference.

    `{of.m}` in the SQL stands for the lab on the table called m: "m.lab_id = 5", or what always holds;
    `{held}` for a table of what each place holds of each lot by the movements (place_id, lot_id, volume_ul).
    """

    check: str
    table: str
    sql: str


class _Of:
    """Lets SQL say `{of.m}` for the lab condition on the table called m."""

    def __init__(self, lab: Lab | None) -> None:
        self._lab_id = None if lab is None else int(lab.pk)

    def __getattr__(self, alias: str) -> str:
        return "1 = 1" if self._lab_id is None else f"{alias}.lab_id = {self._lab_id}"


# What each place holds of each lot by the movements.
_HELD = """
    SELECT place_id, lot_id, SUM(volume_ul) AS volume_ul FROM (
        SELECT m.destination_id AS place_id, m.lot_id, m.volume_ul FROM inventory_movement m WHERE {of.m}
        UNION ALL
        SELECT m.source_id, m.lot_id, -m.volume_ul FROM inventory_movement m WHERE {of.m}
    ) AS moved GROUP BY place_id, lot_id
"""

COMPARISONS: list[Comparison] = [
    Comparison(
        "container-balance",
        "inventory_container",
        "SELECT c.id, COALESCE(SUM(h.volume_ul), 0), c.volume_ul FROM inventory_container c "
        "LEFT JOIN ({held}) h ON h.place_id = c.place_id WHERE {of.c} "
        "GROUP BY c.id, c.volume_ul HAVING COALESCE(SUM(h.volume_ul), 0) <> c.volume_ul",
    ),
    Comparison(
        # One lot at a time: of the lot on record all that is in it, of every other nothing.
        "container-lot",
        "inventory_container",
        "SELECT c.id, h.volume_ul, CASE WHEN h.lot_id = c.lot_id THEN c.volume_ul ELSE 0 END, h.lot_id "
        "FROM ({held}) h JOIN inventory_container c ON c.place_id = h.place_id "
        "WHERE h.volume_ul <> CASE WHEN h.lot_id = c.lot_id THEN c.volume_ul ELSE 0 END",
    ),
    Comparison(
        "container-bounds",
        "inventory_container",
        "SELECT c.id, c.capacity_ul, c.volume_ul FROM inventory_container c "
        "WHERE {of.c} AND (c.volume_ul < 0 OR c.volume_ul > c.capacity_ul)",
    ),
    Comparison(
        "waste-balance",
        "inventory_wastecontainer",
        "SELECT w.id, COALESCE(SUM(h.volume_ul), 0), w.volume_ul FROM inventory_wastecontainer w "
        "LEFT JOIN ({held}) h ON h.place_id = w.place_id WHERE {of.w} "
        "GROUP BY w.id, w.volume_ul HAVING COALESCE(SUM(h.volume_ul), 0) <> w.volume_ul",
    ),
    Comparison(
        # It holds many lots, of none less than nothing.
        "waste-lot",
        "inventory_wastecontainer",
        "SELECT w.id, 'nothing or more', h.volume_ul, h.lot_id FROM ({held}) h "
        "JOIN inventory_wastecontainer w ON w.place_id = h.place_id WHERE h.volume_ul < 0",
    ),
    Comparison(
        "waste-place",
        "inventory_place",
        "SELECT p.id, 'one waste container of the same lab', "
        "CASE WHEN w.id IS NULL THEN 'none' ELSE 'another' END FROM inventory_place p "
        "LEFT JOIN inventory_wastecontainer w ON w.place_id = p.id WHERE {of.p} "
        "AND ((p.kind = 'waste-container' AND (w.id IS NULL OR w.lab_id <> p.lab_id)) "
        "OR (p.kind <> 'waste-container' AND w.id IS NOT NULL))",
    ),
    Comparison(
        # The stored paths against those that the parents make, both ways.
        "location-path",
        "inventory_locationpath",
        "WITH RECURSIVE up(descendant_id, ancestor_id) AS ("
        "  SELECT l.id, l.id FROM inventory_location l WHERE {of.l} UNION "
        "  SELECT u.descendant_id, a.parent_id FROM up u JOIN inventory_location a ON a.id = u.ancestor_id "
        "  WHERE a.parent_id IS NOT NULL) "
        "SELECT descendant_id, SUM(walked), SUM(stored), ancestor_id FROM ("
        "  SELECT descendant_id, ancestor_id, 1 AS walked, 0 AS stored FROM up UNION ALL "
        "  SELECT p.descendant_id, p.ancestor_id, 0, 1 FROM inventory_locationpath p "
        "  JOIN inventory_location l ON l.id = p.descendant_id WHERE {of.l}"
        ") AS paths GROUP BY descendant_id, ancestor_id HAVING SUM(walked) <> SUM(stored)",
    ),
    Comparison(
        # Stored balances of the containers against the movements of every other place.
        "zero-sum",
        "inventory_solvent",
        "SELECT solvent_id, 0, SUM(volume_ul), lab_id FROM ("
        "  SELECT l.solvent_id, c.lab_id, c.volume_ul FROM inventory_container c "
        "  JOIN inventory_lot l ON l.id = c.lot_id WHERE {of.c} UNION ALL "
        "  SELECT m.solvent_id, m.lab_id, m.volume_ul FROM inventory_movement m "
        "  JOIN inventory_place p ON p.id = m.destination_id WHERE p.kind <> 'container' AND {of.m} "
        "  UNION ALL "
        "  SELECT m.solvent_id, m.lab_id, -m.volume_ul FROM inventory_movement m "
        "  JOIN inventory_place p ON p.id = m.source_id WHERE p.kind <> 'container' AND {of.m}"
        ") AS places GROUP BY solvent_id, lab_id HAVING SUM(volume_ul) <> 0",
    ),
    Comparison(
        # Zero for every entry, so zero for every solvent.
        "blending",
        "inventory_movement",
        "SELECT entry, 0, SUM(volume_ul), solvent_id FROM ("
        "  SELECT m.entry, m.solvent_id, m.volume_ul FROM inventory_movement m "
        "  JOIN inventory_place p ON p.id = m.destination_id WHERE p.kind = 'blending' AND {of.m} UNION ALL "
        "  SELECT m.entry, m.solvent_id, -m.volume_ul FROM inventory_movement m "
        "  JOIN inventory_place p ON p.id = m.source_id WHERE p.kind = 'blending' AND {of.m}"
        ") AS blended GROUP BY entry, solvent_id HAVING SUM(volume_ul) <> 0",
    ),
    Comparison(
        "flow",
        "inventory_flow",
        "SELECT lab_id, SUM(computed), SUM(stored), solvent_id, month, source_kind, destination_kind FROM ("
        "  SELECT f.lab_id, f.solvent_id, f.month, f.source_kind, f.destination_kind, "
        "    f.volume_ul AS stored, 0 AS computed FROM inventory_flow f WHERE {of.f} UNION ALL "
        "  SELECT m.lab_id, m.solvent_id, m.flow_month, "
        "    CASE WHEN m.reversal_of_id IS NULL THEN s.kind ELSE d.kind END, "
        "    CASE WHEN m.reversal_of_id IS NULL THEN d.kind ELSE s.kind END, 0, "
        "    CASE WHEN m.reversal_of_id IS NULL THEN m.volume_ul ELSE -m.volume_ul END "
        "  FROM inventory_movement m JOIN inventory_place s ON s.id = m.source_id "
        "  JOIN inventory_place d ON d.id = m.destination_id WHERE {of.m}"
        ") AS cells GROUP BY lab_id, solvent_id, month, source_kind, destination_kind "
        "HAVING SUM(computed) <> SUM(stored)",
    ),
    Comparison(
        "movement-belongs",
        "inventory_movement",
        "SELECT m.id, 'one lab, the solvent of its lot', 'something else' FROM inventory_movement m "
        "JOIN inventory_lot l ON l.id = m.lot_id JOIN inventory_place s ON s.id = m.source_id "
        "JOIN inventory_place d ON d.id = m.destination_id WHERE {of.m} AND (l.solvent_id <> m.solvent_id "
        "OR l.lab_id <> m.lab_id OR s.lab_id <> m.lab_id OR d.lab_id <> m.lab_id)",
    ),
    Comparison(
        "reversal-opposite",
        "inventory_movement",
        "SELECT m.id, 'the exact opposite', 'something else', o.id FROM inventory_movement m "
        "JOIN inventory_movement o ON o.id = m.reversal_of_id WHERE {of.m} AND NOT ("
        "m.lab_id = o.lab_id AND m.lot_id = o.lot_id AND m.solvent_id = o.solvent_id "
        "AND m.volume_ul = o.volume_ul AND m.source_id = o.destination_id "
        "AND m.destination_id = o.source_id AND m.flow_month = o.flow_month AND o.reversal_of_id IS NULL)",
    ),
    Comparison(
        "reversal-whole",
        "inventory_movement",
        "SELECT o.entry, COUNT(*), COUNT(r.id) FROM inventory_movement o "
        "LEFT JOIN inventory_movement r ON r.reversal_of_id = o.id WHERE o.entry IN ("
        "  SELECT b.entry FROM inventory_movement m JOIN inventory_movement b ON b.id = m.reversal_of_id "
        "  WHERE {of.m}) GROUP BY o.entry HAVING COUNT(*) <> COUNT(r.id)",
    ),
    Comparison(
        "blend-parents",
        "inventory_lot",
        "SELECT l.id, COALESCE(b.volume_ul, 0), COALESCE(p.volume_ul, 0) FROM inventory_lot l LEFT JOIN ("
        "  SELECT lot_id, SUM(volume_ul) AS volume_ul FROM inventory_lotparent GROUP BY lot_id"
        ") p ON p.lot_id = l.id LEFT JOIN ("
        "  SELECT m.lot_id, SUM(m.volume_ul) AS volume_ul FROM inventory_movement m "
        "  JOIN inventory_place s ON s.id = m.source_id "
        # What comes back from a run undistilled is a blend of what was charged.
        "  WHERE (s.kind = 'blending' OR m.kind = 'return') AND m.reversal_of_id IS NULL AND {of.m} "
        "  GROUP BY m.lot_id"
        ") b ON b.lot_id = l.id WHERE l.origin = 'blend' AND {of.l} "
        "AND COALESCE(b.volume_ul, 0) <> COALESCE(p.volume_ul, 0)",
    ),
]

# What no statement can say: (lab or all labs, everything or a sample) → findings.
Look = Callable[[Lab | None, bool], Iterable[Finding]]
_comparisons = {comparison.check: comparison for comparison in COMPARISONS}
_looks: dict[str, Look] = {}
_tables = {
    "containers": "inventory_container",
    "movements": "inventory_movement",
    "flows": "inventory_flow",
}


def register(
    *comparisons: Comparison, look: Look | None = None, counted: Mapping[str, str] | None = None
) -> None:
    """Add the checks of another app to every audit from now on; safe to repeat.

    counted: what the report says was compared → its table, which has a lab_id.
    """
    _comparisons.update({comparison.check: comparison for comparison in comparisons})
    if look is not None:
        _looks[look.__module__] = look
    _tables.update(counted or {})


def audit(*, lab: Lab | None = None, full: bool = False) -> AuditReport:
    """Compare all stored figures of a lab, or of every lab, with what the movements and facts say.

    full: work out the due date of every container; otherwise of a random sample of `DUE_DATES_SAMPLED`.
    """
    findings = [_trigger_gone(name) for name in append_only.missing(connection)]
    for comparison in _comparisons.values():
        findings += _differences(comparison, _Of(lab))
    for look in _looks.values():
        findings += look(lab, full)
    due_ids = _containers_to_check(lab, full)
    findings += _due_differences(due_ids)
    return AuditReport(lab.slug if lab else None, tuple(findings), _compared(_Of(lab)), len(due_ids))


def _trigger_gone(name: str) -> Finding:
    table = name.rsplit("_keep", 1)[0]
    return Finding("append-only", table, name, "a trigger that refuses changes", "none")


def _differences(comparison: Comparison, of: _Of) -> list[Finding]:
    """Findings of one statement; columns after the third make the id more exact."""
    with connection.cursor() as cursor:
        cursor.execute(comparison.sql.format(of=of, held=_HELD.format(of=of)))
        rows = cursor.fetchall()
    return [
        Finding(
            comparison.check,
            comparison.table,
            " / ".join(str(part) for part in (key, *more)),
            str(expected),
            str(found),
        )
        for key, expected, found, *more in rows
    ]


def _compared(of: _Of) -> dict[str, int]:
    counts = {}
    with connection.cursor() as cursor:
        for name, table in _tables.items():
            cursor.execute(f"SELECT COUNT(*) FROM {table} t WHERE {of.t}")  # noqa: S608
            counts[name] = int(cursor.fetchone()[0])
    return counts


def _containers_to_check(lab: Lab | None, full: bool) -> list[int]:
    """Containers in use whose due date is worked out again: all, or another sample each time."""
    held = Container.objects.filter(discarded_at=None)
    if lab is not None:
        held = held.filter(lab=lab)
    ids = list(held.order_by("pk").values_list("pk", flat=True))
    if full or len(ids) <= DUE_DATES_SAMPLED:
        return ids
    return sorted(random.sample(ids, DUE_DATES_SAMPLED))


def _due_differences(ids: list[int]) -> Iterator[Finding]:
    for start in range(0, len(ids), BATCH):
        for pk in _differing(ids[start : start + BATCH]):
            yield from _looked_at_again(pk)


def _differing(ids: list[int]) -> dict[int, tuple[str, str]]:
    """Containers whose stored columns are not what follows from the facts → (worked out, stored)."""
    found = gathered(containers_with(ids))
    forecasts = forecasts_of(found)
    differing = {}
    for container in found.containers:
        if container.discarded_at is not None:
            continue
        # As of the last day for which it was stored, so that no clock is asked.
        columns, _ = worked_out(container, found, container.drawable_until or date.max, forecasts)
        names = [name for name in COLUMNS if getattr(container, name) != getattr(columns, name)]
        if names:
            differing[container.pk] = (_told(columns, names), _told(container, names))
    return differing


def _told(columns: Container | Stored, names: Iterable[str]) -> str:
    return ", ".join(f"{name} {getattr(columns, name) or 'none'}" for name in names)


def _looked_at_again(pk: int) -> Iterator[Finding]:
    """A fact may have changed between two reads: under the row's lock none can."""
    with transaction.atomic():
        lock_containers([pk])
        differing = _differing([pk])
    for computed, stored in differing.values():
        yield Finding("due-date", "inventory_container", str(pk), computed, stored)
