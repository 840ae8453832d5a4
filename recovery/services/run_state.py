"""A run as it stands: locked while something is booked in it, at a time that fits."""

from __future__ import annotations

from datetime import datetime

from django.db.models import F, Q

from inventory.models import Container, Movement, User
from inventory.rules.errors import Conflict, InputError
from inventory.rules.phrases import Phrase
from inventory.services.events import record
from inventory.services.ledger import month_in_lab
from inventory.services.measuring import CLOCK_SLACK, moment
from inventory.services.places import lock_runs
from recovery.models import Run


def open_run(run: Run) -> Run:
    """The run's row, locked for this transaction. Raises Conflict when it is closed."""
    lock_runs([run.place_id])
    held = Run.objects.select_for_update(of=("self",)).select_related("lab").get(pk=run.pk)
    if held.closed_at is not None:
        raise Conflict(
            "run",
            "run-closed",
            Phrase("Run {id} is closed.", id=held.pk),
            Phrase("Start a new run, or reverse what was wrong."),
        )
    return held


def moment_in(run: Run, now: datetime, happened_at: datetime | None, *containers: Container) -> datetime:
    """When it happened in a run and to containers: not before the run started, if it did."""
    happened = moment(now, happened_at, *containers)
    if run.is_draft:
        return happened
    if happened < run.started_at - CLOCK_SLACK:
        raise InputError(
            "happened_at",
            "before-start",
            Phrase("Run {id} had not started then.", id=run.pk),
            Phrase("Check the date and time."),
        )
    return min(max(happened, run.started_at), now)


def begin(run: Run, *, actor: User, now: datetime, happened: datetime) -> None:
    """A draft becomes a run with its first charge. Only with its row locked, inside the booking."""
    run.is_draft, run.started_at, run.month = False, happened, month_in_lab(run.lab, happened)
    Run.objects.filter(pk=run.pk).update(is_draft=False, started_at=happened, month=run.month)
    said = {"purpose": run.purpose, "from_draft": True}
    record(lab=run.lab, actor=actor, now=now, verb="run-started", subject=run, data=said)


def after_last_use(run: Run, happened: datetime) -> datetime:
    """A run is closed after all that moved in or out of it. Raises InputError when it was used later."""
    used = Movement.objects.filter(Q(source_id=run.place_id) | Q(destination_id=run.place_id))
    rows = used.values_list("happened_at", "reversal_of_id", "reversed_by")
    standing = [at for at, reverses, reversed_by in rows if reverses is None and reversed_by is None]
    last = max(standing, default=happened)
    if last > happened + CLOCK_SLACK:
        raise InputError(
            "happened_at",
            "used-since",
            Phrase("Run {id} was used after that.", id=run.pk),
            Phrase("Check the date and time."),
        )
    return max(last, happened)


def touch(run: Run) -> None:
    Run.objects.filter(pk=run.pk).update(version=F("version") + 1)
