"""What runs have of everything, for the tests of the API: kinds, fields, apparatus, a run that was closed."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from recovery.rules.run_kinds import AskedFor, FieldData, KindData
from recovery.services import apparatus, kinds, runs
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
    return {
        "kind": kind.key,
        "field": field.key,
        "apparatus": str(still.pk),
        "record": str(record.pk),
        "closed_run": str(closed.pk),
        "return": str(back.entry),
    }
