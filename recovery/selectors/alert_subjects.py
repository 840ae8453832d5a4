"""How runs, and series of runs that lose more, are named in messages about their alerts."""

from __future__ import annotations

from collections.abc import Iterable
from zoneinfo import ZoneInfo

from inventory.rules.phrases import Phrase
from inventory.selectors.alert_subjects import Subject
from recovery.models import LossSignal, Run
from recovery.rules.loss_words import put_anew
from recovery.selectors.loss_series import signal_said


def runs_named(ids: Iterable[int]) -> dict[int, Subject]:
    """Runs by id, with what they are for."""
    rows = Run.objects.filter(pk__in=list(ids)).values_list("pk", "purpose")
    return {pk: Subject(f"run {pk} ({purpose})" if purpose else f"run {pk}") for pk, purpose in rows}


def signals_named(ids: Iterable[int]) -> dict[int, Subject]:
    """Signals by id, as what they say: what loses more, since when, and how much."""
    rows = LossSignal.objects.filter(pk__in=list(ids)).select_related(
        "lab", "solvent", "apparatus", "since_run"
    )
    return {
        row.pk: Subject(Phrase("{words} ({solvent})", words=_as_found(row), solvent=row.solvent.name))
        for row in rows
    }


def _as_found(row: LossSignal) -> str:
    """Its words as they were kept, as a phrase where they still make one."""
    zone = ZoneInfo(row.lab.time_zone)
    since, found_on = (at.astimezone(zone).date() for at in (row.since_run.started_at, row.found_at))
    said = signal_said(row, since=since, today=found_on, stands=True)
    return said if said == put_anew(row.words, row.solvent.name) else row.words
