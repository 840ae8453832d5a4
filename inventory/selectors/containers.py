"""Reads of containers and movements as plain rows: one query each, no model instances."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.db.models import Q, QuerySet

from inventory.models import Lab, Movement

MOVEMENT_COLUMNS = (
    "id", "entry", "kind", "solvent_id", "solvent__key", "solvent__name", "lot_id",
    "source_id", "source__kind", "source__container__id", "source__container__code",
    "destination_id", "destination__kind", "destination__container__id", "destination__container__code",
    "volume_ul", "u_volume_ul", "happened_at", "recorded_at", "flow_month", "actor__username", "as_entered",
    "reversal_of_id", "reversed_by__id", "note",
)  # fmt: skip


def movements_listed(*, lab: Lab, given: Mapping[str, Any]) -> QuerySet[Movement]:
    """The lab's movements by container, place, lot, solvent, kind, entry, month and moment."""
    rows = Movement.objects.filter(lab=lab)
    equal = {
        "kind": "kind",
        "lot": "lot_id",
        "entry": "entry",
        "flow_month": "flow_month",
        "happened_at__gte": "happened_at__gte",
        "happened_at__lt": "happened_at__lt",
    }
    rows = rows.filter(**{column: given[name] for name, column in equal.items() if name in given})
    if "place" in given:
        rows = rows.touching([given["place"]])
    if "solvent" in given:
        ref = given["solvent"]
        numeric = ref.isdigit() and len(ref) < 19
        rows = rows.filter(Q(solvent_id=int(ref)) if numeric else Q(solvent__key=ref))
    return rows
