"""What recovery adds to the audit: the sums, months and closings of runs against the movements."""

from __future__ import annotations

import random
from collections import defaultdict
from collections.abc import Iterator
from zoneinfo import ZoneInfo

from inventory.models import LOST_TO, Event, Lab
from inventory.services.audit import Comparison, Finding
from recovery.models import Run
from recovery.services.heel import TO_ANSWER_FOR

MONTHS_SAMPLED = 5000
BATCH = 2000
TABLES = {"runs": "recovery_run"}
_PARTS = ("charged", "returned", "lost", "held")
# Into a run counts up, out of it down. A reversal is booked the other way round, so it takes off the part
# that it reverses: backwards into a run is a return or loss undone, backwards out of it a charge undone.
_MOVED = """
    SELECT r.id AS run_id, m.solvent_id, m.volume_ul AS signed_ul, o.kind AS other,
        CASE WHEN m.reversal_of_id IS NULL THEN 1 ELSE 0 END AS is_charge
    FROM inventory_movement m JOIN recovery_run r ON r.place_id = m.destination_id
    JOIN inventory_place o ON o.id = m.source_id WHERE {of.m}
    UNION ALL
    SELECT r.id, m.solvent_id, -m.volume_ul, o.kind,
        CASE WHEN m.reversal_of_id IS NULL THEN 0 ELSE 1 END
    FROM inventory_movement m JOIN recovery_run r ON r.place_id = m.source_id
    JOIN inventory_place o ON o.id = m.destination_id WHERE {of.m}
"""
_LOST = f"other IN ({', '.join(repr(str(kind)) for kind in LOST_TO)})"
_COMPUTED = (
    f"CASE WHEN {_LOST} OR is_charge = 0 THEN 0 ELSE signed_ul END",
    f"CASE WHEN {_LOST} OR is_charge = 1 THEN 0 ELSE -signed_ul END",
    f"CASE WHEN {_LOST} THEN -signed_ul ELSE 0 END",
    "signed_ul",
)


def _words(prefix: str, rows: str) -> str:
    """SQL for the four parts as text, or that there is no row at all."""
    parts = " || ', ' || ".join(f"'{part} ' || SUM({prefix}_{part})" for part in _PARTS)
    return f"CASE WHEN SUM({rows}) = 0 THEN 'no sum' ELSE {parts} END"


def _run_sums() -> str:
    moved = ", ".join(f"{sql} AS is_{part}" for part, sql in zip(_PARTS, _COMPUTED, strict=True))
    none = ", ".join(f"0 AS was_{part}" for part in _PARTS)
    stored = ", ".join(f"s.{part}_ul" for part in _PARTS)
    differs = " OR ".join(f"SUM(is_{part}) <> SUM(was_{part})" for part in _PARTS)
    return (
        f"SELECT run_id, {_words('is', 'moved')}, {_words('was', 'stored')}, solvent_id FROM ("  # noqa: S608
        f"  SELECT run_id, solvent_id, {moved}, {none}, 1 AS moved, 0 AS stored FROM ({_MOVED}) AS each_one "
        f"  UNION ALL SELECT s.run_id, s.solvent_id, 0, 0, 0, 0, {stored}, 0, 1 "
        "   FROM recovery_runsum s JOIN recovery_run r ON r.id = s.run_id WHERE {of.r}"
        ") AS parts GROUP BY run_id, solvent_id "
        f"HAVING SUM(moved) = 0 OR SUM(stored) = 0 OR {differs}"
    )


# The clearances of charges that neither are reversals nor were reversed.
_CLEARED = """
    SELECT c.run_id, SUM(c.heel_ul) AS heel_ul FROM recovery_clearance c
    WHERE EXISTS (
        SELECT 1 FROM inventory_movement m JOIN recovery_run k ON k.place_id = m.destination_id
        LEFT JOIN inventory_movement u ON u.reversal_of_id = m.id
        WHERE k.id = c.run_id AND m.entry = c.entry AND m.kind = 'charge' AND m.reversal_of_id IS NULL
        AND u.id IS NULL
    ) AND {of.c} GROUP BY c.run_id
"""
_UNSEEN = " OR ".join(
    f"(r.unseen_findings LIKE '%{code}%' AND CAST(r.findings AS TEXT) NOT LIKE '%{code}%')"
    for code in TO_ANSWER_FOR
)

_CLOSES = """EXISTS (
    SELECT 1 FROM inventory_movement m LEFT JOIN inventory_movement u ON u.reversal_of_id = m.id
    WHERE m.entry = r.closing_entry AND m.reversal_of_id IS NULL AND u.id IS NULL
    AND (m.source_id = r.place_id OR m.destination_id = r.place_id)
)"""

COMPARISONS = (
    Comparison(
        "run-heel",
        "recovery_run",
        "SELECT r.id, COALESCE(c.heel_ul, 0), r.heel_ul FROM recovery_run r "  # noqa: S608
        f"LEFT JOIN ({_CLEARED}) c ON c.run_id = r.id WHERE {{of.r}} AND r.heel_ul <> COALESCE(c.heel_ul, 0)",
    ),
    Comparison(
        "run-unseen",
        "recovery_run",
        "SELECT r.id, r.findings, r.unseen_findings FROM recovery_run r "  # noqa: S608
        f"WHERE {{of.r}} AND NOT (r.unseen_findings = '') AND ({_UNSEEN})",
    ),
    Comparison("run-sum", "recovery_runsum", _run_sums()),
    Comparison(
        "run-closing-entry",
        "recovery_run",
        "SELECT r.id, 'an entry of it that stands', 'another' FROM recovery_run r "  # noqa: S608
        f"WHERE {{of.r}} AND r.closing_entry IS NOT NULL AND (r.closed_at IS NULL OR NOT {_CLOSES})",
    ),
    Comparison(
        "run-draft-moved",
        "recovery_run",
        "SELECT r.id, 'nothing', s.charged_ul, s.solvent_id FROM recovery_run r "
        "JOIN recovery_runsum s ON s.run_id = r.id WHERE {of.r} AND r.is_draft AND s.charged_ul <> 0",
    ),
    Comparison(
        "run-closed-empty",
        "recovery_run",
        "SELECT r.id, 0, s.held_ul, s.solvent_id FROM recovery_run r "
        "JOIN recovery_runsum s ON s.run_id = r.id "
        "WHERE {of.r} AND r.closed_at IS NOT NULL AND s.held_ul <> 0",
    ),
    Comparison(
        "run-place",
        "inventory_place",
        "SELECT p.id, 'one run of the same lab', CASE WHEN r.id IS NULL THEN 'none' ELSE 'another' END "
        "FROM inventory_place p LEFT JOIN recovery_run r ON r.place_id = p.id WHERE {of.p} "
        "AND ((p.kind = 'run' AND (r.id IS NULL OR r.lab_id <> p.lab_id)) "
        "OR (p.kind <> 'run' AND r.id IS NOT NULL))",
    ),
)


def run_months(lab: Lab | None, full: bool) -> Iterator[Finding]:
    """Runs whose month is not the one they started in; all, or another sample each time."""
    held = Run.objects.all() if lab is None else Run.objects.filter(lab=lab)
    ids = list(held.order_by("pk").values_list("pk", flat=True))
    if not full and len(ids) > MONTHS_SAMPLED:
        ids = sorted(random.sample(ids, MONTHS_SAMPLED))
    zones = _zones()
    for start in range(0, len(ids), BATCH):
        rows = Run.objects.filter(pk__in=ids[start : start + BATCH]).order_by("pk")
        for pk, lab_id, month, started_at in rows.values_list("pk", "lab_id", "month", "started_at"):
            months = [started_at.astimezone(zone).date().replace(day=1) for zone in zones[lab_id]]
            if month not in months:
                yield Finding("run-month", "recovery_run", str(pk), str(months[0]), str(month))


def _zones() -> dict[int, list[ZoneInfo]]:
    """The time zone of each lab, then those it had before: months stay as they were booked."""
    names: dict[int, list[str]] = defaultdict(list)
    for pk, name in Lab.objects.values_list("pk", "time_zone"):
        names[pk].append(name)
    edits = Event.objects.filter(verb="lab-edited").values_list("lab_id", "data")
    for lab_id, data in edits:
        if "time_zone" in data.get("before", {}):
            names[lab_id].append(data["before"]["time_zone"])
    return {pk: [ZoneInfo(name) for name in known] for pk, known in names.items()}
