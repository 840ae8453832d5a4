"""The runs from which losses are fitted: closed ones, since their apparatus was last repaired or changed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from django.db.models import Max, QuerySet

from inventory.models import Lab, Solvent
from recovery.models import Apparatus, ApparatusRecord, Run, RunKind
from recovery.rules.fitted import drivers_of
from recovery.rules.fitting import Chosen, chosen
from recovery.rules.predicted import NOT_FITTED
from recovery.selectors.balances import Gathered, gathered

RUNS_MOST = 10_000
AT_ONCE = 1_000  # runs in one statement: a database takes only so many parameters
BEGINS_ANEW = (ApparatusRecord.What.REPAIRED, ApparatusRecord.What.CHANGED)


@dataclass(frozen=True, slots=True)
class Basis:
    """runs: those fitted, oldest first. closed: all closed ones that fit what was asked. since: when its
    apparatus was last repaired or changed, after which the runs count."""

    design: Chosen
    runs: tuple[Run, ...]
    closed: int
    since: datetime | None


def basis(
    *,
    lab: Lab,
    solvent: Solvent,
    kind: RunKind | None = None,
    apparatus: Apparatus | None = None,
    drivers: Sequence[str] = (),
) -> Basis:
    """What a fit rests on: the newest closed runs of a solvent, of one kind and apparatus if told."""
    since = None if apparatus is None else _begun_anew(apparatus)
    runs = _closed(lab, solvent, kind, apparatus, since)
    held = list(runs.select_related("kind").order_by("-started_at", "-pk")[:RUNS_MOST])[::-1]
    rows = [
        row
        for first in range(0, len(held), AT_ONCE)
        for row in gathered(lab=lab, runs=held[first : first + AT_ONCE], solvent=solvent)
        if row.balance.charged.volume_ul > 0
    ]
    design = chosen([drivers_of(row.ask) for row in rows], [_loss_ml(row) for row in rows], drivers)
    return Basis(design, tuple(rows[i].run for i in design.used), len(rows), since)


def _closed(
    lab: Lab,
    solvent: Solvent,
    kind: RunKind | None,
    apparatus: Apparatus | None,
    since: datetime | None,
) -> QuerySet[Run]:
    runs = Run.objects.filter(lab=lab, closed_at__isnull=False, is_draft=False, sums__solvent=solvent)
    if kind is not None:
        runs = runs.filter(kind=kind)
    if apparatus is not None:
        runs = runs.filter(run_apparatus__apparatus=apparatus)
    return runs if since is None else runs.filter(started_at__gte=since)


def _begun_anew(apparatus: Apparatus) -> datetime | None:
    rows = ApparatusRecord.objects.filter(
        apparatus=apparatus, what__in=BEGINS_ANEW, withdraws=None, withdrawn_by=None
    )
    last: datetime | None = rows.aggregate(last=Max("happened_at"))["last"]
    return last


def _loss_ml(row: Gathered) -> float:
    """What a fit looks for: all that is missing but what was put somewhere on purpose."""
    put_ul = sum(one.amount.volume_ul for one in row.balance.named if one.code in NOT_FITTED)
    return (row.balance.lost.volume_ul - put_ul) / 1000
