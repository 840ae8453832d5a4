"""A mistake is not edited: what was booked together is booked back together, naming what it reverses."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from datetime import datetime

from django.db import transaction

from inventory.models import Container, Lab, Movement, User
from inventory.rules.errors import Conflict, InputError
from inventory.services import ledger, safety
from inventory.services.events import record
from inventory.services.ledger import End, Holds, Line, Posted


def reverse(*, lab: Lab, actor: User, now: datetime, entry: uuid.UUID, reason: str) -> Posted:
    """Book an entry back. Its microlitres must still be where it put them.

    Raises Conflict when it was reversed before, when part of it has moved on, or when it is a reversal.
    """
    if not reason.strip():
        raise InputError("reason", "missing", "A reversal needs a reason.", "Say what was wrong.")
    with transaction.atomic():
        booked = list(
            Movement.objects.select_related("source", "destination", "reversed_by")
            .filter(lab=lab, entry=entry)
            .order_by("id")
        )
        _check_reversible(booked)
        containers = _lock_containers(booked)
        lines = [_opposite(movement, reason.strip()) for movement in reversed(booked)]
        posted = ledger.post(
            lab=lab,
            actor=actor,
            now=now,
            happened_at=now,
            lines=lines,
            holds={c.place_id: _holds(c, booked) for c in containers},
        )
        for container in containers:
            safety.refresh_due(container=container, now=now)
            data = {"entry": str(entry), "reason": reason.strip()}
            record(lab=lab, actor=actor, now=now, verb="entry-reversed", subject=container, data=data)
    return posted


def _check_reversible(booked: Sequence[Movement]) -> None:
    if not booked:
        raise InputError("entry", "unknown-entry", "There is no such entry in this lab.")
    if any(movement.reversal_of_id is not None for movement in booked):
        raise Conflict("entry", "is-a-reversal", "A reversal is not reversed.", "Book it anew instead.")
    if any(hasattr(movement, "reversed_by") for movement in booked):
        raise Conflict("entry", "already-reversed", "This entry has been reversed already.")


def _lock_containers(booked: Sequence[Movement]) -> list[Container]:
    places = {p for m in booked for p in (m.source_id, m.destination_id)}
    return list(
        Container.objects.select_for_update(of=("self",))
        .select_related("lab")
        .filter(place_id__in=places)
        .order_by("place_id")
    )


def _holds(container: Container, booked: Sequence[Movement]) -> Holds:
    """The lot the entry left in a container, and the lot it found there.

    A blend can only be parted while nothing of it has moved on: afterwards nobody can say which lot left.
    """
    first = next(m for m in booked if container.place_id in (m.source_id, m.destination_id))
    last = next(m for m in reversed(booked) if container.place_id in (m.source_id, m.destination_id))
    left = last.lot_id
    relabelled = [m for m in booked if m.kind == "blend" and m.destination_id == container.place_id]
    if relabelled and container.volume_ul != relabelled[-1].volume_ul:
        raise Conflict(
            "entry",
            "moved-on",
            f"Part of what is in {container.code} has moved since.",
            "Reverse the later entries first.",
        )
    if not relabelled:
        return Holds(left, first.lot_id)
    outgoing = [m for m in booked if m.kind == "blend" and m.source_id == container.place_id]
    return Holds(left, outgoing[0].lot_id)


def _opposite(movement: Movement, reason: str) -> Line:
    return Line(
        kind="reversal",
        lot_id=movement.lot_id,
        solvent_id=movement.solvent_id,
        source=End(movement.destination_id, movement.destination.kind),
        destination=End(movement.source_id, movement.source.kind),
        volume_ul=movement.volume_ul,
        u_volume_ul=movement.u_volume_ul,
        reversal_of_id=movement.pk,
        month=movement.flow_month,
        note=reason,
    )
