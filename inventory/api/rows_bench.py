"""From rows of tests and treatments to the plain values that go out."""

from __future__ import annotations

from typing import Any

from inventory.api.calculators import mass_mg_out
from inventory.api.quantities import millilitres, volume_out
from inventory.api.rows import Row, decimal_text, id_or_none
from inventory.models import Treatment
from inventory.rules.methods import METHODS, NOT_STATED
from inventory.rules.reagent_life import expired_after_all
from inventory.services.treatments import wanted_ug, warnings

EXPIRED = "The strips or the reagent were past their date: the result may count against it, never for it."
NOT_KNOWN = "It is not known whether the strips or the reagent were within their date."

TEST_COLUMNS = (
    "id", "container_id", "container__code", "lot_id", "method", "lower_ug_per_l", "upper_ug_per_l",
    "as_entered", "tested_on", "actor__username", "recorded_at", "withdraws_id", "withdrawn_by__id", "note",
    "reagent_id", "reagent__name", "reagent__use_by_on", "reagent_expired", "working",
)  # fmt: skip


def test_out(row: Row) -> dict[str, Any]:
    """One row of `TEST_COLUMNS`."""
    found = dict(zip(TEST_COLUMNS, row, strict=True))
    upper, reagent_id = found["upper_ug_per_l"], found["reagent_id"]
    method = METHODS.get(found["method"], METHODS[NOT_STATED])
    recorded_on = found["recorded_at"].date()
    expired = expired_after_all(
        found["reagent_expired"], found["reagent__use_by_on"], found["tested_on"], recorded_on=recorded_on
    )
    return {
        "id": str(found["id"]),
        "container": {"id": str(found["container_id"]), "code": found["container__code"]},
        "lot": str(found["lot_id"]),
        "method": found["method"],
        "lower_mg_per_l": millilitres(found["lower_ug_per_l"]),
        "upper_mg_per_l": None if upper is None else millilitres(upper),
        "as_entered": found["as_entered"],
        "tested_on": found["tested_on"],
        "actor": found["actor__username"],
        "recorded_at": found["recorded_at"],
        "withdraws": id_or_none(found["withdraws_id"]),
        "withdrawn_by": id_or_none(found["withdrawn_by__id"]),
        "note": found["note"],
        "reagent": None if reagent_id is None else {"id": str(reagent_id), "name": found["reagent__name"]},
        "reagent_expired": expired,
        "working": found["working"],
        "limits": list(method.limit_words),
        "cautions": _cautions(method.reagent, expired),
    }


def _cautions(reagent: str, expired: bool | None) -> list[str]:
    if expired:
        return [EXPIRED]
    return [NOT_KNOWN] if expired is None and reagent else []


def treatment_out(row: Treatment) -> dict[str, Any]:
    """A treatment that comes with its container, lot, solvent, actor and what withdrew it."""
    wanted = wanted_ug(row)
    withdrawn = getattr(row, "withdrawn_by", None)
    return {
        "id": str(row.pk),
        "container": {"id": str(row.container_id), "code": row.container.code},
        "lot": str(row.lot_id),
        "kind": row.kind,
        "treated_on": row.treated_on,
        "inhibitor": row.inhibitor,
        "mass": None if row.mass_ug is None else mass_mg_out(row.mass_ug),
        "volume": volume_out(row.volume_ul),
        "target_ppm": decimal_text(row.target_ppm),
        "reached_ppm": decimal_text(row.reached_ppm),
        "wanted_mass": None if wanted is None else mass_mg_out(wanted),
        "how": row.how,
        "actor": row.actor.username,
        "recorded_at": row.recorded_at,
        "withdraws": id_or_none(row.withdraws_id),
        "withdrawn_by": None if withdrawn is None else str(withdrawn.pk),
        "warnings": warnings(row),
    }
