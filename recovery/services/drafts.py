"""Draft runs: a plan that is kept, charges nothing, and becomes a run with its first charge.

What starts it is `runs.charge`. A draft has no movements, so no sum, rate, chart or report knows of it.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import F

from inventory.models import Lab, User
from inventory.rules.errors import Conflict
from inventory.rules.phrases import Phrase
from inventory.services.events import record
from recovery.models import Run
from recovery.rules.kept_phrases import KEPT
from recovery.rules.kept_phrases import kept as phrases_in
from recovery.services import runs
from recovery.services.plans import Plan
from recovery.services.run_state import open_run


def draft_from_plan(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    purpose: str,
    plan: Plan,
    kept: Mapping[str, Any],
    operator_name: str = "",
    remarks: str = "",
    to_dryness: bool = False,
) -> Run:
    """A draft run of what was planned, in its room, with its apparatus. kept: asked and planned, as JSON.

    Raises InputError for a purpose that is missing.
    """
    of = plan.of
    return runs.run_start(
        lab=lab,
        actor=actor,
        now=now,
        purpose=purpose,
        operator_name=operator_name,
        remarks=remarks,
        distils=of.distils,
        to_dryness=to_dryness,
        kind=of.kind,
        location=of.location,
        apparatus=of.apparatus,
        plan={**kept, KEPT: phrases_in(kept.get("planned"))},
    )


def draft_give_up(*, lab: Lab, actor: User, now: datetime, run: Run, reason: str = "") -> Run:
    """A draft that will not be done: it is closed as it is and can be started no more.

    Raises Conflict (codes run-closed, run-is-started).
    """
    with transaction.atomic():
        held = open_run(run)
        if not held.is_draft:
            raise Conflict(
                "run",
                "run-is-started",
                Phrase("Run {id} has been charged.", id=held.pk),
                Phrase("Close it and name what was lost, or reverse the charge."),
            )
        Run.objects.filter(pk=held.pk).update(closed_at=now, version=F("version") + 1)
        said = {"purpose": held.purpose, "reason": reason.strip()}
        record(lab=lab, actor=actor, now=now, verb="draft-given-up", subject=held, data=said)
    held.refresh_from_db()
    return held
