"""The solvent balance of a lab, from the monthly flows alone: its cost grows with months, not movements."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from datetime import date
from typing import Any

from django.db.models import Q, Sum

from inventory.models import Flow, Lab, Solvent
from inventory.rules.errors import InputError
from recovery.models import Reuse
from recovery.rules.solvent_balance import Cell, Report, SolventFlows, report
from recovery.rules.solvent_terms import load_terms


def solvent_balance(
    *, lab: Lab, since: date | None = None, until: date | None = None, solvent: str | None = None
) -> Report:
    """Every solvent that stood or moved here, or the one with that key.

    since, until: days in the first and the last month; left out, from the first record and to the last.
    Raises InputError when the period ends before it begins.
    """
    since = since and since.replace(day=1)
    until = until and until.replace(day=1)
    if since and until and until < since:
        raise InputError("until", "ends-before-it-begins", "The period ends before it begins.", "Swap them.")
    sums = _summed(lab, since, until, solvent)
    reused = _reused(lab, since, until)
    facts = _facts(sums)
    flows = [
        SolventFlows(*facts[pk], tuple(before), tuple(during), reused.get(pk, 0))
        for pk, (before, during) in sorted(sums.items(), key=lambda item: facts[item[0]][1:2])
    ]
    return report(flows, load_terms(), since=since, until=until)


Sums = dict[int, tuple[list[Cell], list[Cell]]]


def _summed(lab: Lab, since: date | None, until: date | None, solvent: str | None) -> Sums:
    """Solvent id → cells before the period and in it; one statement."""
    flows = Flow.objects.filter(lab=lab)
    if until is not None:
        flows = flows.filter(month__lte=until)
    if solvent is not None:
        flows = flows.filter(solvent__key=solvent)
    inside = Q(month__gte=since) if since else Q()
    earlier = Q(month__lt=since) if since else Q(pk=None)
    rows: Any = (
        flows.order_by()
        .values("solvent_id", "source_kind", "destination_kind")
        .annotate(before=Sum("volume_ul", filter=earlier), during=Sum("volume_ul", filter=inside))
        .order_by("solvent_id", "source_kind", "destination_kind")
    )
    found: Sums = defaultdict(lambda: ([], []))
    for row in rows:
        ends = (row["source_kind"], row["destination_kind"])
        # The sum of 64-bit numbers is a decimal on PostgreSQL.
        for cells, volume_ul in zip(found[row["solvent_id"]], (row["before"], row["during"]), strict=True):
            if volume_ul:
                cells.append(Cell(*ends, int(volume_ul)))
    return {pk: cells for pk, cells in found.items() if any(cells)}


def _reused(lab: Lab, since: date | None, until: date | None) -> dict[int, int]:
    rows = Reuse.objects.filter(lab=lab)
    if since is not None:
        rows = rows.filter(month__gte=since)
    if until is not None:
        rows = rows.filter(month__lte=until)
    summed: Any = rows.order_by().values_list("solvent_id").annotate(Sum("reused_ul"))
    return {pk: int(volume_ul) for pk, volume_ul in summed}


def _facts(pks: Iterable[int]) -> dict[int, tuple[str, str, Any]]:
    rows = Solvent.objects.filter(pk__in=list(pks))
    return {
        pk: (key, name, rho)
        for pk, key, name, rho in rows.values_list("pk", "key", "name", "density_20c_kg_m3")
    }
