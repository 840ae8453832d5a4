"""The runs behind a loss rate or a signal, and what a page may choose among to get there."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db.models import QuerySet

from inventory.models import Lab, Solvent
from recovery.models import Apparatus, LossSignal, Run, RunKind, RunSum
from recovery.selectors.losses import GROUPS


@dataclass(frozen=True)
class Choices:
    """What the closed runs of a lab have: solvents, purposes, operators, kinds and apparatus."""

    solvents: list[Solvent]
    purposes: list[str]
    operators: list[str]
    kinds: list[RunKind]
    apparatus: list[Apparatus]


def counted(lab: Lab) -> QuerySet[RunSum]:
    """The sums of closed runs, which are those that rates count."""
    return RunSum.objects.filter(run__lab=lab, run__closed_at__isnull=False, run__is_draft=False)


def solvents_lost(lab: Lab) -> dict[str, Solvent]:
    """Key → solvent of closed runs."""
    rows = Solvent.objects.filter(pk__in=counted(lab).order_by().values("solvent_id"))
    return {row.key: row for row in rows}


def choices_of(lab: Lab) -> Choices:
    runs = Run.objects.filter(lab=lab, closed_at__isnull=False, is_draft=False).order_by()
    sums = counted(lab).order_by()
    used = Apparatus.objects.filter(lab=lab, run_apparatus__isnull=False).distinct()
    return Choices(
        solvents=list(Solvent.objects.filter(pk__in=sums.values("solvent_id")).order_by("name")),
        purposes=sorted(set(runs.values_list("purpose", flat=True).distinct()), key=str.casefold),
        operators=sorted(set(runs.values_list("operator_name", flat=True).distinct()), key=str.casefold),
        kinds=list(RunKind.objects.filter(pk__in=runs.exclude(kind=None).values("kind_id")).order_by("name")),
        apparatus=list(used.order_by("name")),
    )


def runs_behind(
    *, lab: Lab, since: date | None, until: date | None, equal: Mapping[str, Any], limit: int
) -> list[RunSum]:
    """The newest runs that a rate of these groups counts, one row for each solvent."""
    sums = counted(lab).filter(**{GROUPS[name]: value for name, value in equal.items()})
    if since is not None:
        sums = sums.filter(run__month__gte=since)
    if until is not None:
        sums = sums.filter(run__month__lte=until)
    return list(sums.select_related("run", "solvent").order_by("-run__started_at", "-run_id")[:limit])


def standing_signals(*, lab: Lab, solvent: Solvent | None = None) -> list[LossSignal]:
    """Series that lose more, or less, than they did, those that lose more first."""
    rows = LossSignal.objects.filter(lab=lab, ended_at=None).select_related("solvent", "apparatus")
    if solvent is not None:
        rows = rows.filter(solvent=solvent)
    return list(rows.order_by("-direction", "-id"))


def started_on(run_ids: Iterable[int]) -> dict[int, Run]:
    return Run.objects.only("id", "purpose", "started_at").in_bulk(list(run_ids))
