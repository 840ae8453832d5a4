"""Solvent that leaves a run for good before it is closed: into waste, or to another loss with a name."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.db import transaction

from inventory.models import Lab, User
from inventory.rules.errors import Conflict
from inventory.rules.phrases import Phrase
from inventory.services import ledger
from inventory.services.ledger import Posted
from inventory.services.places import lock_wastes
from inventory.services.waste_filling import settle
from recovery.models import Run, RunSum
from recovery.services.heel import note_heel, note_uncleared
from recovery.services.run_losses import Loss, named_lines
from recovery.services.run_state import moment_in, open_run, touch


def lose(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    run: Run,
    loss: Loss,
    happened_at: datetime | None = None,
) -> Posted:
    """Book a loss of an open run when it happens, such as solvent sent to waste, with its uncertainty.

    It is an entry of its own, which can be reversed. Raises Conflict when the run is closed or was not
    started, and when the waste container is full or was collected; InputError naming to, volume, solvent
    or waste.
    """
    happened = moment_in(run, now, happened_at)
    by: dict[str, Any] = {"lab": lab, "actor": actor, "now": now}
    with transaction.atomic():
        held = open_run(run)
        if held.is_draft:
            words = Phrase("Nothing was charged to this run.")
            raise Conflict("run", "run-is-draft", words, Phrase("Book the charge first."))
        left = dict(RunSum.objects.filter(run=held).values_list("solvent_id", "held_ul"))
        lock_wastes([loss.waste.place_id] if loss.waste is not None else [])
        lines = named_lines(held, [loss], left, by, at="")
        posted = ledger.post(**by, happened_at=happened, lines=lines, holds={})
        if loss.waste is not None:
            settle(**by, waste=loss.waste, happened_at=happened, override=loss.override)
        note_heel(held)
        note_uncleared(held)
        touch(held)
    return posted
