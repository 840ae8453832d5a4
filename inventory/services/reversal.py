"""A mistake is not edited: what was booked together is booked back together, naming what it reverses."""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from datetime import datetime, timedelta
from typing import Any

from django.db import IntegrityError, transaction
from django.db.models import Q, QuerySet

from inventory.models import Container, Event, Lab, Movement, Observation, PeroxideTest, User
from inventory.rules.errors import Conflict, InputError
from inventory.rules.phrases import Phrase
from inventory.services import counting, ledger, safety
from inventory.services.containers import set_opened
from inventory.services.corrections import reopen
from inventory.services.events import record
from inventory.services.ledger import End, Holds, Line, Posted
from inventory.services.loosening import signed
from inventory.services.places import lock_runs, lock_wastes
from inventory.services.readings import blends_of, lock_containers, standing_tests
from inventory.services.refreshing import refresh_all
from inventory.services.timing import lacking
from inventory.services.withdrawals import SLIP


def reverse(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    entry: uuid.UUID,
    reason: str,
    may_loosen: bool = False,
) -> Posted:
    """Book an entry back. Its microlitres must still be where it put them.

    Raises Conflict when it was reversed before, when part of it has moved on, or when it is a reversal;
    Denied when a container looks safer without it, unless a supervisor signs or it is a slip of one's own.
    """
    if not reason.strip():
        raise InputError(
            "reason", "missing", Phrase("A reversal needs a reason."), Phrase("Say what was wrong.")
        )
    with transaction.atomic():
        booked = _booked(lab, entry)
        lock_runs({p for m in booked for p in (m.source_id, m.destination_id)})
        containers = _lock_containers(booked)
        lock_wastes({p for m in booked for p in (m.source_id, m.destination_id)})
        # Read again under the locks: another reversal of the same entry may have come first.
        booked = _booked(lab, entry)
        _check_reversible(booked)
        kin = _kin(containers, booked)
        by: Any = {"lab": lab, "actor": actor, "now": now}
        with ExitStack() as signing:
            if not _is_slip(booked, containers, actor, now):
                what: Any = {"what": "Reversing an entry", "may_loosen": may_loosen, "reason": reason}
                signing.enter_context(signed([*containers, *kin], **by, **what))
            posted = _book_back(booked, containers, **by, reason=reason)
            refresh_all(kin, now)
    return posted


def _book_back(
    booked: Sequence[Movement],
    containers: Sequence[Container],
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    reason: str,
) -> Posted:
    lines = [_opposite(movement, reason.strip()) for movement in reversed(booked)]
    holds = {c.place_id: _holds(c, booked) for c in containers}
    if booked[0].kind == "discard":
        for container in containers:
            reopen(container, actor=actor, now=now, reason=reason)
    posted = _post_once(lab, actor, now, lines, holds)
    for container in containers:
        _check_held_since(container, booked[0].happened_at)
        if _changes_lot_back(holds[container.place_id], booked):
            # Its own opening day was written over when it took the other solvent: the worst is assumed.
            set_opened(container, actor=actor, now=now, opened_on=None)
        safety.refresh_due(container=container, now=now)
        if booked[0].kind in counting.KINDS:
            counting.forget_difference(container)
        data = {"entry": str(booked[0].entry), "reason": reason.strip()}
        record(lab=lab, actor=actor, now=now, verb="entry-reversed", subject=container, data=data)
    return posted


def _kin(containers: Sequence[Container], booked: Sequence[Movement]) -> list[Container]:
    """Others that hold some of what was poured: signs that came with it may leave them too."""
    lots = {m.lot_id for m in booked if m.kind == "pour"}
    kin = Container.objects.filter(lot_id__in=blends_of(*lots), discarded_at=None)
    return list(kin.exclude(pk__in=[c.pk for c in containers]).order_by("place_id"))


def _is_slip(booked: Sequence[Movement], containers: Sequence[Container], actor: User, now: datetime) -> bool:
    """Booked by the same person a moment ago, and nothing was recorded of the containers since.

    So what stands after the reversal is what stood before the entry, and nothing milder.
    """
    first, last = booked[0], max(movement.pk for movement in booked)
    if first.actor_id != actor.pk or not timedelta(0) <= now - first.recorded_at <= SLIP:
        return False
    places, ids = [c.place_id for c in containers], [c.pk for c in containers]
    moved = Movement.objects.filter(pk__gt=last).touching(places)
    later = {"container_id__in": ids, "recorded_at__gte": first.recorded_at}
    told = Event.objects.filter(subject_kind="container", subject_id__in=ids, at__gt=first.recorded_at)
    rules = Event.objects.filter(
        lab_id=first.lab_id,
        subject_kind__in=("lab", "policy", "solvent", "reagent"),
        at__gt=first.recorded_at,
    )
    tests, signs = PeroxideTest.objects.filter(**later), Observation.objects.filter(**later)
    return not any(found.exists() for found in (moved, tests, signs, told, rules))


def _check_held_since(container: Container, moment: datetime) -> None:
    """What was drawn after the entry may have been its solvent, though more came in later."""
    if lacking(container.place_id, moment) is not None:
        raise Conflict(
            "entry",
            "moved-on",
            Phrase("What came into {code} was drawn before more came in.", code=container.code),
            Phrase("Reverse the later entries first."),
        )


def _booked(lab: Lab, entry: uuid.UUID) -> list[Movement]:
    related = Movement.objects.select_related("source", "destination", "reversed_by")
    return list(related.filter(lab=lab, entry=entry).order_by("id"))


def _post_once(
    lab: Lab, actor: User, now: datetime, lines: Sequence[Line], holds: Mapping[int, Holds]
) -> Posted:
    """Post a reversal; a unique column refuses a second one where no container's lock keeps them apart."""
    try:
        with transaction.atomic():
            return ledger.post(lab=lab, actor=actor, now=now, happened_at=now, lines=lines, holds=holds)
    except IntegrityError as error:
        if Movement.objects.filter(reversal_of__in=[line.reversal_of_id for line in lines]).exists():
            raise _already_reversed() from error
        raise


def _already_reversed() -> Conflict:
    return Conflict("entry", "already-reversed", Phrase("This entry has been reversed already."))


def _check_reversible(booked: Sequence[Movement]) -> None:
    if not booked:
        raise InputError("entry", "unknown-entry", Phrase("There is no such entry in this lab."))
    if any("treatment" in movement.as_entered for movement in booked):
        raise Conflict(
            "entry",
            "is-a-treatment",
            Phrase("What was treated is a lot of its own and stays one."),
            Phrase("Withdraw the treatment, if it was never made."),
        )
    if any(movement.reversal_of_id is not None for movement in booked):
        raise Conflict(
            "entry", "is-a-reversal", Phrase("A reversal is not reversed."), Phrase("Book it anew instead.")
        )
    if any(hasattr(movement, "reversed_by") for movement in booked):
        raise _already_reversed()


def _lock_containers(booked: Sequence[Movement]) -> list[Container]:
    """The containers touched; of a pour, all that hold some of its lot are locked with them, by place."""
    places = {p for m in booked for p in (m.source_id, m.destination_id)}
    poured = blends_of(*(m.lot_id for m in booked if m.kind == "pour"))
    rows = Container.objects.filter(Q(place_id__in=places) | Q(lot_id__in=poured))
    lock_containers(list(rows.values_list("pk", flat=True)))
    return list(Container.objects.select_related("lab").filter(place_id__in=places).order_by("place_id"))


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
            Phrase("Part of what is in {code} has moved since.", code=container.code),
            Phrase("Reverse the later entries first."),
        )
    if not relabelled:
        came_in_ul = sum(m.volume_ul for m in booked if m.destination_id == container.place_id)
        empties = came_in_ul > 0 and container.volume_ul == came_in_ul
        found = _lot_before(container, first) if empties else first.lot_id
        if found != left:
            _check_untested(container, standing_tests([left]).filter(container=container))
        return Holds(left, found)
    _check_untested(container, standing_tests([left]))
    outgoing = [m for m in booked if m.kind == "blend" and m.source_id == container.place_id]
    return Holds(left, outgoing[0].lot_id)


def _check_untested(container: Container, tests: QuerySet[PeroxideTest]) -> None:
    """Readings would be left with a lot that is here no more, and a bad one would be forgotten."""
    if tests.exists():
        raise Conflict(
            "entry",
            "tested-since",
            Phrase("What is in {code} has been tested since.", code=container.code),
            Phrase("Withdraw the test first, and record it anew afterwards."),
        )


def _lot_before(container: Container, first: Movement) -> int | None:
    """The lot a container held before solvent came in: that of the last standing movement there before.

    None when it had never held anything.
    """
    found = [_last_standing(first.pk, **{end: container.place_id}) for end in ("source_id", "destination_id")]
    last = max((m for m in found if m is not None), key=lambda m: m.pk, default=None)
    return last.lot_id if last else None


def _last_standing(before: int, **end: int) -> Movement | None:
    """The last movement at one end of a place that neither is a reversal nor was reversed."""
    booked = Movement.objects.filter(pk__lt=before, **end).select_related("reversed_by").order_by("-pk")
    standing = (m for m in booked.iterator(100) if m.reversal_of_id is None and not hasattr(m, "reversed_by"))
    return next(standing, None)


def _changes_lot_back(hold: Holds, booked: Sequence[Movement]) -> bool:
    """Whether an emptied container had taken up another lot, which is undone now."""
    blended = any(m.kind == "blend" for m in booked)
    return not blended and hold.after is not None and hold.after != hold.before


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
