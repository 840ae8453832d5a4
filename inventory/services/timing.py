"""What is entered late must fit what happened since: no container holds less than nothing at any time."""

from __future__ import annotations

from collections import defaultdict
from datetime import datetime

from django.db.models import Q

from inventory.models import Container, Movement
from inventory.rules.errors import Conflict
from inventory.rules.phrases import Phrase
from inventory.services.measuring import CLOCK_SLACK


def changes_since(place_id: int, moment: datetime) -> list[tuple[datetime, int]]:
    """(when, µl in less out) of a container for each time after `moment`, latest first.

    What was reversed counts as never having happened, and so does its reversal.
    """
    booked = Movement.objects.filter(
        Q(source_id=place_id) | Q(destination_id=place_id), happened_at__gt=moment
    ).values_list("happened_at", "destination_id", "volume_ul", "reversal_of_id", "reversed_by")
    changes: dict[datetime, int] = defaultdict(int)
    for when, destination_id, volume_ul, reverses, reversed_by in booked:
        # Sorted out here: SQLite would rather start from the index of what is no reversal.
        if reverses is None and reversed_by is None:
            changes[when] += volume_ul if destination_id == place_id else -volume_ul
    return sorted(changes.items(), reverse=True)


def lacking(place_id: int, moment: datetime) -> datetime | None:
    """The last time since `moment` up to which a container, as it now stands, held less than nothing.

    None when it never did.
    """
    changes = changes_since(place_id, moment)
    if not changes:
        return None
    held_ul = Container.objects.values_list("volume_ul", flat=True).get(place_id=place_id)
    for when, change_ul in changes:
        held_ul -= change_ul  # what it held just before
        if held_ul < 0:
            return when
    return None


def fitting(happened_at: datetime, place_id: int) -> datetime:
    """The time of an outflow that has been taken off the balance, with the row locked.

    That is `happened_at`, or a little later where two clocks may differ. Raises Conflict when the container
    held too little then.
    """
    until = lacking(place_id, happened_at)
    if until is None or until <= happened_at + CLOCK_SLACK:
        return until or happened_at
    code = Container.objects.values_list("code", flat=True).get(place_id=place_id)
    raise Conflict(
        "happened_at",
        "not-enough-then",
        Phrase("{code} did not hold that much at that time: part of it came in later.", code=code),
        Phrase("Check the date and time, and the amount."),
    )
