"""Where things stand: the tree of places with what is in each against its limits, and one place."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from django.db.models import Count
from django.http import HttpResponse, StreamingHttpResponse
from django.utils.translation import gettext_lazy

from inventory.models import Container, Location, WasteContainer
from inventory.selectors import storage
from inventory.selectors.storage import Neighbours, Overview, Use
from inventory.selectors.waste import waste_here
from inventory.web.csv_out import csv_file
from inventory.web.desk import Desk, desk_page
from inventory.web.shelf import listed_in

KINDS = {
    "room": gettext_lazy("room"),
    "cabinet": gettext_lazy("cabinet for flammable liquids"),
    "shelf": gettext_lazy("shelf"),
    "fridge": gettext_lazy("fridge"),
    "other": gettext_lazy("other place"),
}
HELD_MAX = 100
CSV_COLUMNS = (
    "place", "kind", "in", "limit", "measure", "used_ul", "allowed_ul", "over_ul", "percent", "effect",
    "rule", "source",
)  # fmt: skip


@dataclass(frozen=True)
class Branch:
    """A place in the tree. deep: how far in; held: containers in it and all below it; parent: its name."""

    place: Location
    deep: int
    uses: Sequence[Use]
    held: int
    parent: str = ""

    @property
    def kind_words(self) -> str:
        return str(KINDS.get(self.place.kind, self.place.kind))

    @property
    def over(self) -> bool:
        return any(use.over_ul for use in self.uses)


def branches(found: Overview, held: Mapping[int, int]) -> list[Branch]:
    """Every place in use, each below the one that it lies in, by name. held: how many are in each itself."""
    children: dict[int | None, list[Location]] = {}
    for place in found.locations.values():
        if place.ended_at is None:
            children.setdefault(place.parent_id, []).append(place)

    def walk(parent: int | None, deep: int) -> Iterator[Branch]:
        name = "" if parent is None else found.locations[parent].name
        for place in children.get(parent, []):
            below = list(walk(place.pk, deep + 1))
            count = held.get(place.pk, 0) + sum(one.held for one in below if one.deep == deep + 1)
            yield Branch(place, deep, found.uses.get(place.pk, []), count, name)
            yield from below

    return list(walk(None, 0))


def _held(desk: Desk) -> dict[int, int]:
    """How many containers stand in each place itself."""
    rows = Container.objects.filter(lab=desk.lab, discarded_at=None, location__isnull=False)
    return dict(rows.order_by().values_list("location_id").annotate(Count("id")))


def _named(found: Overview, some: Sequence[Neighbours]) -> list[tuple[Neighbours, Location]]:
    return [(one, found.locations[one.location_id]) for one in some]


@desk_page("stock.read")
def storage_page(desk: Desk) -> HttpResponse:
    """The whole tree; what is over a limit, and what should stand apart, on top."""
    found = storage.overview(lab=desk.lab)
    tree = branches(found, _held(desk))
    nowhere = Container.objects.filter(lab=desk.lab, discarded_at=None, location=None).count()
    context = {
        "tree": tree,
        "over": [branch for branch in tree if branch.over],
        "neighbours": _named(found, found.neighbours),
        "nowhere": nowhere,
        "waste": waste_here(lab=desk.lab),
    }
    return desk.render("inventory/storage.html", context, here="more")


@desk_page("stock.read")
def storage_csv(desk: Desk) -> StreamingHttpResponse:
    """A line for each limit of each place, and one for a place without any."""
    found = storage.overview(lab=desk.lab)
    return csv_file(f"{desk.lab.slug}-storage", CSV_COLUMNS, _lines(found))


def _lines(found: Overview) -> Iterator[list[object]]:
    for branch in branches(found, {}):
        first = [branch.place.name, branch.place.kind, branch.parent]
        for use in branch.uses:
            limit = use.kept.limit
            percent = f"{use.share * 100:.1f}"
            yield [
                *(*first, limit.name, limit.measure, use.used_ul, limit.limit_ul, use.over_ul, percent),
                *(limit.effect, limit.code, limit.source),
            ]
        if not branch.uses:
            yield [*first, *[""] * (len(CSV_COLUMNS) - len(first))]


@desk_page("stock.read")
def place_page(desk: Desk, location: str) -> HttpResponse:
    """One place: its limits, its neighbours that should not be, and what stands in it and below."""
    place = desk.caller.by_id(Location.objects.select_related("parent"), location)
    found = storage.overview(lab=desk.lab)
    inside = storage.below(place.pk)
    way = [found.locations[pk] for pk in reversed(storage.way_up(place.pk, found.locations)[1:])]
    unit = storage.units(found.locations)
    shared = {unit[pk] for pk in inside}
    rows = Container.objects.filter(location__in=inside, lab=desk.lab, discarded_at=None)
    above = {use.kept.limit.id: (use, up) for up in way for use in found.uses.get(up.pk, [])}
    context = {
        "place": place,
        "kind": KINDS.get(place.kind, place.kind),
        "way": way,
        "uses": found.uses.get(place.pk, []),
        "above": list(above.values()),
        "children": [b for b in branches(found, {}) if b.place.parent_id == place.pk],
        "neighbours": _named(found, [one for one in found.neighbours if one.location_id in shared]),
        "held": listed_in(desk, inside, HELD_MAX),
        "count": rows.count(),
        "waste": WasteContainer.objects.filter(location__in=inside, collected_at=None).order_by("code"),
    }
    return desk.render("inventory/place.html", context, here="more")
