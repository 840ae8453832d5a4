"""A draft run from a body with a plan."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from inventory.access import Caller
from inventory.api.base import LabView
from recovery.api.plan_ask import planned
from recovery.api.plan_out import plain_json, plan_out
from recovery.api.rows_runs import run_shown
from recovery.services.drafts import draft_from_plan
from recovery.services.planning import plans_read_by
from recovery.services.plans import Plan

# What may stand beside the plan or in it; the plan's own word counts.
SHARED = ("kind", "location", "apparatus", "distils", "facts")


@plans_read_by
def plan_read(
    caller: Caller, asked: Mapping[str, Any], today: date, field: str = ""
) -> tuple[Plan, dict[str, Any]]:
    """The plan, and what a draft of it keeps."""
    found = planned(caller, asked, today, field)
    return found.plan, plain_json({"asked": asked, "planned": plan_out(found, caller.lab, today)})


def draft_of(view: LabView, data: Any) -> dict[str, Any]:
    """A draft run from a body with a plan, as `RunShape`; what the body says beside it fills the plan."""
    asked = {
        name: data[name] for name in ("kind", "location", "apparatus", "distils", "facts") if name in data
    }
    asked |= data["plan"]
    plan, kept = plan_read(view.caller, asked, view.today, "plan")
    names = ("purpose", "remarks", "to_dryness")
    said = {name: data[name] for name in names if name in data}
    run = draft_from_plan(**view.by, plan=plan, kept=kept, operator_name=data.get("operator", ""), **said)
    return run_shown(run.pk)
