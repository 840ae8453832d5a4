"""A run that was closed by mistake, or too early, is open again: what closed it is booked back."""

from __future__ import annotations

import uuid
from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import F

from inventory.models import Event, Lab, Movement, User
from inventory.rules.errors import Conflict
from inventory.rules.giving_reasons import checked_reason
from inventory.rules.phrases import Phrase
from inventory.services import reversal
from inventory.services.events import record
from inventory.services.places import lock_runs
from recovery.models import Run, RunSum
from recovery.services.run_hooks import settled

VERB = "run-reopened"


def reopen(*, lab: Lab, actor: User, now: datetime, run: Run, reason: str, may_loosen: bool = False) -> Run:
    """Reverse the entry that closed a run; it then holds what it held before, and may be charged again.

    A charge goes through the gate as ever, where what the run holds is judged again. Raises Conflict when it
    is open, when it is from before counting began, or when what went to waste at its close was taken away;
    InputError without a reason.
    """
    words = checked_reason(reason, what=Phrase("Opening a run again needs a reason."))
    with transaction.atomic():
        lock_runs([run.place_id])
        held = Run.objects.select_related("lab").get(pk=run.pk)
        _check_closed(held)
        entry = closing_entry(held)
        before = _sums(held)
        if entry is not None:
            by: dict[str, Any] = {"lab": lab, "actor": actor, "now": now}
            reversal.reverse(**by, entry=entry, reason=words, may_loosen=may_loosen)
        else:
            opened = {"closed_at": None, "closing_entry": None}
            Run.objects.filter(pk=held.pk).update(**opened, version=F("version") + 1)
            held.refresh_from_db()
            settled.send(sender=reopen, lab=lab, run=held, now=now, why="reopened")
        said = {
            "reason": words,
            "entry": None if entry is None else str(entry),
            "closed_at": run.closed_at and run.closed_at.isoformat(),
            "before": before,
            "after": _sums(held),
        }
        record(lab=lab, actor=actor, now=now, verb=VERB, subject=held, data=said)
        held.refresh_from_db()
    return held


def _check_closed(run: Run) -> None:
    if run.is_history:
        raise Conflict(
            "run",
            "run-is-history",
            Phrase("This run is from before counting began and moved no stock."),
            Phrase("Leave it as the log has it."),
        )
    if run.closed_at is None:
        raise Conflict(
            "run", "run-open", Phrase("Run {id} is open.", id=run.pk), Phrase("Book in it as it is.")
        )


def closing_entry(run: Run) -> uuid.UUID | None:
    """The entry that closed a run and still stands; None when nothing was left in it to be named.

    Of a run that was closed before its entry was kept, the movements tell: lost, booked at that close.
    """
    if run.closing_entry is not None:
        return run.closing_entry
    told = Event.objects.filter(verb="run-closed", subject_kind="run", subject_id=run.pk)
    closed = told.order_by("id").last()
    if closed is None or "entry" in closed.data:
        return None
    lost = Movement.objects.touching([run.place_id])
    lost = lost.filter(kind="loss", recorded_at=closed.at, reversed_by=None)
    found: uuid.UUID | None = lost.order_by("id").values_list("entry", flat=True).last()
    return found


def _sums(run: Run) -> dict[str, dict[str, int]]:
    rows = RunSum.objects.filter(run=run).values_list("solvent_id", "lost_ul", "held_ul")
    return {str(pk): {"lost_ul": lost, "held_ul": held} for pk, lost, held in rows}
