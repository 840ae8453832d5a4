"""An imported run log is taken back by reversal, newest first: each run whose solvent has not moved on since.

What moved is booked back; the run itself stays in the records as one that was given up, which counts in no
rate and no list of runs. That a bottle was open by the day of a run stays: it is the cautious side.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import F, Q, QuerySet

from inventory.models import Event, ImportedRow, Lab, Movement, User
from inventory.rules.errors import Conflict, InputError
from inventory.rules.giving_reasons import checked_reason
from inventory.rules.phrases import Phrase
from inventory.services import reversal
from inventory.services.events import record
from inventory.services.import_undo import (
    ROWS_AT_ONCE,
    USED_FOR,
    Kept,
    Undone,
    note_undone,
    rows_of,
    said,
)
from inventory.services.places import lock_runs
from recovery.models import Run


def undo_runs(
    *, lab: Lab, actor: User, now: datetime, event: Event, reason: str, may_loosen: bool = False
) -> Undone:
    """Take back what a run log brought in. Raises InputError without a reason."""
    words = checked_reason(reason, what=Phrase("Taking an import back needs a reason."))
    rows = list(rows_of(event))
    given_up = Q(is_draft=True, closed_at__isnull=False)
    standing = {run.pk: run for run in Run.objects.filter(~given_up, pk__in=[r.subject_id for r in rows])}
    # Newest first: what a later run took may have come from an earlier one.
    open_rows = [row for row in rows if row.subject_id in standing]
    open_rows.sort(key=lambda row: (standing[row.subject_id].started_at, row.line), reverse=True)
    done, kept = 0, []
    with transaction.atomic():
        for row in open_rows[:ROWS_AT_ONCE]:
            run = standing[row.subject_id]
            try:
                with transaction.atomic():
                    _run_back(row, run, lab, actor, now, words, may_loosen)
            except InputError as fault:
                kept.append(Kept(row.line, str(run.pk), said(fault)))
            else:
                done += 1
        note_undone(lab, actor, now, event, words, done, len(kept))
    return Undone(done, tuple(kept), max(0, len(open_rows) - ROWS_AT_ONCE))


def _run_back(
    row: ImportedRow, run: Run, lab: Lab, actor: User, now: datetime, reason: str, may_loosen: bool
) -> None:
    lock_runs([run.place_id])
    against = obstacles(row.recorded_at, [run]).get(run.pk)
    if against is not None:
        raise Conflict("import", "used-since", against)
    for entry in dict.fromkeys(_standing(run.place_id).order_by("-pk").values_list("entry", flat=True)):
        by: dict[str, Any] = {"lab": lab, "actor": actor, "now": now}
        reversal.reverse(**by, entry=entry, reason=reason, may_loosen=may_loosen)
    Run.objects.filter(pk=run.pk).update(
        is_draft=True, closed_at=now, closing_entry=None, unseen_findings="", version=F("version") + 1
    )
    data = {"purpose": run.purpose, "reason": reason}
    record(lab=lab, actor=actor, now=now, verb="run-undone", subject=run, data=data)


def _standing(*places: int) -> QuerySet[Movement]:
    ends = Q(source_id__in=places) | Q(destination_id__in=places)
    return Movement.objects.filter(ends, reversal_of=None, reversed_by=None)


def obstacles(at: datetime, runs: Sequence[Run]) -> dict[int, str]:
    """Run id → what was booked in it after its line of the log came in at that moment, where anything was."""
    by_place = {run.place_id: run.pk for run in runs}
    later = _standing(*by_place).exclude(recorded_at=at).order_by("pk")
    found: dict[int, str] = {}
    for source, destination, kind, when in later.values_list(
        "source_id", "destination_id", "kind", "happened_at"
    ):
        words = Phrase(
            "Used since: {kind} on {when:%Y-%m-%d}. Reverse that first.",
            kind=USED_FOR.get(kind, kind),
            when=when,
        )
        found |= {by_place[place]: words for place in (source, destination) if place in by_place}
    return found
