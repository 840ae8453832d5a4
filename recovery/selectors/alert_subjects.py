"""How a run is named in messages about its alerts."""

from __future__ import annotations

from collections.abc import Iterable

from inventory.selectors.alert_subjects import Subject
from recovery.models import Run


def runs_named(ids: Iterable[int]) -> dict[int, Subject]:
    """Runs by id, with what they are for."""
    rows = Run.objects.filter(pk__in=list(ids)).values_list("pk", "purpose")
    return {pk: Subject(f"run {pk} ({purpose})" if purpose else f"run {pk}") for pk, purpose in rows}
