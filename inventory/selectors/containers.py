"""Reads of containers, lots and movements as plain rows: one query each, no model instances."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.db.models import Q, QuerySet

from inventory.models import Container, Lab, Movement

CONTAINER_COLUMNS = (
    "id", "code", "lot__solvent_id", "lot__solvent__key", "lot__solvent__name", "lot_id", "location_id",
    "location__name", "volume_ul", "capacity_ul", "opened", "opened_on", "received_on", "next_test_due",
    "due_code", "due_words", "worst_sign", "discarded_at", "version",
)  # fmt: skip
NOW_COLUMNS = (
    "id", "code", "volume_ul", "lot_id", "next_test_due", "due_code", "worst_sign", "version",
)  # fmt: skip
MOVEMENT_COLUMNS = (
    "id", "entry", "kind", "solvent_id", "solvent__key", "solvent__name", "lot_id",
    "source_id", "source__kind", "source__container__id", "source__container__code",
    "destination_id", "destination__kind", "destination__container__id", "destination__container__code",
    "volume_ul", "u_volume_ul", "happened_at", "recorded_at", "flow_month", "actor__username", "as_entered",
    "reversal_of_id", "reversed_by__id", "note",
)  # fmt: skip
_EQUAL = {
    "location": "location_id",
    "lot": "lot_id",
    "opened": "opened",
    "due_code": "due_code",
    "next_test_due_on__lte": "next_test_due__lte",
    "next_test_due_on__gte": "next_test_due__gte",
    "due_before": "next_test_due__lt",
}


def containers_listed(*, lab: Lab, given: Mapping[str, Any]) -> QuerySet[Container]:
    """The lab's containers by filters: those of `_EQUAL`, solvent, discarded, empty, signs and q.

    Discarded ones are left out unless asked for.
    """
    equal = {column: given[name] for name, column in _EQUAL.items() if name in given}
    rows = Container.objects.filter(lab=lab, discarded_at__isnull=not given.get("discarded", False), **equal)
    if "solvent" in given:
        rows = rows.filter(_solvent(given["solvent"]))
    if "empty" in given:
        rows = rows.filter(volume_ul=0) if given["empty"] else rows.filter(volume_ul__gt=0)
    if "signs" in given:
        rows = rows.exclude(worst_sign="") if given["signs"] else rows.filter(worst_sign="")
    if "q" in given:
        rows = rows.filter(_mentions(given["q"]))
    return rows


def _solvent(ref: str) -> Q:
    return Q(lot__solvent_id=int(ref)) if ref.isdigit() and len(ref) < 19 else Q(lot__solvent__key=ref)


def _mentions(words: str) -> Q:
    """Every word stands somewhere in code, solvent, location or note."""
    found = Q()
    for word in words.split()[:8]:
        found &= (
            Q(code__icontains=word)
            | Q(lot__solvent__name__icontains=word)
            | Q(lot__solvent__key__icontains=word)
            | Q(location__name__icontains=word)
            | Q(note__icontains=word)
        )
    return found


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
        rows = rows.filter(Q(source_id=given["place"]) | Q(destination_id=given["place"]))
    if "solvent" in given:
        ref = given["solvent"]
        numeric = ref.isdigit() and len(ref) < 19
        rows = rows.filter(Q(solvent_id=int(ref)) if numeric else Q(solvent__key=ref))
    return rows
