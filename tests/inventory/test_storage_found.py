"""What is found to stand somewhere is booked, and the limits that it exceeds are named."""

from __future__ import annotations

from typing import Any

import pytest

from inventory.models import Container, Location
from inventory.services import limits, volumes
from inventory.services.limits import OwnLimit
from inventory.services.places import location_get
from tests.factories import Club, club, fresh, stocked
from tests.inventory.club_lists import HEAD, NOW, sheet, stock_in

pytestmark = pytest.mark.django_db


@pytest.fixture
def at() -> Club:
    return club(now=NOW)


def limited(at: Club, limit_ul: int = 1_000_000, **facts: Any) -> Location:
    """A room with a limit of one litre that refuses more."""
    room = location_get(lab=at.lab, name="Prep room", kind="room")
    own = OwnLimit(
        name="Our room", limit_ul=limit_ul, code="house rule", source="the club", effect="refuse", **facts
    )
    limits.limit_own(lab=at.lab, actor=at.supervisor, now=NOW, location=room, limit=own)
    return room


def told(report: Any) -> list[tuple[str, str]]:
    return [(o.code, o.reason) for o in report.outcomes if o.level == "warning" and o.line == 0]


def listed(*left: str) -> bytes:
    row = "B{};ether;Sigma;1 L;{};2026-01-01;2026-02-01;;;;;Prep room"
    rows = [row.format(number, litres) for number, litres in enumerate(left, 61)]
    return sheet(*rows, head=f"{HEAD};Place")


def test_a_list_that_exceeds_a_limit_is_taken_in_and_says_so(at: Club) -> None:
    limited(at)
    assert told(stock_in(at, listed("0,6 L"))) == []
    report = stock_in(at, listed("0,6 L", "0,7 L"))
    assert report.written
    assert Container.objects.count() == 2
    assert told(report) == [("over-limit", "Our room: at most 1 L (house rule); that makes 1.3 L.")]


def test_bottles_that_are_too_large_are_told_of(at: Club) -> None:
    limited(at, 500_000, measure="container")
    assert [code for code, _ in told(stock_in(at, listed("0,1 L")))] == ["container-too-large"]


def test_a_list_without_places_asks_nothing(at: Club) -> None:
    limited(at)
    assert told(stock_in(at, sheet("B61;ether;Sigma;1 L;1 L;2026-01-01;2026-02-01;;;;"))) == []


def test_a_count_that_finds_more_is_booked_with_the_warning(at: Club) -> None:
    room = limited(at)
    bottle = stocked(at, "diethyl-ether", "900 mL", capacity_ul=2_000_000, location=room, now=NOW)
    by: dict[str, Any] = {"lab": at.lab, "actor": at.steward, "now": NOW}
    less = volumes.count(**by, container=fresh(bottle), amount="800 mL")
    assert less.posted is not None
    assert less.posted.warnings == ()
    more = volumes.count(**by, container=fresh(bottle), amount="1.2 L")
    assert more.posted is not None
    assert [(w.code, w.effect) for w in more.posted.warnings] == [("over-limit", "refuse")]
    assert fresh(bottle).volume_ul == 1_200_000
