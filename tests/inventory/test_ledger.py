"""The one writer of volumes: postings, months, and the guards."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest
from django.db import transaction
from django.db.models import Q
from django.dispatch import receiver

from inventory.models import BOUNDARIES, Container, Flow, Movement, PlaceKind
from inventory.rules.errors import Conflict, InputError
from inventory.services import ledger, volumes
from inventory.services.ledger import Holds, Line
from inventory.services.places import boundary, container_end
from tests import factories as make

pytestmark = pytest.mark.django_db


@pytest.fixture
def club() -> make.Club:
    return make.club()


def post(club: make.Club, container: Container, volume_ul: int, **changes: Any) -> ledger.Posted:
    """Take a volume out of a container, by hand."""
    assert container.lot is not None
    line = Line(
        "draw", container.lot.pk, container.lot.solvent_id, container_end(container),
        club.end("reaction"), volume_ul,
    )  # fmt: skip
    facts: dict[str, Any] = {
        "lab": club.lab, "actor": club.member, "now": make.NOW, "happened_at": make.NOW, "lines": [line],
        "holds": {container.place_id: Holds(container.lot_id, container.lot_id)},
    } | changes  # fmt: skip
    with transaction.atomic():
        return ledger.post(**facts)


def test_a_posting_moves_the_balance_and_the_flow(club: make.Club) -> None:
    container = make.stocked(club, amount="500 mL")
    posted = post(club, container, 120_001)
    movement = Movement.objects.get(pk=posted.movement_ids[0])
    assert (movement.entry, movement.volume_ul, movement.actor) == (posted.entry, 120_001, club.member)
    assert make.fresh(container).volume_ul == 379_999
    assert make.fresh(container).version == container.version + 1
    flow = Flow.objects.get(source_kind="container", destination_kind="reaction")
    assert (flow.volume_ul, str(flow.month)) == (120_001, "2026-03-01")
    post(club, make.fresh(container), 4)
    flow.refresh_from_db()
    assert flow.volume_ul == 120_005


@pytest.mark.parametrize(
    ("moment", "zone", "month"),
    [
        ("2026-03-31T22:30", "Europe/Berlin", "2026-04-01"),  # summer time since 29 March: 00:30
        ("2026-03-31T21:30", "Europe/Berlin", "2026-03-01"),
        ("2026-01-01T03:00", "America/New_York", "2025-12-01"),
    ],
)
def test_a_movement_counts_in_the_labs_month(moment: str, zone: str, month: str) -> None:
    club = make.club(time_zone=zone)
    happened = datetime.fromisoformat(moment).replace(tzinfo=UTC)
    assert str(ledger.month_in_lab(club.lab, happened)) == month


def test_nothing_and_less_than_nothing_are_refused(club: make.Club) -> None:
    container = make.stocked(club)
    with pytest.raises(InputError, match="nothing to book"):
        post(club, container, 1, lines=[])
    for volume_ul in (0, -5):
        with pytest.raises(InputError, match="above zero"):
            post(club, container, volume_ul)


@pytest.mark.parametrize(
    ("change", "volume_ul", "code"),
    [
        ({}, 500_001, "not-enough"),
        ({"discarded_at": make.NOW}, 1, "container-discarded"),
        ({"lot": None, "volume_ul": 0}, 1, "contents-changed"),
    ],
)
def test_the_guards(club: make.Club, change: dict[str, Any], volume_ul: int, code: str) -> None:
    container = make.stocked(club, amount="500 mL")
    Container.objects.filter(pk=container.pk).update(**change)
    with pytest.raises(Conflict) as refusal:
        post(club, container, volume_ul)
    assert refusal.value.code == code
    assert not Movement.objects.filter(kind="draw").exists()
    assert not Flow.objects.filter(destination_kind="reaction").exists()


def test_a_posting_stays_in_its_lab(club: make.Club) -> None:
    theirs = make.stocked(make.second_club())
    with pytest.raises(Conflict) as refusal:
        post(club, theirs, 1)
    assert refusal.value.code == "unknown-container"
    assert make.fresh(theirs).volume_ul == 500_000


def test_a_receiver_that_fails_undoes_the_posting(club: make.Club) -> None:
    container = make.stocked(club)

    @receiver(ledger.posted)
    def fail(**_: Any) -> None:
        raise RuntimeError("no")

    try:
        with pytest.raises(RuntimeError):
            volumes.draw(
                lab=club.lab, actor=club.member, now=make.NOW, container=container, amount="1 mL",
                destination=club.end("reaction"),
            )  # fmt: skip
    finally:
        ledger.posted.disconnect(fail)
    assert make.fresh(container).volume_ul == 500_000
    assert not Movement.objects.filter(kind="draw").exists()


def test_entry_ids_grow_with_time() -> None:
    """Version 7, variant 10, first 48 bits milliseconds since 1970 (RFC 9562, 5.7)."""
    moments = [datetime(2026, 3, 10, 12, 0, second, tzinfo=UTC) for second in range(5)]
    ids = [ledger.new_entry_id(moment) for moment in moments]
    assert sorted(ids) == ids
    assert {one.version for one in ids} == {7}
    assert {one.int >> 62 & 3 for one in ids} == {2}
    assert ids[0].int >> 80 == 1_773_144_000_000
    assert len({ledger.new_entry_id(moments[0]) for _ in range(1000)}) == 1000


def test_every_lab_has_each_boundary_once(club: make.Club) -> None:
    ends = {kind: boundary(club.lab, kind).place_id for kind in BOUNDARIES}
    assert len(set(ends.values())) == len(BOUNDARIES)
    assert PlaceKind.CONTAINER not in BOUNDARIES
    for kind in ("container", "run", "sink", ""):
        with pytest.raises(InputError, match="not a named place"):
            boundary(club.lab, kind)


def test_movements_touching_places_are_those_out_of_and_into_them(club: make.Club) -> None:
    """Each once, also when both its ends are asked for; of no place there are none."""
    first, other = make.stocked(club), make.stocked(club)
    post(club, first, 1000)
    places = [first.place_id, other.place_id, club.end("reaction").place_id]
    for asked in (places[:1], places[1:], places):
        either = Q(source_id__in=asked) | Q(destination_id__in=asked)
        expected = list(Movement.objects.filter(either).order_by("pk"))
        assert list(Movement.objects.touching(asked).order_by("pk")) == expected != []
    assert not Movement.objects.touching([]).exists()
    assert list(Movement.objects.filter(kind="draw").touching(places)) == [Movement.objects.latest("pk")]
