"""Containers come, get a code, are opened, and stand somewhere."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from inventory.models import Container, Event, Lot, Movement, PlaceKind
from inventory.rules.codes import check_code
from inventory.rules.errors import Conflict, Denied, InputError
from inventory.services import containers, opening, places
from inventory.services.containers import ContainerFacts, LotFacts
from inventory.services.moving import put_away
from tests import factories as make
from tests.factories import day

pytestmark = pytest.mark.django_db


@pytest.fixture
def club() -> make.Club:
    return make.club()


@pytest.mark.parametrize(
    ("origin", "kind"),
    [
        ("purchased", PlaceKind.SUPPLIER),
        ("made-here", PlaceKind.MADE_HERE),
        ("recovered", PlaceKind.BEFORE_COUNTING),
        ("not-known", PlaceKind.BEFORE_COUNTING),
    ],
)
def test_a_receipt_comes_from_where_its_origin_says(club: make.Club, origin: str, kind: str) -> None:
    container = make.stocked(club, "ethyl-acetate", "500 mL", origin=origin, tare_mg=312_400)
    movement = Movement.objects.get(destination=container.place)
    assert (movement.source.kind, movement.volume_ul) == (kind, 500_000)
    assert movement.as_entered["text"] == "500 mL"
    assert movement.u_volume_ul > 0
    assert container.volume_ul == 500_000
    assert check_code(container.code) == container.code


def test_a_mass_comes_in_by_its_density(club: make.Club) -> None:
    """901 g of ethyl acetate are one litre, within what the handbooks differ.

    Density 0.900 to 0.902 g/mL at 20 °C: CRC Handbook (from memory).
    """
    container = make.stocked(club, "ethyl-acetate", "901 g", capacity_ul=1_100_000)
    assert 997_000 <= container.volume_ul <= 1_003_000


def test_nothing_is_left_of_a_refused_receipt(club: make.Club) -> None:
    with pytest.raises(Conflict) as refusal:
        make.stocked(club, amount="2 L", capacity_ul=1_000_000)
    assert refusal.value.code == "over-capacity"
    assert not Container.objects.exists()
    assert not Lot.objects.exists()
    assert not Movement.objects.exists()


def test_a_code_is_there_once_in_a_lab(club: make.Club) -> None:
    make.stocked(club, code="B01")
    with pytest.raises(Conflict, match="stands here already"):
        make.stocked(club, code=" b01 ")
    other = make.second_club()
    assert make.stocked(other, code="B01").lab_id == other.lab.pk


@pytest.mark.parametrize(
    ("facts", "field", "code"),
    [
        ({"received_on": day("2026-03-11")}, "received_on", "in-the-future"),
        ({"opened_on": day("2026-03-11")}, "opened_on", "in-the-future"),
        ({"origin": "made-here", "made_on": day("2026-03-11")}, "made_on", "in-the-future"),
        ({"opened": "unopened", "opened_on": make.TODAY}, "opened_on", "not-opened"),
        ({"opened_on": day("2026-03-09")}, "opened_on", "before-receipt"),
        ({"opened": "perhaps"}, "opened", "unknown-choice"),
        ({"atmosphere": "moon"}, "atmosphere", "unknown-choice"),
        ({"capacity_ul": 0}, "capacity", "not-positive"),
        ({"origin": "found"}, "origin", "unknown-origin"),
        ({"code": "x" * 25}, "code", "too-long"),
    ],
)
def test_facts_that_cannot_be_are_refused(
    club: make.Club, facts: dict[str, Any], field: str, code: str
) -> None:
    with pytest.raises(InputError) as refusal:
        make.stocked(club, **facts)
    assert (refusal.value.field, refusal.value.code) == (field, code)
    assert not Container.objects.exists()


def test_the_day_is_the_labs_day() -> None:
    """At 23:30 UTC it is tomorrow in Berlin (UTC+1 in winter)."""
    club = make.club(time_zone="Europe/Berlin")
    late = make.NOW.replace(hour=23)
    make.stocked(club, now=late, received_on=day("2026-03-11"))
    with pytest.raises(InputError, match="not come yet"):
        make.stocked(make.second_club(), now=late, received_on=day("2026-03-11"))


def test_solvents_of_another_lab_are_not_known(club: make.Club) -> None:
    own = make.solvent("acetone")
    own.pk, own.lab, own.key = None, make.second_club().lab, "their-own"
    own.save(force_insert=True)
    with pytest.raises(InputError, match="does not know"):
        containers.receive(
            lab=club.lab, actor=club.steward, now=make.NOW, solvent=own, amount="1 mL",
            facts=ContainerFacts(capacity_ul=1000), lot=LotFacts(),
        )  # fmt: skip


# -- opened


def opened(club: make.Club, container: Container, on: str | None, **signature: Any) -> Container:
    return opening.mark_opened(
        container=container, actor=club.member, now=make.NOW, opened_on=day(on) if on else None, **signature
    )


def test_opening_is_noted_once(club: make.Club) -> None:
    container = make.stocked(club, opened="unopened", received_on=day("2026-03-01"))
    held = opened(club, container, "2026-03-05")
    assert (held.opened, held.opened_on) == ("opened", day("2026-03-05"))
    assert held.version > container.version, "a client that holds the older state is told"
    event = Event.objects.get(verb="opened")
    assert (event.actor, event.subject_id) == (club.member, container.pk)
    assert event.data["before"] == {"opened": "unopened", "opened_on": None}
    with pytest.raises(Conflict, match="2026-03-05"):
        opened(club, held, "2026-03-06")


@pytest.mark.parametrize(("on", "code"), [("2026-03-11", "in-the-future"), ("2026-02-28", "before-receipt")])
def test_an_opening_day_that_cannot_be(club: make.Club, on: str, code: str) -> None:
    container = make.stocked(club, opened="unopened", received_on=day("2026-03-01"))
    with pytest.raises(InputError) as refusal:
        opened(club, container, on)
    assert (refusal.value.field, refusal.value.code) == ("opened_on", code)


def test_an_opening_day_learnt_later(club: make.Club) -> None:
    container = make.stocked(club, "tetrahydrofuran", opened="unknown", received_on=day("2026-01-10"))
    with pytest.raises(Denied, match="supervisor"):
        opened(club, container, "2026-02-10")
    with pytest.raises(InputError) as refusal:
        opened(club, container, "2026-02-10", may_loosen=True)
    assert refusal.value.field == "reason"
    held = opened(club, container, "2026-02-10", may_loosen=True, reason="found in the old log")
    assert held.next_test_due == day("2026-05-10")
    event = Event.objects.get(verb="loosened")
    assert (event.subject_id, event.data["reason"]) == (container.pk, "found in the old log")
    assert event.data["from"]["next_test_due_on"] == "2026-01-10"
    assert event.data["to"]["next_test_due_on"] == "2026-05-10"


def test_opened_on_a_day_that_nobody_knows(club: make.Club) -> None:
    held = opened(club, make.stocked(club, "tetrahydrofuran", opened="unopened"), None)
    assert (held.opened, held.opened_on, held.due_code) == ("opened", None, "opening-date-unknown")


def test_a_discarded_container_is_not_opened(club: make.Club) -> None:
    container = make.stocked(club, opened="unopened")
    Container.objects.filter(pk=container.pk).update(discarded_at=make.NOW)
    with pytest.raises(Conflict, match="discarded"):
        opened(club, container, "2026-03-10")


# -- where it stands


def test_a_container_is_put_away(club: make.Club) -> None:
    container = make.stocked(club)
    shelf = places.location_get(lab=club.lab, name=" Vented   cabinet ", kind="cabinet")
    assert places.location_get(lab=club.lab, name="VENTED cabinet") == shelf
    held = put_away(container=container, actor=club.member, now=make.NOW, location=shelf).container
    assert held.location == shelf
    assert held.version == container.version + 1
    theirs = places.location_get(lab=make.second_club().lab, name="Vented cabinet")
    with pytest.raises(InputError, match="no such location"):
        put_away(container=held, actor=club.member, now=make.NOW, location=theirs)
    with pytest.raises(InputError, match="at most 120"):
        places.location_get(lab=club.lab, name="  ")


def test_codes_are_read_as_typed(club: make.Club) -> None:
    code = make.stocked(club).code
    assert containers.code_read(f" {code[:3].lower()}-{code[3:].lower()} ") == code
    assert containers.code_read(" b01 ") == "b01"
    with pytest.raises(InputError, match="does not fit"):
        containers.code_read(code[:-1] + ("2" if code[-1] != "2" else "3"))


def test_time_has_a_zone_and_lies_behind_us(club: make.Club) -> None:
    facts: dict[str, Any] = {"solvent": make.solvent("acetone"), "amount": "1 mL", "lot": LotFacts()}
    at: dict[str, Any] = {"lab": club.lab, "actor": club.steward, "now": make.NOW}
    for moment, code in (
        (make.NOW + timedelta(hours=1), "in-the-future"),
        (make.NOW.replace(tzinfo=None), "no-time-zone"),
    ):
        with pytest.raises(InputError) as refusal:
            containers.receive(**at, **facts, facts=ContainerFacts(capacity_ul=1000), happened_at=moment)
        assert (refusal.value.field, refusal.value.code) == ("happened_at", code)
    # A phone's clock may be a little ahead: it counts as now.
    ahead = containers.receive(
        **at, **facts, facts=ContainerFacts(capacity_ul=1000), happened_at=make.NOW + timedelta(minutes=3)
    )
    assert Movement.objects.get(destination=ahead.container.place).happened_at == make.NOW
