"""Where a container stands, and what speaks against carrying it there."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.db import transaction

from inventory.models import Container, Location, User
from inventory.rules.errors import InputError
from inventory.rules.phrases import Phrase
from inventory.rules.verdict import Verdict
from inventory.selectors.storage import above
from inventory.services.containers import day_in_lab
from inventory.services.events import record
from inventory.services.facts import containers_with
from inventory.services.storage import NO_OVERRIDE, Override, StorageWarning, arrival_of, check
from inventory.services.verdicts import note_use, verdicts_of_many


@dataclass(frozen=True)
class PutAway:
    """A container at its new place, and what speaks against that place.

    against: the verdict on moving it, where that says no. carried: it stood in another place by the records;
    where none was recorded, nobody knows whether it was.
    """

    container: Container
    warnings: tuple[StorageWarning, ...]
    against: Verdict | None = None
    carried: bool = False


def put_away(
    *,
    container: Container,
    actor: User,
    now: datetime,
    location: Location,
    override: Override = NO_OVERRIDE,
) -> PutAway:
    """Note where a container now stands. Raises Conflict when a storage rule refuses that.

    Where it was to be left alone, that is on record as well. Told again where it stands already, nothing is.
    """
    if location.lab_id != container.lab_id:
        raise InputError("location", "unknown-location", Phrase("This lab has no such location."))
    with transaction.atomic():
        held = Container.objects.select_for_update(of=("self",)).get(pk=container.pk)
        came_from = held.location_id
        if came_from == location.pk:
            return PutAway(held, ())
        against, carried = _moved_against(held, day_in_lab(held.lab, now)), came_from is not None
        data = {"from": came_from, "to": location.pk, "name": location.name}
        held.location, held.version = location, held.version + 1
        held.save(update_fields=["location", "version"])
        # Only now: the foreign key waits for whoever is ending that location.
        if not Location.objects.filter(pk=location.pk, ended_at=None).exists():
            raise InputError(
                "location", "unknown-location", Phrase("{name} is no longer in use.", name=location.name)
            )
        by: Any = {"lab": held.lab, "actor": actor, "now": now, "subject": held}
        record(**by, verb="put-away", data=data)
        if carried:
            at: Any = {"lab": held.lab, "actor": actor, "now": now, "container": held}
            note_use(against, **at, kind="move", happened_at=now)
        arrival = arrival_of(held, location.pk) if held.discarded_at is None else None
        warnings = check(**by, arrivals=[arrival], before=above(came_from), override=override)
    return PutAway(held, warnings, against, carried)


def _moved_against(held: Container, today: date) -> Verdict | None:
    """What speaks against moving it; None where nothing does. One that is gone is not judged."""
    if held.discarded_at is not None:
        return None
    found = verdicts_of_many(containers_with([held.pk]), today)[held.pk]["move"]
    return None if found.allowed else found
