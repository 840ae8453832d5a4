"""Locations as a tree: paths follow every move, nothing lies in itself, only what is empty ends."""

from __future__ import annotations

import random
from typing import Any

import pytest

from inventory.models import Event, Location, LocationPath
from inventory.rules.errors import Conflict, Denied, InputError
from inventory.services import limits, locations, places
from inventory.services.audit import audit
from inventory.services.limits import OwnLimit
from inventory.services.locations import DEPTH_MAX
from inventory.services.moving import put_away
from inventory.services.storage import Override
from tests import factories as make

pytestmark = pytest.mark.django_db


@pytest.fixture
def club(db: None) -> make.Club:
    return make.club()


def by(club: make.Club) -> dict[str, Any]:
    return {"lab": club.lab, "actor": club.steward, "now": make.NOW}


def add(club: make.Club, name: str, parent: Location | None = None, kind: str = "other") -> Location:
    return locations.location_add(**by(club), name=name, kind=kind, parent=parent)


def move(club: make.Club, held: Location, parent: Location | None, **options: Any) -> Any:
    return locations.location_change(**by(club), location=held, changes={"parent": parent}, **options)


def by_hand(held: Location) -> set[int]:
    """The location and all that it lies in, walked from parent to parent."""
    found, at = {held.pk}, held.parent_id
    while at is not None:
        found.add(at)
        at = Location.objects.get(pk=at).parent_id
    return found


def test_paths_follow_many_moves(club: make.Club) -> None:
    dice = random.Random(7)
    tree = [add(club, f"L-{number}") for number in range(8)]
    refused = 0
    for _ in range(60):
        held, parent = dice.choice(tree), dice.choice([*tree, None])
        try:
            move(club, Location.objects.get(pk=held.pk), parent)
        except Conflict as error:
            assert error.code == "inside-itself"
            refused += 1
    assert 0 < refused < 60
    for held in Location.objects.all():
        stored = set(LocationPath.objects.filter(descendant=held).values_list("ancestor_id", flat=True))
        assert stored == by_hand(held)
    assert audit(lab=club.lab).clean


def test_the_audit_finds_a_path_that_is_wrong(club: make.Club) -> None:
    room = add(club, "Room")
    shelf = add(club, "Shelf", room)
    LocationPath.objects.filter(ancestor=room, descendant=shelf).delete()
    LocationPath.objects.create(ancestor=shelf, descendant=room)
    found = {finding.id for finding in audit(lab=club.lab).findings if finding.check == "location-path"}
    assert found == {f"{shelf.pk} / {room.pk}", f"{room.pk} / {shelf.pk}"}


def test_names_are_kept_apart_and_freed_at_the_end(club: make.Club) -> None:
    shelf = add(club, "Shelf")
    with pytest.raises(Conflict) as refused:
        add(club, " SHELF ")
    assert refused.value.code == "name-taken"
    other = add(club, "Other")
    with pytest.raises(Conflict):
        locations.location_change(**by(club), location=other, changes={"name": "shelf"})
    locations.location_change(
        **by(club), location=shelf, changes={"name": "Upper  shelf", "note": "by the door"}
    )
    assert Location.objects.get(pk=shelf.pk).name == "Upper shelf"
    locations.location_end(**by(club), location=shelf, reason="taken down")
    again = places.location_get(lab=club.lab, name="upper shelf")
    assert again.pk != shelf.pk
    assert list(Event.objects.filter(verb__startswith="location-").values_list("verb", flat=True)) == [
        "location-added", "location-added", "location-changed", "location-ended",
    ]  # fmt: skip


def test_only_an_empty_location_ends(club: make.Club) -> None:
    room = add(club, "Room")
    shelf = add(club, "Shelf", room)
    bottle = make.stocked(club, location=shelf)
    for held in (room, shelf):
        with pytest.raises(Conflict) as refused:
            locations.location_end(**by(club), location=held)
        assert refused.value.code == "not-empty"
    put_away(container=bottle, actor=club.member, now=make.NOW, location=room)
    locations.location_end(**by(club), location=shelf)
    with pytest.raises(InputError):
        put_away(container=bottle, actor=club.member, now=make.NOW, location=shelf)
    with pytest.raises(InputError):
        add(club, "Box", shelf)
    with pytest.raises(Conflict):
        move(club, shelf, None)


def test_a_full_shelf_is_not_moved_into_a_cabinet_that_is_too_small(club: make.Club) -> None:
    cabinet, shelf = add(club, "Cabinet", kind="cabinet"), add(club, "Shelf")
    box = add(club, "Box", shelf)
    own = OwnLimit(name="Club rule", limit_ul=1_000_000, code="club", source="the club", effect="refuse")
    limits.limit_own(**by(club), location=cabinet, limit=own)
    make.stocked(club, amount="700 mL", location=shelf)
    make.stocked(club, amount="700 mL", location=box)
    with pytest.raises(Conflict) as refused:
        move(club, shelf, cabinet)
    assert refused.value.code == "over-limit"
    assert not LocationPath.objects.filter(ancestor=cabinet, descendant=box).exists()
    move(club, box, cabinet)
    done = move(club, shelf, cabinet, override=Override("for a day only", allowed=True))
    assert [w.code for w in done.warnings] == ["over-limit"]


def test_calling_it_a_cabinet_is_signed_where_it_would_take_bottles_out_of_a_limit(club: make.Club) -> None:
    room = add(club, "Room", kind="room")
    cupboard = add(club, "Cupboard", room)
    limits.limits_apply(**by(club), location=room, templates=limits.templates_named("campus-open-lab"))
    change: dict[str, Any] = {**by(club), "location": cupboard, "changes": {"kind": "cabinet"}}
    with pytest.raises(Denied):
        locations.location_change(**change)
    signed = Override(allowed=True)
    with pytest.raises(InputError):
        locations.location_change(**change, override=signed)
    done = locations.location_change(**change, override=signed, reason="a new fire cabinet")
    assert done.location.kind == "cabinet"


def test_the_tree_is_not_endless(club: make.Club) -> None:
    at = None
    for number in range(DEPTH_MAX):
        at = add(club, f"Box {number}", at)
    with pytest.raises(Conflict, match="deep"):
        add(club, "One more", at)
