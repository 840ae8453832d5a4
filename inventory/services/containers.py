"""Containers come, are opened, and stand somewhere."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.db import IntegrityError, transaction
from django.db.models import F, Value
from django.db.models.functions import Lower
from django.db.models.lookups import Exact

from inventory.models import Container, Lab, Location, Lot, Movement, Place, PlaceKind, Solvent, User
from inventory.rules.codes import check_code, make_code
from inventory.rules.errors import Conflict, InputError
from inventory.rules.phrases import Phrase
from inventory.rules.volume import Entry
from inventory.services import ledger, safety
from inventory.services.events import record
from inventory.services.ledger import End, Holds, Line, Posted
from inventory.services.measuring import measured, moment
from inventory.services.places import boundary, container_end
from inventory.services.readings import blends_of, lock_containers
from inventory.services.storage import NO_OVERRIDE, Override, StorageWarning, arrival_of, check

CODE_PREFIX = "SK"
ATMOSPHERES = ("air", "inert", "unknown")
CLOSURES = ("plastic-screw", "metal-screw", "glass-stopper", "septum", "other", "unknown")
SOURCES = {
    Lot.Origin.PURCHASED: PlaceKind.SUPPLIER,
    Lot.Origin.MADE_HERE: PlaceKind.MADE_HERE,
    Lot.Origin.RECOVERED: PlaceKind.BEFORE_COUNTING,
    Lot.Origin.NOT_KNOWN: PlaceKind.BEFORE_COUNTING,
}


@dataclass(frozen=True, kw_only=True)
class LotFacts:
    """What is known of a batch. `inhibited=None` means not stated and is handled as uninhibited."""

    origin: str = Lot.Origin.NOT_KNOWN.value
    maker: str = ""
    maker_lot: str = ""
    expiry_on: date | None = None
    inhibited: bool | None = None
    inhibitor: str = ""
    inhibitor_ppm: Any = None
    assay: str = ""
    made_on: date | None = None
    note: str = ""


@dataclass(frozen=True, kw_only=True)
class ContainerFacts:
    """What is known of a container. An unknown opening stays `unknown`: the worst case, not a blank."""

    code: str = ""
    capacity_ul: int
    tare_mg: int | None = None
    material: str = ""
    received_on: date | None = None
    opened: str = Container.Opened.UNKNOWN.value
    opened_on: date | None = None
    atmosphere: str = "unknown"
    closure: str = "unknown"
    location: Location | None = None
    note: str = ""


@dataclass(frozen=True)
class Received:
    container: Container
    posted: Posted | None
    warnings: tuple[StorageWarning, ...] = ()
    extra: dict[str, Any] = field(default_factory=dict)


def day_in_lab(lab: Lab, moment_: datetime) -> date:
    return moment_.astimezone(ZoneInfo(lab.time_zone)).date()


def check_facts(facts: ContainerFacts, lot: LotFacts, today: date) -> None:
    """Refuse dates that cannot be. Raises InputError naming the field."""
    dates = {
        "received_on": facts.received_on,
        "opened_on": facts.opened_on,
        "made_on": lot.made_on,
    }
    for name, day in dates.items():
        if day is not None and day > today:
            raise InputError(
                name,
                "in-the-future",
                Phrase("{day} has not come yet.", day=day),
                Phrase("Check the date."),
            )
    if facts.opened not in Container.Opened.values:
        raise InputError("opened", "unknown-choice", Phrase("Say unopened, opened or unknown."))
    if facts.opened_on is not None and facts.opened != Container.Opened.OPENED:
        raise InputError(
            "opened_on",
            "not-opened",
            Phrase("An opening date needs “opened”."),
            Phrase("Set opened, or leave the date out."),
        )
    if facts.opened_on and facts.received_on and facts.opened_on < facts.received_on:
        raise InputError(
            "opened_on",
            "before-receipt",
            Phrase("It was opened before it was received."),
            Phrase("Check both dates."),
        )
    if facts.atmosphere not in ATMOSPHERES:
        raise InputError(
            "atmosphere", "unknown-choice", Phrase("Say {part} or unknown.", part=", ".join(ATMOSPHERES[:-1]))
        )
    if facts.closure not in CLOSURES:
        raise InputError(
            "closure", "unknown-choice", Phrase("Say {part} or unknown.", part=", ".join(CLOSURES[:-1]))
        )
    if facts.capacity_ul <= 0:
        raise InputError("capacity", "not-positive", Phrase("The container needs a size above zero."))


def container_add(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    facts: ContainerFacts,
    lot: Lot | None = None,
    counting_began_at: datetime | None = None,
) -> Container:
    """Make an empty container (its content comes by a movement). Raises Conflict when its code is taken.

    counting_began_at: when its first content came in, if that is entered late.
    """
    try:
        return _container_insert(lab, actor, now, facts, lot, counting_began_at or now)
    except IntegrityError as error:
        # Two at once: the other one committed between the look and the insert.
        if facts.code and Container.objects.filter(code_is(facts.code.strip()), lab=lab).exists():
            raise _code_taken(facts.code.strip()) from error
        raise


def empty_add(*, lab: Lab, actor: User, now: datetime, facts: ContainerFacts) -> Container:
    """Make a clean, empty container that people see. It has not been opened, for nothing is in it.

    Raises InputError naming the field; Conflict when its code is taken.
    """
    if facts.opened != Container.Opened.UNKNOWN.value or facts.opened_on is not None:
        field = "opened" if facts.opened != Container.Opened.UNKNOWN.value else "opened_on"
        detail = Phrase("An empty container has no opening: that is told of what is in it.")
        raise InputError(field, "nothing-in-it", detail, Phrase("Leave it out."))
    check_facts(facts, LotFacts(), day_in_lab(lab, now))
    return container_add(lab=lab, actor=actor, now=now, facts=facts)


def code_is(code: str) -> Exact:
    """A filter for that code in any capitals, as the unique index has them."""
    return Exact(Lower(F("code")), Lower(Value(code)))


def _code_taken(code: str) -> Conflict:
    return Conflict(
        "code", "code-taken", Phrase("{code} stands here already.", code=code), Phrase("Choose another code.")
    )


def _container_insert(
    lab: Lab, actor: User, now: datetime, facts: ContainerFacts, lot: Lot | None, began_at: datetime
) -> Container:
    with transaction.atomic():
        place = Place.objects.create(lab=lab, kind=PlaceKind.CONTAINER)
        code = facts.code.strip() or make_code(place.pk, CODE_PREFIX)
        if len(code) > 24:
            raise InputError(
                "code", "too-long", Phrase("A code has at most 24 characters."), Phrase("Shorten it.")
            )
        if Container.objects.filter(code_is(code), lab=lab).exists():
            raise _code_taken(code)
        container = Container.objects.create(
            lab=lab,
            place=place,
            code=code,
            lot=lot,
            location=facts.location,
            capacity_ul=facts.capacity_ul,
            tare_mg=facts.tare_mg,
            material=facts.material,
            received_on=facts.received_on,
            opened=facts.opened,
            opened_on=facts.opened_on,
            atmosphere=facts.atmosphere,
            closure=facts.closure,
            note=facts.note,
            counting_began_at=began_at,
            created_at=now,
        )
        record(lab=lab, actor=actor, now=now, verb="container-added", subject=container, data={"code": code})
    return container


def lot_add(*, lab: Lab, now: datetime, solvent: Solvent, facts: LotFacts, times_distilled: int = 0) -> Lot:
    """Make a lot. A solvent that nobody has confirmed may be received; it is handled as the worst class."""
    if facts.origin not in Lot.Origin.values:
        raise InputError(
            "origin",
            "unknown-origin",
            Phrase("“{origin}” is not an origin.", origin=facts.origin),
            Phrase("Use {known}.", known=", ".join(Lot.Origin.values)),
        )
    return Lot.objects.create(
        lab=lab,
        solvent=solvent,
        origin=facts.origin,
        maker=facts.maker,
        maker_lot=facts.maker_lot,
        expiry_on=facts.expiry_on,
        inhibited=facts.inhibited,
        inhibitor=facts.inhibitor,
        inhibitor_ppm=facts.inhibitor_ppm,
        assay=facts.assay,
        made_on=facts.made_on,
        times_distilled=times_distilled,
        note=facts.note,
        created_at=now,
    )


def receive(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    solvent: Solvent,
    amount: str | Mapping[str, Any] | Entry,
    facts: ContainerFacts,
    lot: LotFacts,
    happened_at: datetime | None = None,
    source: End | None = None,
    override: Override = NO_OVERRIDE,
) -> Received:
    """Take a filled container into stock. The amount may not exceed its size.

    source: where it comes from; by default told by the lot's origin (bought: the supplier).
    """
    by: Any = {"lab": lab, "actor": actor, "now": now}
    happened = moment(now, happened_at)
    check_facts(facts, lot, day_in_lab(lab, now))
    if facts.received_on and facts.received_on > day_in_lab(lab, happened):
        raise InputError(
            "received_on",
            "after-receipt",
            Phrase("It came into stock before that day."),
            Phrase("Check both dates."),
        )
    if solvent.lab_id not in (None, lab.pk):
        raise InputError("solvent", "unknown-solvent", Phrase("This lab does not know that solvent."))
    volume = measured(amount, solvent, field="volume")
    origin = Lot.Origin(lot.origin) if lot.origin in SOURCES else Lot.Origin.NOT_KNOWN
    with transaction.atomic():
        safety.hold_rules(lab, solvent)
        batch = lot_add(lab=lab, now=now, solvent=solvent, facts=lot)
        container = container_add(
            lab=lab, actor=actor, now=now, facts=facts, lot=batch, counting_began_at=happened
        )
        line = Line(
            kind="receive",
            lot_id=batch.pk,
            solvent_id=solvent.pk,
            source=source or boundary(lab, SOURCES[origin]),
            destination=container_end(container),
            volume_ul=volume.volume_ul,
            u_volume_ul=volume.u_volume_ul,
            as_entered=volume.as_entered,
        )
        posted = ledger.post(
            lab=lab,
            actor=actor,
            now=now,
            happened_at=happened,
            lines=[line],
            holds={container.place_id: Holds(batch.pk, batch.pk)},
        )
        safety.refresh_due(container=container, now=now)
        container.refresh_from_db()
        arrival = arrival_of(container, container.location_id)
        warnings = check(**by, subject=container, arrivals=[arrival], override=override)
    return Received(container, posted, warnings)


def note_drawn(held: Container, *, actor: User, now: datetime, day: date) -> None:
    """Solvent left it on `day`, so it was open by then: opens a sealed one, moves a later opening back.

    Only inside a transaction, with the row locked.
    """
    if held.opened == Container.Opened.UNOPENED:
        set_opened(held, actor=actor, now=now, opened_on=safety.first_opened_on(held, day))
    elif held.opened_on is not None and held.opened_on > day:
        move_opening_back(held, actor=actor, now=now, day=day)


def move_opening_back(held: Container, *, actor: User, now: datetime, day: date | None) -> None:
    """It was open earlier than recorded, and so was all that was poured from it into other containers.

    day None: nobody knows since when. Only inside a transaction, with the row locked.
    """
    set_opened(held, actor=actor, now=now, opened_on=day)
    for taker in poured_into(held):
        if taker.opened_on is not None and (day is None or taker.opened_on > day):
            move_opening_back(taker, actor=actor, now=now, day=day)


def poured_into(giver: Container) -> list[Container]:
    """Containers that still hold something that was poured from this one, locked.

    Discarded ones too: a discard may turn out to be a mistake.
    """
    poured = Movement.objects.filter(source_id=giver.place_id, kind="pour", reversed_by=None)
    found = {
        pk
        for lot_id, place_id in poured.values_list("lot_id", "destination_id").distinct()
        for pk in Container.objects.filter(place_id=place_id, lot_id__in=blends_of(lot_id)).values_list(
            "pk", flat=True
        )
    }
    lock_containers(list(found))
    return list(Container.objects.select_related("lab").filter(pk__in=found).order_by("place_id"))


def set_opened(held: Container, *, actor: User, now: datetime, opened_on: date | None) -> None:
    """Write the opening and what follows from it. Only inside a transaction."""
    before = {"opened": held.opened, "opened_on": held.opened_on and held.opened_on.isoformat()}
    held.opened, held.opened_on = Container.Opened.OPENED, opened_on
    Container.objects.filter(pk=held.pk).update(
        opened=held.opened, opened_on=opened_on, version=F("version") + 1
    )
    data = {"before": before, "opened_on": opened_on and opened_on.isoformat()}
    record(lab=held.lab, actor=actor, now=now, verb="opened", subject=held, data=data)
    safety.refresh_due(container=held, now=now)


def code_read(text: str) -> str:
    """A typed code as it is stored: codes of our own are checked, a club's own are taken as they stand."""
    shown = text.strip().upper()
    return check_code(shown) if shown.replace("-", "").startswith(CODE_PREFIX) else text.strip()
