"""How runs, and series of runs that lose more, are named in messages about their alerts."""

from __future__ import annotations

from collections.abc import Iterable

from inventory.selectors.alert_subjects import Subject
from recovery.models import LossSignal, Run


def runs_named(ids: Iterable[int]) -> dict[int, Subject]:
    """Runs by id, with what they are for."""
    rows = Run.objects.filter(pk__in=list(ids)).values_list("pk", "purpose")
    return {pk: Subject(f"run {pk} ({purpose})" if purpose else f"run {pk}") for pk, purpose in rows}


def signals_named(ids: Iterable[int]) -> dict[int, Subject]:
    """Signals by id, as what they say: what loses more, since when, and how much."""
    rows = LossSignal.objects.filter(pk__in=list(ids)).values_list("pk", "words", "solvent__name")
    return {pk: Subject(f"{words} ({solvent})") for pk, words, solvent in rows}
