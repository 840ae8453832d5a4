"""What is entered late must fit what happened since: no container holds less than nothing at any time."""

from __future__ import annotations

from collections import defaultdict
from datetime import datetime

from django.db.models import Q

from inventory.models import Container, Movement
from inventory.rules.errors import Conflict
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


def fitting(happened_at: datetime, place_id: int) -> datetime:
    """The time from which a container, as it now stands, never held less than nothing.

    That is `happened_at`, or a little later where two clocks may differ. To be asked after an outflow has
    been taken off the balance, with the row locked. Raises Conflict when the container held too little then.
    """
    changes = changes_since(place_id, happened_at)
    if not changes:
        return happened_at
    code, held_ul = Container.objects.values_list("code", "volume_ul").get(place_id=place_id)
    for when, change_ul in changes:
        held_ul -= change_ul  # what it held just before
        if held_ul < 0:
            if when <= happened_at + CLOCK_SLACK:
                return when
            raise Conflict(
                "happened_at",
                "not-enough-then",
                f"{code} did not hold that much at that time: part of it came in later.",
                "Check the date and time, and the amount.",
            )
    return happened_at
