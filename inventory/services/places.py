"""Ends of movements: boundaries by name, containers, and locations."""

from __future__ import annotations

from collections.abc import Iterable

from django.db import connection, transaction

from inventory.models import (
    BOUNDARIES,
    Container,
    Lab,
    Location,
    LocationPath,
    Place,
    PlaceKind,
    WasteContainer,
)
from inventory.rules.errors import InputError
from inventory.rules.phrases import Phrase
from inventory.services.ledger import End


def boundary(lab: Lab, kind: str, *, field: str = "to") -> End:
    """The lab's boundary of that kind. Raises InputError for a kind that is not a boundary."""
    if kind not in BOUNDARIES:
        raise InputError(
            field,
            "unknown-place",
            Phrase("“{kind}” is not a named place.", kind=kind),
            Phrase("Use one of {known}.", known=", ".join(BOUNDARIES)),
        )
    with connection.cursor() as cursor:
        cursor.execute("SELECT id FROM inventory_place WHERE lab_id = %s AND kind = %s", [lab.pk, kind])
        row = cursor.fetchone()
    if row is None:
        raise Place.DoesNotExist(f"lab {lab.pk} has no {kind}")
    return End(row[0], kind)


def container_end(container: Container) -> End:
    return End(container.place_id, PlaceKind.CONTAINER.value)


def lock_runs(place_ids: Iterable[int]) -> None:
    """Lock runs by their places, before any container: what works their sums out must see every movement.

    Leaves rows that merely name the place alone. Only inside a transaction.
    """
    runs = Place.objects.filter(pk__in=set(place_ids), kind=PlaceKind.RUN).order_by("pk")
    list(runs.select_for_update(no_key=True).values_list("pk", flat=True))


def lock_wastes(place_ids: Iterable[int]) -> None:
    """Lock waste containers by their places, after containers and before flows. Only inside a transaction."""
    wastes = WasteContainer.objects.filter(place_id__in=set(place_ids)).order_by("place_id")
    list(wastes.select_for_update(of=("self",)).values_list("pk", flat=True))


def fold(name: str) -> str:
    """Spelling by which location names are compared."""
    return " ".join(name.split()).casefold()


def location_get(*, lab: Lab, name: str, kind: str = "other", parent: Location | None = None) -> Location:
    """The lab's location of that name, made when it is new."""
    shown = " ".join(name.split())
    if not shown or len(shown) > 120:
        raise InputError("location", "bad-name", Phrase("A location needs a name of at most 120 characters."))
    with transaction.atomic():
        location, made = Location.objects.get_or_create(
            lab=lab, folded=fold(shown), defaults={"name": shown, "kind": kind, "parent": parent}
        )
        if made:
            above = [] if parent is None else parent.paths_up.values_list("ancestor_id", flat=True)
            paths = [LocationPath(ancestor_id=pk, descendant=location) for pk in [location.pk, *above]]
            LocationPath.objects.bulk_create(paths)
    return location
