"""Waste goes into a waste container: from a bottle, or what is in no container by the records."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.db import transaction

from inventory.models import Container, Lab, Movement, PlaceKind, Solvent, User, WasteContainer
from inventory.rules.errors import InputError
from inventory.rules.phrases import Phrase
from inventory.rules.waste import CAUTIONS, FORMER_CAUTION, FORMER_LEFT_ALONE, collect_by
from inventory.selectors import storage as look
from inventory.services import ledger
from inventory.services.containers import LotFacts, day_in_lab, lot_add
from inventory.services.ledger import Line, Posted
from inventory.services.measuring import measured, moment
from inventory.services.places import boundary
from inventory.services.storage import (
    NO_OVERRIDE,
    Override,
    StorageWarning,
    check,
    litres,
    override_refusals,
    waste_arrival,
)
from inventory.services.volumes import Amount, draw, held_lot
from inventory.services.waste import open_waste, waste_end

# Where waste may come from that is in no container by the records.
SOURCES = (PlaceKind.BEFORE_COUNTING, PlaceKind.UNACCOUNTED, PlaceKind.PRODUCT, PlaceKind.REACTION)


@dataclass(frozen=True)
class PutIn:
    """What went into a waste container, and what should be heeded."""

    waste: WasteContainer
    posted: Posted
    warnings: tuple[StorageWarning, ...]
    cautions: tuple[tuple[str, str], ...]


def admit_waste(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    waste: WasteContainer,
    solvent: Solvent,
    override: Override = NO_OVERRIDE,
    field: str = "waste",
) -> tuple[WasteContainer, tuple[StorageWarning, ...]]:
    """The waste container, locked, and what speaks against that solvent among what is in it.

    Only inside a transaction, after containers are locked. Raises Conflict when it has been collected, or
    where the two may react and nobody overrides that.
    """
    held = open_waste(waste)
    coming = look.liquid_of(solvent)
    found = []
    for _, _, inside in look.waste_liquids(lab=lab, wastes=[held.pk]):
        clash = look.clash_of(coming, inside, "together")
        if clash is not None:
            words = Phrase(
                "{one} into {code}, which holds {other}: {clash}",
                one=coming.name,
                code=held.code,
                other=inside.name,
                clash=clash.words,
            )
            found.append(
                StorageWarning("never-together", words, clash.effect, None, clash.code, clash.source)
            )
    by: Any = {"lab": lab, "actor": actor, "now": now, "subject": held}
    override_refusals(found, **by, override=override, field=field)
    return held, tuple(found)


def put_in(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    waste: WasteContainer,
    container: Container,
    amount: Amount | None = None,
    happened_at: datetime | None = None,
    note: str = "",
    override: Override = NO_OVERRIDE,
) -> PutIn:
    """Waste goes from a container into a waste container: all of it, or an amount.

    Raises Conflict when the container holds less, or the waste container has no room, has been collected, or
    holds what may react with it.
    """
    happened = moment(now, happened_at, container)
    with transaction.atomic():
        giver = Container.objects.select_for_update(of=("self",)).get(pk=container.pk)
        giver.lab = lab
        solvent = held_lot(giver).solvent
        by: Any = {"lab": lab, "actor": actor, "now": now}
        held, warnings = admit_waste(**by, waste=waste, solvent=solvent, override=override)
        posted = draw(
            **by,
            container=giver,
            amount=amount,
            destination=waste_end(held),
            happened_at=happened,
            kind="waste",
            note=note,
        )
        before = look.above(giver.location_id)
        after, more = settle(**by, waste=held, happened_at=happened, override=override, before=before)
    return PutIn(after, posted, (*warnings, *more), cautions_for(solvent))


def put_in_uncounted(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    waste: WasteContainer,
    solvent: Solvent,
    amount: Amount,
    source: str = PlaceKind.BEFORE_COUNTING.value,
    happened_at: datetime | None = None,
    note: str = "",
    override: Override = NO_OVERRIDE,
) -> PutIn:
    """Waste that stands in no container by the records: from before counting, or drawn and not used up.

    Raises as `put_in`, and InputError for a source that waste does not come from.
    """
    if source not in [kind.value for kind in SOURCES]:
        names = ", ".join(kind.value for kind in SOURCES)
        raise InputError(
            "from",
            "unknown-place",
            Phrase("“{source}” cannot be used here.", source=source),
            Phrase("Use one of {known}.", known=names),
        )
    happened = moment(now, happened_at)
    volume = measured(amount, solvent)
    with transaction.atomic():
        by: Any = {"lab": lab, "actor": actor, "now": now}
        held, warnings = admit_waste(**by, waste=waste, solvent=solvent, override=override)
        lot = lot_add(lab=lab, now=now, solvent=solvent, facts=LotFacts())
        line = Line(
            kind="waste",
            lot_id=lot.pk,
            solvent_id=solvent.pk,
            source=boundary(lab, source, field="from"),
            destination=waste_end(held),
            volume_ul=volume.volume_ul,
            u_volume_ul=volume.u_volume_ul,
            as_entered=volume.as_entered,
            note=note,
        )
        posted = ledger.post(**by, happened_at=happened, lines=[line], holds={})
        after, more = settle(**by, waste=held, happened_at=happened, override=override)
    return PutIn(after, posted, (*warnings, *more), cautions_for(solvent))


def cautions_for(solvent: Solvent, *, alone: bool = False) -> tuple[tuple[str, str], ...]:
    """(words, source) of what to heed with waste of that solvent. alone: nobody is to test its bottle."""
    former = FORMER_LEFT_ALONE if alone else FORMER_CAUTION
    return (former, *CAUTIONS) if solvent.is_former else CAUTIONS


def settle(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    waste: WasteContainer,
    happened_at: datetime,
    override: Override = NO_OVERRIDE,
    before: Collection[int] = (),
) -> tuple[WasteContainer, tuple[StorageWarning, ...]]:
    """What follows from waste that was just booked: its first day, and limits where it stands.

    Only inside the transaction of the booking. before: the locations where the liquid stood already. Raises
    as `storage.check`.
    """
    held = WasteContainer.objects.select_related("lab").get(pk=waste.pk)
    _note_first_day(held, day_in_lab(lab, happened_at))
    warnings = check(
        lab=lab,
        actor=actor,
        now=now,
        subject=held,
        arrivals=[waste_arrival(held, held.location_id)],
        before=before,
        override=override,
        field="waste",
    )
    return held, (*warnings, *_nearly_full(held))


def _note_first_day(held: WasteContainer, day: date) -> None:
    """The days count from the first waste that is in it, or from earlier where that was told."""
    told = held.started_on != day_in_lab(held.lab, held.created_at)
    entered = Movement.objects.filter(destination_id=held.place_id, reversal_of=None, reversed_by=None)
    is_first = len(entered.order_by().values("entry").distinct()[:2]) == 1
    started_on = day if is_first and not told else min(held.started_on, day)
    if started_on != held.started_on:
        held.started_on, held.collect_by = started_on, collect_by(started_on, held.days_max)
        held.save(update_fields=["started_on", "collect_by"])


def _nearly_full(held: WasteContainer) -> list[StorageWarning]:
    if held.volume_ul * 100 < held.capacity_ul * held.full_percent:
        return []
    words = f"{held.code} holds {litres(held.volume_ul)} of {litres(held.capacity_ul)}: have it collected."
    return [StorageWarning("nearly-full", words, "warn", None, f"{held.full_percent} %", "Set for it here")]
