"""What is put somewhere is held against the limits there, the size of the bottle and its neighbours."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory.models import Container, Event, Location, Solvent, StorageLimit
from inventory.rules.errors import Conflict, Denied, InputError
from inventory.rules.storage import over_by_ul, total_ul
from inventory.selectors import storage as look
from inventory.services import containers, limits, locations, reversal, volumes, waste, waste_filling
from inventory.services.limits import OwnLimit
from inventory.services.moving import put_away
from inventory.services.storage import Override
from inventory.services.waste import WasteFacts
from tests import factories as make

pytestmark = pytest.mark.django_db
SIGNED = Override("the cabinet is emptied tonight", allowed=True)


class Room:
    """A room with a cabinet, in which a shelf."""

    def __init__(self) -> None:
        self.club = make.club()
        self.room = self.place("Room 1", "room")
        self.cabinet = self.place("Blue cabinet", "cabinet", self.room)
        self.shelf = self.place("Upper shelf", "shelf", self.cabinet)

    @property
    def by(self) -> dict[str, Any]:
        return {"lab": self.club.lab, "actor": self.club.steward, "now": make.NOW}

    def place(self, name: str, kind: str, parent: Location | None = None) -> Location:
        return locations.location_add(**self.by, name=name, kind=kind, parent=parent)

    def limit(self, at: Location, litres: int = 1, **facts: Any) -> StorageLimit:
        own = {
            "name": "Club rule",
            "code": "club",
            "source": "the club",
            "categories": ["1", "2", "3"],
            **facts,
        }
        return limits.limit_own(**self.by, location=at, limit=OwnLimit(limit_ul=litres * 1_000_000, **own))

    def put(self, bottle: Container, at: Location, override: Any = None) -> list[tuple[str, str]]:
        extra = {"override": override} if override else {}
        done = put_away(container=bottle, actor=self.club.member, now=make.NOW, location=at, **extra)
        return [(warning.code, warning.effect) for warning in done.warnings]


@pytest.fixture
def at(db: None) -> Room:
    return Room()


def refusal(work: Callable[[], Any]) -> str:
    with pytest.raises(Conflict) as refused:
        work()
    return refused.value.code


# -- amounts


def test_a_shelfs_bottles_count_in_its_cabinet_and_room(at: Room) -> None:
    at.limit(at.room, 1, effect="warn")
    first, second = (make.stocked(at.club, amount="600 mL") for _ in range(2))
    assert at.put(first, at.shelf) == []
    assert at.put(second, at.shelf) == [("over-limit", "warn")]
    assert Container.objects.filter(location=at.shelf).count() == 2


def test_a_refusal_names_limit_use_and_by_how_much(at: Room) -> None:
    held = at.limit(at.cabinet, 1, effect="refuse")
    first, second = (make.stocked(at.club, amount="600 mL") for _ in range(2))
    at.put(first, at.shelf)
    with pytest.raises(Conflict) as refused:
        at.put(second, at.shelf)
    assert refused.value.code == "over-limit"
    assert all(part in refused.value.detail for part in ("Club rule", "1 L", "1.2 L", "0.2 L", "(club)"))
    assert make.fresh(second).location_id is None
    limits.limit_end(**at.by, limit=held, reason="wrong room", may_loosen=True)
    assert at.put(second, at.shelf) == []


def test_a_supervisor_overrides_with_a_reason_that_is_kept(at: Room) -> None:
    held = at.limit(at.cabinet, 1, effect="refuse")
    at.put(make.stocked(at.club, amount="900 mL"), at.shelf)
    bottle = make.stocked(at.club, amount="900 mL")
    with pytest.raises(Denied):
        at.put(bottle, at.shelf, Override("no room", allowed=False))
    assert at.put(bottle, at.shelf, SIGNED) == [("over-limit", "refuse")]
    event = Event.objects.get(verb="storage-overridden")
    assert event.data["reason"] == SIGNED.reason
    assert event.data["refused"][0]["limit"] == str(held.pk)


def test_whatever_makes_the_place_no_fuller_is_never_refused(at: Room) -> None:
    bottle, other = (make.stocked(at.club, amount="900 mL") for _ in range(2))
    at.put(bottle, at.cabinet)
    at.put(other, at.cabinet)
    at.limit(at.cabinet, 1, effect="refuse")
    assert at.put(bottle, at.shelf) == [("over-limit", "refuse")]
    volumes.draw(**at.by, container=bottle, amount="50 mL", destination=at.club.end("product"))
    volumes.pour(**at.by, source=make.fresh(bottle), into=make.fresh(other), amount="50 mL")
    water = make.stocked(at.club, "water", "900 mL")
    assert at.put(water, at.shelf) == []


def test_what_is_received_poured_or_given_back_counts_too(at: Room) -> None:
    at.limit(at.cabinet, 1, effect="refuse")
    make.stocked(at.club, amount="900 mL", location=at.cabinet)
    assert refusal(lambda: make.stocked(at.club, amount="200 mL", location=at.shelf)) == "over-limit"
    outside = make.stocked(at.club, amount="500 mL")
    vessel = make.empty(at.club, location=at.shelf)
    assert refusal(lambda: volumes.pour(**at.by, source=outside, into=vessel)) == "over-limit"
    poured = volumes.pour(**at.by, source=outside, into=vessel, override=SIGNED)
    assert [w.code for w in poured.warnings] == ["over-limit"]
    back: dict[str, Any] = {"amount": "10 mL", "source": at.club.end("product")}
    assert refusal(lambda: volumes.put_back(**at.by, container=make.fresh(vessel), **back)) == "over-limit"
    assert make.fresh(vessel).volume_ul == 500_000


def test_the_published_cabinet_is_over_by_a_gallon(at: Room) -> None:
    """29 CFR 1910.106(d)(3)(i): 60 gal of category 1 to 3; 61 gal of ethyl acetate, category 2."""
    rows = limits.templates_named("osha-cabinet")
    limits.limits_apply(**at.by, location=at.cabinet, templates=rows)
    drum: dict[str, Any] = {"capacity_ul": 300_000_000}
    first = make.stocked(at.club, amount="60 US gal", **drum)
    assert at.put(first, at.cabinet) == []
    more = make.stocked(at.club, amount="1 US gal", capacity_ul=4_000_000)
    assert refusal(lambda: at.put(more, at.cabinet)) == "over-limit"
    at.put(more, at.cabinet, SIGNED)
    used = {use.kept.key: use for use in look.overview(lab=at.club.lab).uses[at.cabinet.pk]}
    over_ul = used["osha-cabinet-1-3"].over_ul
    assert abs(over_ul - 3_785_412) <= 1
    assert used["osha-cabinet-4"].used_ul == 0
    assert used["osha-cabinet-all"].over_ul == 0


def test_what_nobody_confirmed_counts_as_category_1(at: Room) -> None:
    at.limit(at.room, 1, categories=["1"], effect="refuse")
    Solvent.objects.filter(key="ethyl-acetate").update(state="unconfirmed")
    bottle = make.stocked(at.club, amount="900 mL")
    at.put(bottle, at.room)
    assert refusal(lambda: make.stocked(at.club, amount="200 mL", location=at.room)) == "over-limit"


def test_outside_a_cabinet_leaves_its_content_out(at: Room) -> None:
    at.limit(at.room, 1, outside_cabinets=True, effect="refuse")
    for _ in range(2):
        assert at.put(make.stocked(at.club, amount="900 mL"), at.shelf) == []
    assert at.put(make.stocked(at.club, amount="900 mL"), at.room) == []
    moved = Container.objects.filter(location=at.shelf).first()
    assert moved is not None
    assert refusal(lambda: at.put(moved, at.room)) == "over-limit"


# -- sizes and neighbours


def test_a_bottle_too_large_for_its_category_and_material(at: Room) -> None:
    """Table H-12: ether (category 1) in glass up to 1 pt, in metal up to 1 gal."""
    limits.limits_apply(**at.by, location=at.room, templates=limits.templates_named("osha-h12"))
    sizes: dict[str, Any] = {"amount": "100 mL", "capacity_ul": 1_000_000}
    glass = make.stocked(at.club, "diethyl-ether", material="amber glass", **sizes)
    can = make.stocked(at.club, "diethyl-ether", material="metal can", **sizes)
    unknown = make.stocked(at.club, "diethyl-ether", **sizes)
    small = make.stocked(at.club, "diethyl-ether", "100 mL", capacity_ul=500_000, material="glass")
    assert at.put(glass, at.shelf) == [("container-too-large", "warn")]
    assert at.put(can, at.shelf) == []
    assert at.put(unknown, at.shelf) == [("container-too-large", "warn")]
    assert at.put(small, at.shelf) == []
    uses = {use.kept.key: use for use in look.overview(lab=at.club.lab).uses[at.room.pk]}
    held = uses["osha-h12-glass-or-plastic-1"]
    assert (set(held.too_large), held.over_ul) == ({glass.code, unknown.code}, 500_000)


def test_neighbours_in_a_cabinet_and_not_across(at: Room) -> None:
    at.put(make.stocked(at.club, "acetic-acid"), at.cabinet)
    other = at.place("Red cabinet", "cabinet", at.room)
    pyridine = make.stocked(at.club, "pyridine")
    assert at.put(pyridine, other) == []
    assert at.put(pyridine, at.shelf) == [("stands-apart", "warn")]
    (found,) = look.overview(lab=at.club.lab).neighbours
    assert (found.location_id, found.one.key, found.other.key) == (at.cabinet.pk, "acetic-acid", "pyridine")


def test_a_liquid_nobody_grouped_asks_for_a_place_of_its_own(at: Room) -> None:
    own = Solvent.objects.get(key="n-hexane", lab=None)
    own.pk, own.lab, own._state.adding = None, at.club.lab, True
    own.save()
    received = containers.receive(
        **at.by,
        solvent=own,
        amount="100 mL",
        facts=containers.ContainerFacts(capacity_ul=1_000_000),
        lot=containers.LotFacts(),
    )
    assert at.put(received.container, at.shelf) == []
    assert at.put(make.stocked(at.club, "water"), at.shelf) == [("stands-apart", "warn")]


# -- limits


def test_tightening_is_free_and_loosening_is_signed(at: Room) -> None:
    held = at.limit(at.cabinet, 2, effect="refuse")

    def change(signed: bool = False, reason: str = "", **changes: Any) -> StorageLimit:
        return limits.limit_change(**at.by, limit=held, changes=changes, may_loosen=signed, reason=reason)

    assert change(limit_ul=1_000_000).limit_ul == 1_000_000
    for looser in ({"limit_ul": 1_000_001}, {"effect": "warn"}):
        with pytest.raises(Denied):
            change(reason="x", **looser)
        with pytest.raises(InputError):
            change(signed=True, **looser)
    change(signed=True, reason="another cabinet", limit_ul=3_000_000)
    event = Event.objects.get(verb="limit-loosened")
    assert (event.data["before"]["limit_ul"], event.data["reason"]) == (1_000_000, "another cabinet")
    with pytest.raises(Denied):
        limits.limit_end(**at.by, limit=held, reason="x", may_loosen=False)
    limits.limit_end(**at.by, limit=held, reason="the cabinet is gone", may_loosen=True)
    assert refusal(lambda: change(limit_ul=1)) == "limit-ended"


def test_a_changed_figure_no_longer_passes_for_the_published_one(at: Room) -> None:
    (row,) = limits.limits_apply(**at.by, location=at.room, templates=limits.templates_named("uk-workroom"))
    changed = limits.limit_change(**at.by, limit=row, changes={"limit_ul": 1_000_000})
    assert (row.key, changed.key) == ("uk-workroom", "")
    assert changed.source.endswith("figure changed here")


def test_figures_by_area_and_what_does_not_fit(at: Room) -> None:
    rows = limits.templates_named("nfpa45-c")
    made = limits.limits_apply(**at.by, location=at.room, templates=rows, area_m2=Decimal("92.90304"))
    figures = {row.key: row.limit_ul for row in made}
    assert figures["nfpa45-c-1"] == 151_416_471  # 40 gal
    assert figures["nfpa45-c-unit-1"] == 1_135_623_535  # 300 gal
    assert refusal(lambda: limits.limits_apply(**at.by, location=at.room, templates=rows, area_m2=Decimal(9)))
    with pytest.raises(InputError, match="in a cabinet"):
        limits.limits_apply(**at.by, location=at.shelf, templates=limits.templates_named("campus-open-lab"))
    wrongs: dict[str, Any] = {"categories": ["5"], "effect": "ask", "source": " ", "materials": ["glass"]}
    for name, wrong in wrongs.items():
        with pytest.raises(InputError) as refused:
            at.limit(at.room, **{name: wrong})
        assert refused.value.field == name
    with pytest.raises(InputError):
        limits.templates_named("no-such-row")


# -- use


def test_use_agrees_with_the_rules_and_costs_the_same_however_much_stands_there(at: Room) -> None:
    """The statement against the plain rules, over every category and limit."""
    limits.limits_apply(**at.by, location=at.cabinet, templates=limits.templates_named("osha-cabinet"))
    limits.limits_apply(**at.by, location=at.room, templates=limits.templates_named("ifc"))
    limits.limits_apply(**at.by, location=at.room, templates=limits.templates_named("osha-outside"))
    limits.limits_apply(**at.by, location=at.room, templates=limits.templates_named("osha-h12"))
    keys = list(Solvent.objects.filter(lab=None).order_by("key").values_list("key", flat=True))
    places = [at.room, at.cabinet, at.shelf]
    counts = []
    for start in (0, 12, 24):
        for number, key in enumerate(keys[start : start + 12]):
            make.stocked(at.club, key, f"{number + 1} mL", location=places[number % 3])
        with CaptureQueriesContext(connection) as asked:
            found = look.overview(lab=at.club.lab)
        counts.append(len(asked))
        _agrees(at, found)
    assert len(set(counts)) == 1
    assert counts[0] <= 6


def _agrees(at: Room, found: look.Overview) -> None:
    held = Container.objects.select_related("lot__solvent", "location").filter(location__isnull=False)
    stands = []
    for bottle in held:
        assert bottle.lot is not None
        stand = look.stand_of(
            bottle.lot.solvent,
            code=bottle.code,
            volume_ul=bottle.volume_ul,
            capacity_ul=bottle.capacity_ul,
        )
        stands.append((bottle.location_id, stand))
    inside = {at.room.pk: (at.room, at.cabinet, at.shelf), at.cabinet.pk: (at.cabinet, at.shelf)}
    for location, uses in found.uses.items():
        below = {place.pk for place in inside[location]}
        for use in uses:
            limit = use.kept.limit
            out = {at.room.pk} if limit.outside_cabinets else below
            there = [stand for pk, stand in stands if pk in below & out]
            if limit.measure == "total":
                assert use.used_ul == total_ul(limit, there), limit.name
                assert use.over_ul == over_by_ul(limit, there)


def test_waste_counts_in_its_cabinet_whole_and_a_reversal_takes_it_out(at: Room) -> None:
    at.limit(at.cabinet, 1, categories=["1"], effect="warn")
    drum = waste.waste_add(
        **at.by, facts=WasteFacts(stream="halogen-free", capacity_ul=5_000_000, location=at.cabinet)
    )
    put: dict[str, Any] = {"waste": drum, "amount": "600 mL"}
    water = make.stocked(at.club, "water", "900 mL")
    assert waste_filling.put_in(**at.by, container=water, **put).posted.entry
    ether = make.stocked(at.club, "diethyl-ether", "900 mL")
    done = waste_filling.put_in(**at.by, container=ether, **put)
    assert ("over-limit", "warn") in [(w.code, w.effect) for w in done.warnings]
    (use,) = look.overview(lab=at.club.lab).uses[at.cabinet.pk]
    assert use.used_ul == 1_200_000
    reversal.reverse(**at.by, entry=done.posted.entry, reason="wrong can")
    (use,) = look.overview(lab=at.club.lab).uses[at.cabinet.pk]
    assert use.used_ul == 0
