"""From a plan as it is kept with a draft run to the picture of its yields."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from recovery.rules.extraction_entry import USUAL_YIELD
from recovery.rules.pictures.yield_curve import Need, YieldCurve, YieldPoint

__all__ = ["yields_of"]

NOT_PLANNED = "This run was not drafted from a plan."
NO_EXTRACTION = "This plan has no extraction, so there are no portions to compare."
TOO_SMALL = "Hollow: portions that can hardly be run off cleanly."
NET = "Not back again: kept by the water, left behind, lost and heel."


def yields_of(plan: Mapping[str, Any] | None, *, purpose: str, wanted_percent: object = None) -> YieldCurve:
    """The yields of as much solvent in 1, 2, … portions, and what each way to the wanted yield takes.

    plan: as `PlanShape` tells; None: the run was not planned. wanted_percent: as it was asked for; None: what
    is taken where nothing is.
    """
    title = f"Yield by portions: {purpose}" if purpose else "Yield by portions"
    if plan is None or not plan.get("extraction"):
        return YieldCurve(title, (), words=(NOT_PLANNED if plan is None else NO_EXTRACTION,))
    found = plan["extraction"]
    chosen = found["chosen"]
    words = (
        f"{plan['solvent']['name']}: {chosen['total_ml']} mL in {chosen['portions']} portions of "
        f"{chosen['portion_ml']} mL take out {_percent(found)}.",
    )
    points = tuple(
        YieldPoint(row["portions"], float(row["yield_percent"]) / 100, words=f"of {row['portion_ml']} mL")
        for row in found["same_total"]
    )
    needs = tuple(
        Need(row["portions"], float(row["total_ml"]), float(row["net_ml"]), row["fits"])
        for row in found["for_yield"]
    )
    hollow = [TOO_SMALL] if any(not need.fits for need in needs) else []
    notes = (f"Yields of {chosen['total_ml']} mL in all.", *([NET] if needs else []), *hollow)
    wanted = _wanted(found, wanted_percent)
    return YieldCurve(title, points, needs, wanted, chosen["portions"], words=words, notes=notes)


def _percent(found: Mapping[str, Any]) -> str:
    """With its standard uncertainty, where there is one."""
    told = found["yield_percent"]
    spread = f" (standard uncertainty {told['uncertainty']} %)" if told.get("uncertainty") else ""
    return f"{told['value']} %{spread}"


def _wanted(found: Mapping[str, Any], wanted_percent: object) -> float | None:
    """Only where the portions follow from a yield."""
    if not found["for_yield"]:
        return None
    try:
        return float(str(wanted_percent).strip(" %")) / 100
    except ValueError:
        return USUAL_YIELD
