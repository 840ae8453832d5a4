"""Whether what came back is wet or dried: told with the return or later; the newest word counts."""

from __future__ import annotations

import uuid
from datetime import datetime

from django.db import transaction

from inventory.models import Lab, Movement, User
from inventory.rules.errors import Conflict, InputError
from inventory.rules.phrases import Phrase
from inventory.services.events import record
from inventory.services.places import lock_runs
from recovery.models import ReturnState, Run
from recovery.services.told_times import overtaken

TOLD = "return-state-told"
STATES = tuple(ReturnState.State.values)
AGENT_MAX = 80


def state_tell(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    run: Run,
    entry: uuid.UUID,
    state: str,
    drying_agent: str = "",
    told_at: datetime | None = None,
) -> ReturnState:
    """Tell of a return, of a run closed or not, whether it is wet or dried.

    It moves no volume and proves nothing: only a water content that was measured shows how dry it is.
    told_at: when it was told, if it arrives late; where something newer was told since, that stands and is
    returned, and the event keeps what came late. Raises
    InputError for an entry that is no return of this run, Conflict when the return was reversed.
    """
    with transaction.atomic():
        lock_runs([run.place_id])
        _check_return(run, entry)
        last = ReturnState.objects.filter(run=run, entry=entry).order_by("id").last()
        row = state_read(run, entry, state, drying_agent, actor=actor, now=now)
        said = {"entry": str(entry), "state": state, "drying_agent": row.drying_agent}
        said |= {"told_at": told_at.isoformat()} if told_at is not None else {}
        if last is not None and overtaken(run, TOLD, last.recorded_at, told_at):
            record(lab=lab, actor=actor, now=now, verb=TOLD, subject=run, data={**said, "overtaken": True})
            return last
        row.save()
        record(lab=lab, actor=actor, now=now, verb=TOLD, subject=run, data=said)
    return row


def state_write(
    run: Run, entry: uuid.UUID, state: str, drying_agent: str, *, actor: User, now: datetime
) -> ReturnState:
    """Write the state of a return down. Only inside a transaction, with the run locked. Raises InputError."""
    row = state_read(run, entry, state, drying_agent, actor=actor, now=now)
    row.save()
    return row


def state_read(
    run: Run, entry: uuid.UUID, state: str, drying_agent: str, *, actor: User, now: datetime
) -> ReturnState:
    """The state as a row that is not written yet. Raises InputError."""
    if state not in STATES:
        raise InputError(
            "state",
            "unknown-state",
            Phrase("“{state}” is not known.", state=state),
            Phrase("Use {known}.", known=", ".join(STATES)),
        )
    agent = " ".join(drying_agent.split())
    if len(agent) > AGENT_MAX or (agent and state != ReturnState.State.DRIED):
        raise InputError(
            "drying_agent",
            "agent-without-drying",
            Phrase(
                "A drying agent, of at most {agent_max} characters, goes with “dried”.", agent_max=AGENT_MAX
            ),
            Phrase("Leave it out, or send the state “dried”."),
        )
    return ReturnState(run=run, entry=entry, state=state, drying_agent=agent, actor=actor, recorded_at=now)


def _check_return(run: Run, entry: uuid.UUID) -> None:
    moved = Movement.objects.filter(source_id=run.place_id, entry=entry, kind="return")
    found = moved.select_related("reversed_by").first()
    if found is None:
        raise InputError(
            "entry",
            "unknown-return",
            Phrase("Nothing came back out of this run by that entry."),
            Phrase("See its movements."),
        )
    if hasattr(found, "reversed_by"):
        raise Conflict(
            "entry",
            "return-reversed",
            Phrase("That return was reversed."),
            Phrase("Name the one that stands."),
        )
