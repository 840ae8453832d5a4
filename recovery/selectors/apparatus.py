"""Apparatus with what was done to each and what runs in it lose, for pages."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from django.db.models import Count, Max, Q, QuerySet

from inventory.models import Lab
from recovery.models import Apparatus, ApparatusRecord, LossFit, LossSignal

RECORDS_SHOWN = 100
BEGINS_ANEW = (ApparatusRecord.What.REPAIRED.value, ApparatusRecord.What.CHANGED.value)


@dataclass(frozen=True)
class Record:
    """One record; withdrawn: it was taken back. begins_anew: losses are judged afresh from it on."""

    row: ApparatusRecord
    withdrawn: bool
    begins_anew: bool


def apparatus_rows(lab: Lab) -> QuerySet[Apparatus]:
    """Those in use first, by name; each with its closed runs, its last record and its standing signals."""
    done = Q(run_apparatus__run__closed_at__isnull=False, run_apparatus__run__is_draft=False)
    return (
        Apparatus.objects.filter(lab=lab)
        .select_related("location")
        .annotate(
            runs=Count("run_apparatus", filter=done, distinct=True),
            signals_now=Count("signals", filter=Q(signals__ended_at=None), distinct=True),
            last_record_at=Max("records__happened_at", filter=Q(records__withdraws=None)),
        )
        .order_by("ended_at", "name")
    )


def records_of(apparatus: Apparatus, most: int | None = RECORDS_SHOWN) -> list[Record]:
    """What was done to it, the newest first; a withdrawal stands as a note at what it takes back."""
    rows = (
        ApparatusRecord.objects.filter(apparatus=apparatus, withdraws=None)
        .select_related("actor", "withdrawn_by__actor")
        .order_by("-happened_at", "-id")[:most]
    )
    return [Record(row, hasattr(row, "withdrawn_by"), row.what in BEGINS_ANEW) for row in rows]


def judged_since(records: list[Record]) -> datetime | None:
    """Since when its losses are judged afresh; None: since its first run."""
    return next((one.row.happened_at for one in records if one.begins_anew and not one.withdrawn), None)


def signals_of(apparatus: Apparatus) -> list[LossSignal]:
    """Lasting changes of its losses that stand."""
    rows = LossSignal.objects.filter(apparatus=apparatus, ended_at=None)
    return list(rows.select_related("solvent", "apparatus", "since_run"))


def fits_of(lab: Lab, apparatus: Apparatus | None = None) -> QuerySet[LossFit]:
    """Fits of losses, the newest first."""
    rows = LossFit.objects.filter(lab=lab).select_related(
        "solvent", "kind", "apparatus", "actor", "adopted_by"
    )
    return rows.filter(**({} if apparatus is None else {"apparatus": apparatus})).order_by("-id")
