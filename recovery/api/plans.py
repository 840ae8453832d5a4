"""The plan before a run, and drafts that come of it."""

from __future__ import annotations

from typing import Any

from django.http import HttpResponse

from inventory.api.base import Contract, LabView
from inventory.api.fields import Body, NoteField
from inventory.api.idempotency import Done
from recovery.api.plan_ask import PlanAsk, planned
from recovery.api.plan_out import plan_out
from recovery.api.rows_runs import run_shown
from recovery.api.runs import RunView
from recovery.api.shapes import RunShape
from recovery.api.shapes_plans import PlanShape
from recovery.services.drafts import draft_give_up


class Plans(LabView):
    """Portions, bottles, predicted losses and vapour of a run before it is done. Nothing is booked."""

    contracts = {
        "POST": Contract(
            "runs.read",
            PlanShape,
            "Plan a run",
            body=PlanAsk,
            status=201,
            words="Nothing is kept but the answer to its key; send the same under `plan` to runs/ for a "
            "draft run. A plan clears nothing: the gate is asked again with each charge.",
        )
    }

    def post(self, request: Any, lab: str) -> HttpResponse:
        def work(data: Any) -> Done:
            return Done(plan_out(planned(self.caller, data, self.today), self.caller.lab, self.today))

        return self.write(work)


class Abandoning(Body):
    reason = NoteField(max_length=300)


class RunAbandonments(RunView):
    """A draft will not be done."""

    contracts = {"POST": Contract("runs.log", RunShape, "Give a draft run up", body=Abandoning, status=201)}

    def post(self, request: Any, lab: str, run: str) -> HttpResponse:
        found = self.run_at(run)

        def work(data: Any) -> Done:
            draft_give_up(**self.by, run=found, reason=data.get("reason", ""))
            return Done(run_shown(found.pk))

        return self.write(work)
