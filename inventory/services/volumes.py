"""Volumes move: drawn, put back, poured over, counted, weighed, discarded."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date, datetime
from typing import Any

from django.db import transaction

from inventory.models import Container, Lab, Lot, Movement, PlaceKind, User
from inventory.rules.errors import Conflict, InputError
from inventory.rules.phrases import Phrase
from inventory.rules.volume import Entry, Measured
from inventory.selectors.storage import above
from inventory.services import ledger, quarantine, safety
from inventory.services.containers import day_in_lab, note_drawn, set_opened
from inventory.services.counting import count as count
from inventory.services.counting import weigh as weigh
from inventory.services.disposal import discard as discard
from inventory.services.ledger import End, Holds, Line, Posted
from inventory.services.measuring import measured, moment
from inventory.services.places import boundary, container_end
from inventory.services.pouring import MADE, Inflow, plan_inflow
from inventory.services.storage import NO_OVERRIDE, Override, check_inflow
from inventory.services.verdicts import drawing_verdict, note_use

Amount = str | Mapping[str, Any] | Entry
# A draw or a put-back outside a run may touch only these boundaries.
BENCH_ENDS = (PlaceKind.UNACCOUNTED, PlaceKind.REACTION, PlaceKind.PRODUCT, PlaceKind.WASTE, PlaceKind.AIR)


def held_lot(container: Container) -> Lot:
    """The lot in a container, or Conflict when it is empty."""
    if container.lot is None or container.volume_ul == 0:
        raise Conflict(
            "container",
            "container-empty",
            Phrase("{code} is empty by the records.", code=container.code),
            Phrase("Count it first."),
        )
    return container.lot


def bench_end(lab: Lab, kind: str, *, field: str) -> End:
    """A boundary that solvent may go to or come from without a run."""
    if kind not in [end.value for end in BENCH_ENDS]:
        names = ", ".join(end.value for end in BENCH_ENDS)
        raise InputError(
            field,
            "unknown-place",
            Phrase("“{kind}” cannot be used here.", kind=kind),
            Phrase("Use one of {names}.", names=names),
        )
    return boundary(lab, kind, field=field)


def draw(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    container: Container,
    amount: Amount | None,
    destination: End,
    happened_at: datetime | None = None,
    kind: str = "draw",
    note: str = "",
) -> Posted:
    """Take solvent out. A sealed container is opened by it, and its clock starts that day.

    What the verdict said against it is kept in an event: what was done is recorded all the same.

    amount None: all of it, of a container whose row is locked. Raises Conflict when the container holds less,
    another lot by now, or nothing.
    """
    happened = moment(now, happened_at, container)
    lot = held_lot(container)
    volume = _all_of(container) if amount is None else measured(amount, lot.solvent)
    line = Line(
        kind=kind,
        lot_id=lot.pk,
        solvent_id=lot.solvent_id,
        source=container_end(container),
        destination=destination,
        volume_ul=volume.volume_ul,
        u_volume_ul=volume.u_volume_ul,
        as_entered=volume.as_entered,
        note=note,
    )
    day = day_in_lab(lab, happened)
    with transaction.atomic():
        spoken = drawing_verdict(container, day)
        posted = ledger.post(
            lab=lab,
            actor=actor,
            now=now,
            happened_at=happened,
            lines=[line],
            holds={container.place_id: Holds(lot.pk, lot.pk)},
        )
        note_use(spoken, lab=lab, actor=actor, now=now, container=container, kind=kind, happened_at=happened)
        if container.opened == Container.Opened.UNOPENED or (container.opened_on or day) > day:
            # The posting holds the row's lock; what was read before it may be stale.
            note_drawn(Container.objects.get(pk=container.pk), actor=actor, now=now, day=day)
    return posted


def put_in(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    happened_at: datetime,
    into: Container,
    inflow: Inflow,
    override: Override = NO_OVERRIDE,
) -> Posted:
    """Book an inflow into a container and what it does to its safety facts. Only inside a transaction.

    Raises Conflict when a storage rule refuses so much, or that liquid, where the container stands.
    """
    day = day_in_lab(lab, happened_at)
    held = Container.objects.select_for_update(of=("self",)).select_related("lab").get(pk=into.pk)
    was_filled = held.volume_ul > 0
    plan = plan_inflow(into=held, inflow=inflow, now=now, day=day)
    posted = ledger.post(
        lab=lab,
        actor=actor,
        now=now,
        happened_at=happened_at,
        lines=plan.lines,
        holds={held.place_id: plan.holds},
    )
    held.refresh_from_db()
    opened_on = None if plan.opened_on is None else min(plan.opened_on, day)
    if (held.opened, held.opened_on) != (Container.Opened.OPENED, opened_on):
        set_opened(held, actor=actor, now=now, opened_on=opened_on)
    else:
        safety.refresh_due(container=held, now=now)
    warnings = check_inflow(held, was_filled, lab=lab, actor=actor, now=now, override=override)
    return replace(posted, warnings=warnings)


def put_back(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    container: Container,
    amount: Amount,
    source: End,
    lot: Lot | None = None,
    happened_at: datetime | None = None,
    note: str = "",
    override: Override = NO_OVERRIDE,
) -> Posted:
    """Unused solvent comes back into a container, by default the lot that it holds."""
    happened = moment(now, happened_at, container)
    batch = lot or container.lot
    if batch is None:
        raise Conflict(
            "container",
            "lot-not-known",
            Phrase("{code} never held anything.", code=container.code),
            Phrase("Pour over instead."),
        )
    volume = measured(amount, batch.solvent)
    day = day_in_lab(lab, happened)
    opened_on = _open_since(container, batch, day) if lot else container.opened_on
    inflow = Inflow(
        kind="put-back",
        lot=batch,
        source=source,
        volume_ul=volume.volume_ul,
        u_volume_ul=volume.u_volume_ul,
        as_entered=volume.as_entered,
        opened_on=opened_on,
        note=note,
    )
    with transaction.atomic():
        return put_in(
            lab=lab,
            actor=actor,
            now=now,
            happened_at=happened,
            into=container,
            inflow=inflow,
            override=override,
        )


def _open_since(container: Container, lot: Lot, day: date) -> date | None:
    """The day from which solvent of a lot counts as open when nobody says which bottle it came from."""
    if lot.origin in MADE:
        return day  # its clock runs from the day it was made, wherever it stands
    went_to = Movement.objects.filter(lot=lot, destination__kind=PlaceKind.CONTAINER).values("destination_id")
    holders = Container.objects.select_related("lab").filter(place_id__in=went_to)
    if any(holder.lot_id != lot.pk for holder in holders):
        return None  # one that has been refilled no longer tells since when the lot was open in it
    opened = [h for h in holders if h.opened != Container.Opened.UNOPENED]
    days = [safety.counts_open_since(holder) for holder in opened]
    return min((d for d in days if d), default=None) if None not in days else None


def pour(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    source: Container,
    into: Container,
    amount: Amount | None = None,
    happened_at: datetime | None = None,
    note: str = "",
    override: Override = NO_OVERRIDE,
) -> Posted:
    """Pour from one container into another: all of it, or an amount. Unlike lots become a blend lot.

    The poured liquid brings its age along: the receiving container counts as opened no later.
    """
    happened = moment(now, happened_at, source, into)
    if source.pk == into.pk:
        raise InputError("into", "same-container", Phrase("A container cannot be poured into itself."))
    with transaction.atomic():
        locked = {
            c.pk: c
            # Never joined to its lot here: a row that changed while waiting would come without its new lot.
            for c in Container.objects.select_for_update(of=("self",))
            .select_related("lab")
            .filter(lab=lab, pk__in=[source.pk, into.pk])
            .order_by("place_id")
        }
        if len(locked) != 2:
            raise InputError("into", "unknown-container", Phrase("This lab has no such container."))
        giver, taker = locked[source.pk], locked[into.pk]
        lot, day = held_lot(giver), day_in_lab(lab, happened)
        spoken = drawing_verdict(giver, day)
        volume = _all_of(giver) if amount is None else measured(amount, lot.solvent)
        note_drawn(giver, actor=actor, now=now, day=day)
        inflow = Inflow(
            kind="pour",
            lot=lot,
            source=container_end(giver),
            volume_ul=volume.volume_ul,
            u_volume_ul=volume.u_volume_ul,
            as_entered=volume.as_entered,
            opened_on=safety.counts_open_since(giver),
            note=note,
        )
        was_filled = taker.volume_ul > 0
        posted = _pour_locked(lab, actor, now, happened, giver, taker, inflow)
        note_use(spoken, lab=lab, actor=actor, now=now, container=giver, kind="pour", happened_at=happened)
        by: Any = {"lab": lab, "actor": actor, "now": now, "before": above(giver.location_id)}
        warnings = check_inflow(taker, was_filled, **by, override=override, field="into")
    return replace(posted, warnings=warnings)


def _all_of(container: Container) -> Measured:
    # Nothing was measured: the recorded balance moves, exactly, and adds no uncertainty of its own.
    return Measured(container.volume_ul, 0, {"all": True})


def _pour_locked(
    lab: Lab,
    actor: User,
    now: datetime,
    happened: datetime,
    giver: Container,
    taker: Container,
    inflow: Inflow,
) -> Posted:
    day = day_in_lab(lab, happened)
    plan = plan_inflow(into=taker, inflow=inflow, now=now, day=day)
    holds = {giver.place_id: Holds(giver.lot_id, giver.lot_id), taker.place_id: plan.holds}
    posted = ledger.post(lab=lab, actor=actor, now=now, happened_at=happened, lines=plan.lines, holds=holds)
    if not taker.volume_ul:
        Container.objects.filter(pk=taker.pk).update(received_on=giver.received_on)
    taker.refresh_from_db()
    quarantine.follow(giver=giver, taker=taker, lab=lab, actor=actor, now=now)
    opened_on = None if plan.opened_on is None else min(plan.opened_on, day)
    set_opened(taker, actor=actor, now=now, opened_on=opened_on)
    return posted
