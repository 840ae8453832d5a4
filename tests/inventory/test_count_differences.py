"""A count is held against what it and the records can be wrong by; only what is beyond that stands out."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from inventory.models import Container, Event, Movement
from inventory.rules.counting import beyond_uncertainty, combined_u_ul
from inventory.services import reversal, volumes
from inventory.services.counting import Counted
from tests import factories as make

HOUR = timedelta(hours=1)
UL = st.integers(min_value=1, max_value=10**12)


@given(st.lists(UL, min_size=1, max_size=12))
def test_the_sum_is_that_of_the_uncertainties_package(parts: list[int]) -> None:
    """The package propagates by GUM's law (pythonhosted.org/uncertainties)."""
    total = sum(ufloat(1, part) for part in parts)
    assert combined_u_ul(parts) == pytest.approx(total.std_dev, rel=1e-9, abs=1)
    assert combined_u_ul(parts) >= total.std_dev * (1 - 1e-12)


@given(st.integers(-(10**9), 10**9), st.integers(1, 10**9))
def test_twice_the_standard_uncertainty_is_still_within(difference: int, u: int) -> None:
    found = ufloat(difference, u)
    assert beyond_uncertainty(difference, u) is bool(abs(found.nominal_value) > 2 * found.std_dev)


@pytest.fixture
def club(db: None) -> make.Club:
    return make.club()


def at(club: make.Club, hours: int = 0) -> dict[str, Any]:
    return {"lab": club.lab, "actor": club.steward, "now": make.NOW + hours * HOUR}


def count(club: make.Club, bottle: Container, amount: Any, hours: int, **more: Any) -> Counted:
    return volumes.count(**at(club, hours), container=make.fresh(bottle), amount=amount, **more)


def draw(club: make.Club, bottle: Container, amount: Any, hours: int) -> Movement:
    end = club.end("reaction")
    posted = volumes.draw(**at(club, hours), container=make.fresh(bottle), amount=amount, destination=end)
    return Movement.objects.get(entry=posted.entry)


def cylinder(ml: str) -> dict[str, str]:
    return {"value": ml, "unit": "mL", "instrument": "cylinder-a-500"}


def u_of(entry: Movement) -> int:
    return entry.u_volume_ul


def test_found_and_recorded_are_put_together(club: make.Club) -> None:
    """Receipt, two draws and the count itself, each with its own uncertainty."""
    bottle = make.stocked(club, amount=cylinder("500"))
    moved = [Movement.objects.get(kind="receive")]
    moved += [
        draw(club, bottle, {"value": "50", "unit": "mL", "instrument": "cylinder-a-100"}, h) for h in (1, 2)
    ]
    counted = count(club, bottle, cylinder("400"), 3)
    found = Event.objects.get(verb="count").data["u_found_ul"]
    spread = sum((ufloat(0, u_of(m)) for m in moved), ufloat(0, found)).std_dev
    assert counted.u_difference_ul == pytest.approx(spread, abs=1)
    assert min(found, *map(u_of, moved)) > 0
    assert not counted.beyond_uncertainty


def test_a_count_starts_anew(club: make.Club) -> None:
    bottle = make.stocked(club, amount="500 mL")
    for hours in range(1, 6):
        draw(club, bottle, "20 mL", hours)
    first = count(club, bottle, cylinder("400"), 6)
    second = count(club, bottle, cylinder("400"), 7)
    found = Event.objects.filter(verb="count").latest("pk").data["u_found_ul"]
    assert second.u_difference_ul == pytest.approx((ufloat(0, found) - ufloat(0, found * 1.0)).std_dev, abs=1)
    assert second.u_difference_ul < first.u_difference_ul


def test_a_difference_beyond_it_stands_until_the_next_count_agrees(club: make.Club) -> None:
    bottle = make.stocked(club, amount=cylinder("500"))
    missing = count(club, bottle, cylinder("300"), 1)
    assert (missing.beyond_uncertainty, missing.difference_ul) == (True, -200_000)
    assert make.fresh(bottle).count_off_ul == -200_000
    draw(club, bottle, "10 mL", 2)
    assert make.fresh(bottle).count_off_ul == -200_000
    assert not count(club, bottle, cylinder("290"), 3).beyond_uncertainty
    assert make.fresh(bottle).count_off_ul is None


def test_a_small_one_is_chance(club: make.Club) -> None:
    bottle = make.stocked(club, amount=cylinder("500"))
    counted = count(club, bottle, cylinder("499"), 1)
    assert (counted.difference_ul, counted.beyond_uncertainty) == (-1000, False)
    assert make.fresh(bottle).count_off_ul is None


def test_an_older_count_entered_late_clears_nothing(club: make.Club) -> None:
    bottle = make.stocked(club, amount=cylinder("500"))
    count(club, bottle, cylinder("300"), 5)
    late = count(club, bottle, cylinder("500"), 6, happened_at=make.NOW + HOUR)
    assert not late.beyond_uncertainty
    assert make.fresh(bottle).count_off_ul == -200_000


def test_a_reversed_count_says_nothing_any_more(club: make.Club) -> None:
    bottle = make.stocked(club, amount=cylinder("500"))
    wrong = count(club, bottle, cylinder("300"), 1)
    assert wrong.posted is not None
    reversal.reverse(**at(club, 2), entry=wrong.posted.entry, reason="read the wrong bottle")
    assert make.fresh(bottle).count_off_ul is None
    again = count(club, bottle, cylinder("499"), 3)
    assert not again.beyond_uncertainty
    receipt = Movement.objects.get(kind="receive")
    found = Event.objects.filter(verb="count").latest("pk").data["u_found_ul"]
    # The wrong count and its reversal cancel: what is left is the receipt and the new reading.
    expected = (ufloat(0, u_of(receipt)) + ufloat(0, found)).std_dev
    assert again.u_difference_ul == pytest.approx(expected, abs=1)


def test_counts_from_before_this_was_kept_are_read_as_well(club: make.Club) -> None:
    """An event without its time and movement: those of its record count."""
    bottle = make.stocked(club, amount=cylinder("500"))
    data = {"recorded_ul": 500_000, "found_ul": 500_000, "u_found_ul": 700, "as_entered": {}}
    Event.objects.create(
        lab=club.lab, actor=club.steward, at=make.NOW + HOUR, verb="count", subject_kind="container",
        subject_id=bottle.pk, data=data,
    )  # fmt: skip
    counted = count(club, bottle, cylinder("499"), 2)
    found = Event.objects.filter(verb="count").latest("pk").data["u_found_ul"]
    assert counted.u_difference_ul == pytest.approx((ufloat(0, 700) + ufloat(0, found)).std_dev, abs=1)


def test_a_weighing_is_held_against_it_too(club: make.Club) -> None:
    """Ethyl acetate has about 0.90 g/mL (CRC Handbook, from memory): 500 mL are 450 g, 200 g are missing."""
    bottle = make.stocked(club, amount=cylinder("500"), tare_mg=300_000)
    gross = {"value": "550", "unit": "g", "instrument": "balance-0.01g"}
    weighed = volumes.weigh(**at(club, 1), container=make.fresh(bottle), gross=gross)
    assert weighed.beyond_uncertainty
    assert make.fresh(bottle).count_off_ul == weighed.difference_ul < -200_000
