"""From a plan as it is kept with a draft run to the picture of its yields."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from inventory.rules.phrases import Figure, Phrase
from inventory.rules.solvent_words import solvent_words
from recovery.rules.extraction_entry import USUAL_YIELD
from recovery.rules.pictures.yield_curve import Need, YieldCurve, YieldPoint

__all__ = ["yields_of"]

NOT_PLANNED = Phrase("This run was not drafted from a plan.")
NO_EXTRACTION = Phrase("This plan has no extraction, so there are no portions to compare.")
TOO_SMALL = Phrase("Hollow: portions that can hardly be run off cleanly.")
NET = Phrase("Not back again: kept by the water, left behind, lost and heel.")


def yields_of(plan: Mapping[str, Any] | None, *, purpose: str, wanted_percent: object = None) -> YieldCurve:
    """The yields of as much solvent in 1, 2, … portions, and what each way to the wanted yield takes.

    plan: as `PlanShape` tells; None: the run was not planned. wanted_percent: as it was asked for; None: what
    is taken where nothing is.
    """
    title = (
        Phrase("Yield by portions: {purpose}", purpose=purpose) if purpose else Phrase("Yield by portions")
    )
    if plan is None or not plan.get("extraction"):
        return YieldCurve(title, (), words=(NOT_PLANNED if plan is None else NO_EXTRACTION,))
    found = plan["extraction"]
    chosen = found["chosen"]
    words = Phrase(
        "{solvent}: {total} mL in {portions} portions of {portion} mL take out {percent}.",
        solvent=solvent_words(plan["solvent"]["name"]),
        total=_decimal(chosen["total_ml"]),
        portions=chosen["portions"],
        portion=_decimal(chosen["portion_ml"]),
        percent=_percent(found),
    )
    points = tuple(
        YieldPoint(row["portions"], float(row["yield_percent"]) / 100, words=_of(row["portion_ml"]))
        for row in found["same_total"]
    )
    needs = tuple(
        Need(row["portions"], float(row["total_ml"]), float(row["net_ml"]), row["fits"])
        for row in found["for_yield"]
    )
    hollow = [TOO_SMALL] if any(not need.fits for need in needs) else []
    notes = (
        Phrase("Yields of {total} mL in all.", total=_decimal(chosen["total_ml"])),
        *([NET] if needs else []),
        *hollow,
    )
    wanted = _wanted(found, wanted_percent)
    return YieldCurve(title, points, needs, wanted, chosen["portions"], words=(words,), notes=notes)


def _of(portion_ml: Any) -> Phrase:
    return Phrase("of {portion} mL", portion=_decimal(portion_ml))


def _decimal(told: Any) -> Figure:
    """A decimal as the plan has it, digit by digit."""
    return Figure(float(told), str(told))


def _percent(found: Mapping[str, Any]) -> Phrase:
    """With its standard uncertainty, where there is one."""
    told = found["yield_percent"]
    value = _decimal(told["value"])
    if not told.get("uncertainty"):
        return Phrase("{percent} %", percent=value)
    spread = _decimal(told["uncertainty"])
    return Phrase("{percent} % (standard uncertainty {spread} %)", percent=value, spread=spread)


def _wanted(found: Mapping[str, Any], wanted_percent: object) -> float | None:
    """Only where the portions follow from a yield."""
    if not found["for_yield"]:
        return None
    try:
        return float(str(wanted_percent).strip(" %")) / 100
    except ValueError:
        return USUAL_YIELD
