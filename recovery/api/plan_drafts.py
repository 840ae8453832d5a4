"""A draft run from a body with a plan."""

from __future__ import annotations

from typing import Any

from inventory.api.base import LabView
from recovery.api.plan_ask import planned
from recovery.api.plan_out import plain_json, plan_out
from recovery.api.rows_runs import run_shown
from recovery.services.drafts import draft_from_plan

# What may stand beside the plan or in it; the plan's own word counts.
SHARED = ("kind", "location", "apparatus", "distils", "facts")


def draft_of(view: LabView, data: Any) -> dict[str, Any]:
    """A draft run from a body with a plan, as `RunShape`; what the body says beside it fills the plan."""
    asked = {
        name: data[name] for name in ("kind", "location", "apparatus", "distils", "facts") if name in data
    }
    asked |= data["plan"]
    found = planned(view.caller, asked, view.today, "plan")
    kept = {"asked": plain_json(asked), "planned": plan_out(found, view.caller.lab, view.today)}
    names = ("purpose", "remarks", "to_dryness")
    said = {name: data[name] for name in names if name in data}
    run = draft_from_plan(
        **view.by, plan=found.plan, kept=kept, operator_name=data.get("operator", ""), **said
    )
    return run_shown(run.pk)
