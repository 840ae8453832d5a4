"""Draws, put-backs, counts, weighings and disposal."""

from __future__ import annotations

from typing import Any

import pytest

from inventory.models import Container, Event, Movement
from inventory.rules.errors import Conflict, InputError
from inventory.services import volumes
from tests import factories as make

pytestmark = pytest.mark.django_db


@pytest.fixture
def club() -> make.Club:
    return make.club()


def at(club: make.Club) -> dict[str, Any]:
    return {"lab": club.lab, "actor": club.member, "now": make.NOW}


def draw(club: make.Club, container: Container, amount: str) -> Container:
    end = volumes.bench_end(club.lab, "reaction", field="to")
    volumes.draw(**at(club), container=make.fresh(container), amount=amount, destination=end)
    return make.fresh(container)


def test_a_draw_keeps_what_was_entered(club: make.Club) -> None:
    container = make.stocked(club, amount="500 mL")
    warm = {"value": "100", "unit": "mL", "temperature": "25", "instrument": "cylinder-a-100"}
    volumes.draw(**at(club), container=container, amount=warm, destination=club.end("air"), note="spilt")
    movement = Movement.objects.get(kind="draw")
    assert movement.as_entered["instrument"] == "cylinder-a-100"
    assert movement.note == "spilt"
    # Ethyl acetate expands by about 0.14 % per kelvin (from memory): 100 mL at 25 °C are 99.3 mL at 20 °C.
    assert 99_200 <= movement.volume_ul <= 99_400
    assert make.fresh(container).volume_ul == 500_000 - movement.volume_ul


def test_more_than_there_is_is_not_drawn(club: make.Club) -> None:
    container = make.stocked(club, amount="50 mL")
    with pytest.raises(Conflict) as refusal:
        draw(club, container, "50.001 mL")
    assert (refusal.value.code, refusal.value.field) == ("not-enough", "volume")
    assert "holds 50 mL" in refusal.value.detail
    assert draw(club, container, "50 mL").volume_ul == 0
    with pytest.raises(Conflict) as empty:
        draw(club, container, "1 mL")
    assert empty.value.code == "container-empty"


def test_without_a_run_only_some_boundaries_are_open(club: make.Club) -> None:
    for kind in ("supplier", "count-difference", "blending", "container", "moon"):
        with pytest.raises(InputError) as refusal:
            volumes.bench_end(club.lab, kind, field="to")
        assert (refusal.value.field, refusal.value.code) == ("to", "unknown-place")


def test_unused_solvent_comes_back(club: make.Club) -> None:
    container = draw(club, make.stocked(club, amount="500 mL"), "100 mL")
    volumes.put_back(**at(club), container=container, amount="30 mL", source=club.end("reaction"))
    held = make.fresh(container)
    assert (held.volume_ul, held.lot_id) == (430_000, container.lot_id)
    assert held.opened_on == make.TODAY
    with pytest.raises(Conflict) as refusal:
        volumes.put_back(**at(club), container=make.empty(club), amount="1 mL", source=club.end("reaction"))
    assert refusal.value.code == "lot-not-known"


def test_a_container_is_not_filled_beyond_its_size(club: make.Club) -> None:
    container = make.stocked(club, amount="500 mL", capacity_ul=500_000)
    with pytest.raises(Conflict) as refusal:
        volumes.put_back(**at(club), container=container, amount="1 mL", source=club.end("reaction"))
    assert (refusal.value.code, make.fresh(container).volume_ul) == ("over-capacity", 500_000)


# -- counting


@pytest.mark.parametrize(
    ("found", "difference_ul", "source", "destination"),
    [
        ("520 mL", 20_000, "count-difference", "container"),
        ("480.5 mL", -19_500, "container", "count-difference"),
        ("0 mL", -500_000, "container", "count-difference"),
    ],
)
def test_a_count_books_the_difference(
    club: make.Club, found: str, difference_ul: int, source: str, destination: str
) -> None:
    container = make.stocked(club, amount="500 mL")
    counted = volumes.count(**at(club), container=container, amount=found)
    assert counted.posted is not None
    movement = Movement.objects.get(entry=counted.posted.entry)
    assert counted.difference_ul == difference_ul
    assert (movement.source.kind, movement.destination.kind) == (source, destination)
    assert movement.volume_ul == abs(difference_ul)
    assert make.fresh(container).volume_ul == 500_000 + difference_ul


def test_a_count_that_agrees_moves_nothing_and_is_on_record(club: make.Club) -> None:
    container = make.stocked(club, amount="500 mL")
    counted = volumes.count(**at(club), container=container, amount="500 mL")
    assert (counted.posted, counted.difference_ul, counted.beyond_uncertainty) == (None, 0, False)
    event = Event.objects.get(verb="count")
    assert (event.data["recorded_ul"], event.data["found_ul"]) == (500_000, 500_000)
    assert event.data["u_found_ul"] > 0


def test_a_mark_on_a_large_bottle_says_less(club: make.Club) -> None:
    """An estimate by eye errs by a share of the bottle, not of what is left in it."""
    u_ul = []
    for capacity_ul in (250_000, 2_500_000):
        container = make.stocked(club, amount="200 mL", capacity_ul=capacity_ul)
        mark = {"value": "150", "unit": "mL", "instrument": "bottle-mark"}
        posted = volumes.count(**at(club), container=container, amount=mark).posted
        assert posted is not None
        u_ul.append(Movement.objects.get(entry=posted.entry).u_volume_ul)
    # 5 % of 250 mL and of 2.5 L as half widths of a rectangle (common practice, no source): 7.2 and 72 mL.
    assert u_ul == [pytest.approx(7_217, abs=150), pytest.approx(72_169, abs=150)]


def test_counts_that_are_refused(club: make.Club) -> None:
    container = make.stocked(club, capacity_ul=500_000)
    with pytest.raises(Conflict, match="room"):
        volumes.count(**at(club), container=container, amount="501 mL")
    with pytest.raises(Conflict, match="never held"):
        volumes.count(**at(club), container=make.empty(club), amount="1 mL")
    volumes.discard(**at(club), container=container)
    with pytest.raises(Conflict, match="discarded"):
        volumes.count(**at(club), container=container, amount="0 mL")


def test_weighing_counts_through_tare_and_density(club: make.Club) -> None:
    """THF has 0.8892 g/mL at 20 °C (CRC Handbook, from memory): 177.84 g net are 200 mL."""
    container = make.stocked(club, "tetrahydrofuran", "500 mL", tare_mg=300_000)
    gross = {"value": "477.84", "unit": "g", "instrument": "balance-0.01g"}
    difference_ul = volumes.weigh(**at(club), container=container, gross=gross).difference_ul
    assert make.fresh(container).volume_ul == pytest.approx(200_000, abs=400)
    assert difference_ul == make.fresh(container).volume_ul - 500_000
    assert Movement.objects.get(kind="weigh").as_entered["tare"]["value"] == "300000"


def test_an_empty_bottle_weighs_its_tare(club: make.Club) -> None:
    container = make.stocked(club, amount="500 mL", tare_mg=312_400)
    volumes.weigh(**at(club), container=container, gross={"value": "312.4", "unit": "g"})
    assert make.fresh(container).volume_ul == 0
    with pytest.raises(InputError) as refusal:
        volumes.weigh(**at(club), container=container, gross={"value": "312.3", "unit": "g"})
    assert refusal.value.code == "net-negative"


def test_weighing_needs_the_tare(club: make.Club) -> None:
    with pytest.raises(Conflict) as refusal:
        volumes.weigh(**at(club), container=make.stocked(club), gross={"value": "500", "unit": "g"})
    assert (refusal.value.code, bool(refusal.value.remedy)) == ("tare-not-known", True)


# -- the end of a container


def test_a_discarded_container_is_gone_for_good(club: make.Club) -> None:
    container = make.stocked(club, amount="70 mL")
    posted = volumes.discard(**at(club), container=container, note="bad test")
    assert posted is not None
    movement = Movement.objects.get(entry=posted.entry)
    assert (movement.destination.kind, movement.volume_ul) == ("waste-contractor", 70_000)
    held = make.fresh(container)
    assert (held.volume_ul, held.discarded_at) == (0, make.NOW)
    assert held.version > container.version
    with pytest.raises(Conflict, match="discarded"):
        volumes.discard(**at(club), container=held)
    with pytest.raises(Conflict, match="discarded"):
        volumes.put_back(**at(club), container=held, amount="1 mL", source=club.end("unaccounted"))
    with pytest.raises(Conflict, match="discarded"):
        volumes.pour(**at(club), source=make.stocked(club), into=held, amount="1 mL")


def test_an_empty_container_is_discarded_too(club: make.Club) -> None:
    container = make.empty(club)
    assert volumes.discard(**at(club), container=container) is None
    held = make.fresh(container)
    assert held.discarded_at == make.NOW
    assert held.version > container.version
