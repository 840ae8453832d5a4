"""Pouring over: adopted, added to its like, blended, or refused."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from inventory.models import Container, Lot, LotParent, Movement
from inventory.rules.errors import Conflict, InputError
from inventory.services import pouring, volumes
from tests import factories as make
from tests.factories import day

pytestmark = pytest.mark.django_db
THF = "tetrahydrofuran"


@pytest.fixture
def club() -> make.Club:
    return make.club()


def pour(club: make.Club, source: Container, into: Container, amount: str | None = None) -> Any:
    return volumes.pour(
        lab=club.lab, actor=club.member, now=make.NOW, source=make.fresh(source), into=make.fresh(into),
        amount=amount,
    )  # fmt: skip


def lot_of(container: Container) -> Lot:
    lot = make.fresh(container).lot
    assert lot is not None
    return lot


def test_an_empty_container_takes_the_lot_and_its_age(club: make.Club) -> None:
    source = make.stocked(club, THF, "500 mL", received_on=day("2026-02-01"))
    into = make.empty(club)
    posted = pour(club, source, into, "200 mL")
    held = make.fresh(into)
    assert (held.volume_ul, held.lot_id) == (200_000, source.lot_id)
    assert (held.opened, held.opened_on, held.received_on) == ("opened", day("2026-02-01"), day("2026-02-01"))
    assert len(posted.movement_ids) == 1
    assert make.fresh(source).volume_ul == 300_000


def test_the_same_lot_comes_together_again(club: make.Club) -> None:
    source, into = make.stocked(club, THF, "500 mL"), make.empty(club)
    pour(club, source, into, "200 mL")
    pour(club, source, into, "50 mL")
    assert make.fresh(into).volume_ul == 250_000
    assert lot_of(into) == lot_of(source)
    assert not LotParent.objects.exists()


def test_unlike_lots_make_a_blend_that_is_as_bad_as_the_worse(club: make.Club) -> None:
    better: dict[str, Any] = {"inhibited": True, "inhibitor": "BHT", "inhibitor_ppm": Decimal(250)}
    one = make.stocked(
        club, THF, "300 mL", expiry_on=day("2027-01-01"), received_on=day("2026-01-05"), **better
    )
    two = make.stocked(
        club, THF, "200 mL", expiry_on=day("2026-11-30"), inhibited=True, inhibitor="BHT",
        inhibitor_ppm=Decimal(50),
    )  # fmt: skip
    parents = {one.lot_id: 100_000, two.lot_id: 200_000}
    posted = pour(club, one, two, "100 mL")
    blend = lot_of(two)
    assert (blend.origin, blend.made_on, blend.expiry_on) == ("blend", make.TODAY, day("2026-11-30"))
    assert (blend.inhibited, blend.inhibitor, blend.inhibitor_ppm) == (True, "BHT", Decimal(50))
    assert dict(blend.parents.values_list("parent_id", "volume_ul")) == parents
    held = make.fresh(two)
    assert (held.volume_ul, held.opened_on) == (300_000, day("2026-01-05"))
    lines = Movement.objects.filter(entry=posted.entry).order_by("pk")
    assert [(m.source.kind, m.destination.kind, m.volume_ul) for m in lines] == [
        ("container", "container", 100_000),
        ("container", "blending", 200_000),
        ("container", "blending", 100_000),
        ("blending", "container", 300_000),
    ]
    assert set(pouring.lots_behind(blend.pk)) == {blend.pk, one.lot_id, two.lot_id}


@pytest.mark.parametrize(
    ("one", "other", "blend"),
    [
        ({"inhibited": True}, {"inhibited": True}, True),
        ({"inhibited": True}, {"inhibited": None}, None),
        ({"inhibited": True}, {"inhibited": False}, False),
        ({"inhibited": None}, {"inhibited": False}, False),
        ({"inhibited": True}, {"inhibited": True, "origin": "not-known"}, None),
        ({"inhibited": True}, {"inhibited": True, "origin": "recovered", "made_on": make.TODAY}, False),
        ({"inhibited": True}, {"inhibited": True, "origin": "made-here", "made_on": make.TODAY}, False),
    ],
)
def test_what_a_blend_believes_of_inhibitors(
    club: make.Club, one: dict[str, Any], other: dict[str, Any], blend: bool | None
) -> None:
    into = make.stocked(club, THF, "100 mL", **one)
    pour(club, make.stocked(club, THF, "50 mL", **other), into)
    assert lot_of(into).inhibited is blend


@pytest.mark.parametrize(
    ("giver", "taker", "expected"),
    [
        ({"received_on": day("2026-01-05")}, {}, day("2026-01-05")),
        ({}, {"received_on": day("2026-01-05")}, day("2026-01-05")),
        ({"opened": "unknown"}, {}, None),
        ({}, {"opened": "unknown"}, None),
        ({"opened": "unopened"}, {"opened": "unopened"}, make.TODAY),
        ({"origin": "recovered", "made_on": day("2026-02-02")}, {}, day("2026-02-02")),
        ({}, {"origin": "recovered", "made_on": None}, None),
    ],
)
def test_since_when_a_blend_counts_as_open(
    club: make.Club, giver: dict[str, Any], taker: dict[str, Any], expected: Any
) -> None:
    source, into = make.stocked(club, THF, "50 mL", **giver), make.stocked(club, THF, "100 mL", **taker)
    pour(club, source, into)
    held = make.fresh(into)
    assert (held.opened, held.opened_on) == ("opened", expected)
    assert make.fresh(source).opened != "unopened", "pouring opens the bottle it comes from"


def test_unlike_solvents_are_never_put_together(club: make.Club) -> None:
    one, two = make.stocked(club, THF, "100 mL"), make.stocked(club, "chloroform", "100 mL")
    with pytest.raises(Conflict) as refusal:
        pour(club, one, two, "10 mL")
    assert (refusal.value.code, refusal.value.field) == ("unlike-solvents", "into")
    # Emptied, it may take another: the records know no residue.
    pour(club, two, make.empty(club))
    pour(club, one, two, "10 mL")
    assert lot_of(two) == lot_of(one)


@pytest.mark.parametrize(
    ("source_ul", "into_ul", "amount", "code"),
    [
        ("10 mL", "100 mL", "11 mL", "not-enough"),
        ("500 mL", "600 mL", None, "over-capacity"),
    ],
)
def test_a_refused_pour_leaves_nothing(
    club: make.Club, source_ul: str, into_ul: str, amount: str | None, code: str
) -> None:
    source, into = make.stocked(club, THF, source_ul, opened="unopened"), make.stocked(club, THF, into_ul)
    lots = Lot.objects.count()
    with pytest.raises(Conflict) as refusal:
        pour(club, source, into, amount)
    assert refusal.value.code == code
    assert Lot.objects.count() == lots
    assert not LotParent.objects.exists()
    assert make.fresh(source).opened == "unopened"


def test_pours_that_make_no_sense(club: make.Club) -> None:
    container = make.stocked(club, THF)
    with pytest.raises(InputError, match="into itself"):
        pour(club, container, container)
    with pytest.raises(Conflict, match="empty"):
        pour(club, make.empty(club), container)
    with pytest.raises(InputError, match="no such container"):
        pour(club, container, make.stocked(make.second_club(), THF), "1 mL")
