"""What runs have of everything, for the tests of the API: kinds, fields, apparatus, a run that was closed."""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal
from typing import Any

from inventory.models import Solvent
from recovery.models import Apparatus, LossFit, LossSignal, Run
from recovery.rules.fitted import as_values
from recovery.rules.fitting import fit_losses
from recovery.rules.kept_phrases import KEPT, kept
from recovery.rules.run_kinds import AskedFor, FieldData, KindData
from recovery.services import apparatus, kinds, quality, quality_limits, runs
from tests.factories import Club, empty, stocked


def planted_runs(lab: Club, now: datetime) -> dict[str, str]:
    """Names by which addresses reach them."""
    by: dict[str, Any] = {"lab": lab.lab, "actor": lab.steward, "now": now}
    field = kinds.field_add(**by, data=FieldData("leaf-mass", "Mass of leaves", "mass", "g"))
    kinds.field_add(**by, data=FieldData("shaken", "Shaken by hand", "yes-no"))
    asks = (AskedFor("water-volume"), AskedFor("leaf-mass", "5 g"))
    kind = kinds.kind_add(**by, data=KindData("leaf-extraction", "Leaf extraction", True, asks))
    still = apparatus.apparatus_add(**by, name="Still 1", kind="still")
    record = apparatus.record_add(**by, apparatus=still, what="cleaned")
    closed = runs.run_start(**by, purpose="rinsing the still", kind=kind, apparatus=[still])
    hexane = stocked(lab, "n-hexane", code="B-6", now=now, received_on=now.date())
    runs.charge(**by, run=closed, container=hexane, amount="60 mL")
    back = runs.give_back(
        **by, run=closed, container=empty(lab, code="B-7", now=now), amount="40 mL", state="wet"
    )
    runs.run_close(**by, run=closed)
    check = quality.check_record(**by, container=hexane, what="density", entered={"value": "0.659 g/mL"})
    often = quality_limits.limit_add(**by, what="times-distilled", highest=Decimal(5), source="the club")
    return {
        "fit": str(planted_fit(lab, now, apparatus=still).pk),
        "used_fit": str(planted_fit(lab, now, adopted_at=now, adopted_by=lab.steward).pk),
        "signal": str(planted_signal(lab, still, closed).pk),
        "kind": kind.key,
        "field": field.key,
        "apparatus": str(still.pk),
        "record": str(record.pk),
        "closed_run": str(closed.pk),
        "return": str(back.entry),
        "check": str(check.pk),
        "quality_limit": str(often.pk),
    }


def planted_fit(lab: Club, now: datetime, **more: Any) -> LossFit:
    """A fit over runs that are not kept here."""
    fit = fit_losses(["charged"], [(float(ml),) for ml in range(100, 400, 10)], list(range(5, 20)) * 2)
    basis = {"run_ids": [], "closed_runs": fit.runs, "since": None, "left_out": []}
    result = as_values(fit) | basis
    return LossFit.objects.create(
        lab=lab.lab,
        solvent=Solvent.objects.get(lab=None, key="n-hexane"),
        runs=fit.runs,
        first_started_at=now,
        last_started_at=now,
        result=result | {KEPT: kept(result)},
        actor=lab.steward,
        made_at=now,
        **more,
    )


def planted_signal(lab: Club, still: Apparatus, run: Run) -> LossSignal:
    """A signal as the chart of a longer series would leave it."""
    rate = {"runs": 12, "fraction": 0.22, "lower": 0.2, "upper": 0.24, "words": ""}
    return LossSignal.objects.create(
        lab=lab.lab,
        series=f"{still.pk}/planted",
        solvent=Solvent.objects.get(lab=None, key="n-hexane"),
        apparatus=still,
        chart="ewma",
        rule="ewma-after-baseline",
        direction="more",
        since_run=run,
        last_run=run,
        data={
            "runs": [run.pk],
            "baseline": [run.pk],
            "width": 4.662,
            "before": rate,
            "after": rate | {"runs": 1, "fraction": 0.33, "lower": None, "upper": None},
            "apparatus": [still.name],
        },
        words="Still 1 loses more since 14 May: 33 % against 22 % before, 1 run.",
        found_at=run.started_at,
    )
