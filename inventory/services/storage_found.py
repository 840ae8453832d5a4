"""What is found to stand somewhere is booked whatever the limits say, and each that it exceeds is named."""

from __future__ import annotations

from collections.abc import Collection

from django.db import connection

from inventory.models import Container, Lab, LocationPath
from inventory.selectors.storage import limits_in_force, used_ul
from inventory.selectors.storage_use import OVER_SQL
from inventory.services.storage import StorageWarning, amounts_at, arrival_of, litres


def found_in(container: Container) -> tuple[StorageWarning, ...]:
    """The limits on an amount that are exceeded where a container stands, as it stands now."""
    arrival = arrival_of(container, container.location_id)
    return () if arrival is None else amounts_at(container.lab, arrival)


def exceeded(*, lab: Lab, locations: Collection[int]) -> list[StorageWarning]:
    """The limits that hold in any of these locations and are exceeded now, by a fixed number of queries."""
    way = LocationPath.objects.filter(descendant_id__in=locations).values_list("ancestor_id", flat=True)
    over = _over(lab)
    kept = [one.limit for one in limits_in_force(lab=lab, locations=set(way)) if one.limit.id in over]
    used = used_ul(lab=lab, limits=[limit.id for limit in kept])
    found = []
    for limit in kept:
        allowed = f"{limit.name}: at most {litres(limit.limit_ul)} ({limit.code})"
        if limit.measure == "container":
            code, words = "container-too-large", f"{allowed}; a container there is larger."
        else:
            code, words = "over-limit", f"{allowed}; that makes {litres(used.get(limit.id, 0))}."
        found.append(StorageWarning(code, words, limit.effect, limit.id, limit.code, limit.source))
    return found


def _over(lab: Lab) -> set[int]:
    sql = "SELECT s.id FROM inventory_storagelimit s WHERE s.lab_id = %s AND s.ended_at IS NULL"
    with connection.cursor() as cursor:
        cursor.execute(f"{sql} AND {OVER_SQL}", [lab.pk])
        return {pk for (pk,) in cursor.fetchall()}
