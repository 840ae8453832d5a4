"""A container leaves for licensed disposal."""

from __future__ import annotations

from datetime import date, datetime

from django.db import transaction
from django.db.models import F

from inventory.models import Container, Lab, Lot, PlaceKind, User
from inventory.rules.errors import Conflict
from inventory.rules.phrases import Phrase
from inventory.services import ledger
from inventory.services.containers import day_in_lab
from inventory.services.events import record
from inventory.services.ledger import Holds, Line, Posted
from inventory.services.measuring import CLOCK_SLACK, moment
from inventory.services.places import boundary, container_end
from inventory.services.timing import changes_since


def discard(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    container: Container,
    happened_at: datetime | None = None,
    note: str = "",
) -> Posted | None:
    """The container leaves for licensed disposal with all that is in it; it never comes back into use."""
    happened = moment(now, happened_at, container)
    with transaction.atomic():
        held = Container.objects.select_for_update(of=("self",)).select_related("lab").get(pk=container.pk)
        if held.discarded_at is not None:
            raise Conflict(
                "container",
                "container-discarded",
                Phrase("{code} has been discarded already.", code=held.code),
            )
        if happened < now and changes_since(held.place_id, happened + CLOCK_SLACK):
            raise Conflict(
                "happened_at",
                "used-since",
                Phrase("{code} was used after that.", code=held.code),
                Phrase("Check the date and time."),
            )
        posted = None
        if held.volume_ul and held.lot_id is not None:
            line = Line(
                kind="discard",
                lot_id=held.lot_id,
                solvent_id=Lot.objects.values_list("solvent_id", flat=True).get(pk=held.lot_id),
                source=container_end(held),
                destination=boundary(lab, PlaceKind.WASTE),
                # u_volume_ul stays 0: nothing was measured, the recorded balance leaves exactly.
                volume_ul=held.volume_ul,
                note=note,
            )
            holds = {held.place_id: Holds(held.lot_id, held.lot_id)}
            posted = ledger.post(
                lab=lab, actor=actor, now=now, happened_at=happened, lines=[line], holds=holds
            )
        Container.objects.filter(pk=held.pk).update(discarded_at=happened, version=F("version") + 1)
        data = {"note": note, "on": date.isoformat(day_in_lab(lab, happened))}
        record(lab=lab, actor=actor, now=now, verb="discarded", subject=held, data=data)
    return posted
