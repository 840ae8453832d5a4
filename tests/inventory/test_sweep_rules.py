"""The rules on ages, expiry, forecasts, counts, quarantine, strips, waste, stock and storage."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from inventory.models import Alert, Container, Location, Reagent, StockLevel, StorageLimit, WasteContainer
from inventory.rules.alerts import NEVER_TESTED_DAYS, QUARANTINED_LONG_DAYS
from inventory.services import places, volumes
from inventory.services.stock_levels import stock_level_end, stock_level_put
from inventory.services.sweep import sweep
from tests.factories import NOW, TODAY, Club, club, fresh, solvent, stocked

pytestmark = pytest.mark.django_db
DAY, LATER = timedelta(days=1), timedelta(minutes=5)


@pytest.fixture
def at() -> Club:
    return club()


def put(row: Any, **facts: Any) -> None:
    """Set stored columns where a test wants them."""
    type(row).objects.filter(pk=row.pk).update(**facts)


def standing(row: Any) -> list[str]:
    kind = type(row)._meta.model_name
    return sorted(
        Alert.objects.filter(subject_kind=kind, subject_id=row.pk, closed_at=None).values_list(
            "rule", flat=True
        )
    )


def cures(row: Any) -> list[tuple[str, str]]:
    kind = type(row)._meta.model_name
    closed = Alert.objects.filter(subject_kind=kind, subject_id=row.pk, closed_at__isnull=False)
    return list(closed.order_by("pk").values_list("rule", "cured_by"))


def ester(at: Club, **facts: Any) -> Container:
    return stocked(at, "ethyl-acetate", **facts)


@pytest.mark.parametrize("days", [-400, -1, 0, 14, 15])
@pytest.mark.parametrize(
    ("column", "past", "soon"),
    [("dispose_on", "maximum-age", "maximum-age-soon"), ("expires_on", "expired", "expiry-soon")],
)
def test_the_last_day_is_still_soon(at: Club, column: str, past: str, soon: str, days: int) -> None:
    bottle = ester(at)
    put(bottle, **{column: TODAY + days * DAY})
    sweep(now=NOW)
    assert standing(bottle) == ([past] if days < 0 else [soon] if days <= 14 else [])
    alert = Alert.objects.filter(subject_id=bottle.pk).first()
    assert alert is None or alert.due_on == TODAY + days * DAY


def test_an_expiry_by_which_it_must_go_is_told_once(at: Club) -> None:
    bottle = ester(at)
    put(bottle, dispose_on=TODAY - DAY, expires_on=TODAY - DAY)
    sweep(now=NOW)
    assert standing(bottle) == ["expired"]
    put(bottle, expires_on=TODAY + 99 * DAY)
    sweep(now=NOW + LATER)
    assert (standing(bottle), cures(bottle)) == (["maximum-age"], [("expired", "expiry date corrected")])


def test_soon_becomes_past(at: Club) -> None:
    bottle = ester(at)
    put(bottle, dispose_on=TODAY, expires_on=TODAY + DAY)
    sweep(now=NOW)
    sweep(now=NOW + DAY)
    assert standing(bottle) == ["expiry-soon", "maximum-age"]
    sweep(now=NOW + 2 * DAY)
    assert standing(bottle) == ["expired", "maximum-age"]
    assert cures(bottle) == [
        ("maximum-age-soon", "its last day passed"),
        ("expiry-soon", "expired"),
    ] or cures(bottle) == [("expiry-soon", "expired"), ("maximum-age-soon", "its last day passed")]


def test_one_never_tested_stands_out_after_its_days(at: Club) -> None:
    bottle = stocked(at, "diethyl-ether")
    far = TODAY + 999 * DAY
    put(bottle, untested_since=TODAY - NEVER_TESTED_DAYS * DAY, next_test_due=far)
    sweep(now=NOW)
    assert standing(bottle) == []
    sweep(now=NOW + DAY)
    assert standing(bottle) == ["never-tested"]
    put(bottle, next_test_due=TODAY + 3 * DAY)
    sweep(now=NOW + DAY + LATER)
    assert standing(bottle) == ["retest-due-soon"]
    assert cures(bottle) == [("never-tested", "became due")]


@pytest.mark.parametrize(
    ("forecast", "policy", "found"),
    [(10, 60, True), (-3, 60, True), (10, None, True), (15, 60, False), (10, 10, False), (10, 9, False)],
)
def test_a_forecast_counts_when_it_is_soon_and_sooner(
    at: Club, forecast: int, policy: int | None, found: bool
) -> None:
    bottle = stocked(at, "diethyl-ether")
    put(
        bottle,
        forecast_on=TODAY + forecast * DAY,
        policy_due=None if policy is None else TODAY + policy * DAY,
    )
    sweep(now=NOW)
    assert ("forecast-sooner" in standing(bottle)) is found


def test_a_forecast_that_has_gone_is_cured(at: Club) -> None:
    bottle = stocked(at, "diethyl-ether")
    put(bottle, forecast_on=TODAY + DAY, policy_due=TODAY + 60 * DAY)
    sweep(now=NOW)
    put(bottle, forecast_on=None)
    sweep(now=NOW + LATER)
    assert cures(bottle) == [("forecast-sooner", "no longer sooner than the policy")]


def test_a_count_difference_stands_until_counted_again(at: Club) -> None:
    bottle = ester(at)
    by: dict[str, Any] = {"lab": at.lab, "actor": at.steward}
    for hours, amount, expected in ((1, "300 mL", ["count-difference"]), (2, "300 mL", []), (3, "100 mL", 1)):
        now = NOW + timedelta(hours=hours)
        volumes.count(**by, now=now, container=fresh(bottle), amount=amount)
        sweep(now=now)
        assert standing(bottle) == (["count-difference"] if expected else [])
    assert cures(bottle) == [("count-difference", "counted again")]
    assert Alert.objects.filter(rule="count-difference").count() == 2


def test_quarantine_for_long(at: Club) -> None:
    bottle = ester(at)
    put(bottle, quarantined_at=NOW)
    sweep(now=NOW + QUARANTINED_LONG_DAYS * DAY)
    assert standing(bottle) == []
    sweep(now=NOW + QUARANTINED_LONG_DAYS * DAY + LATER)
    assert standing(bottle) == ["quarantined-long"]
    put(bottle, quarantined_at=None)
    sweep(now=NOW + QUARANTINED_LONG_DAYS * DAY + 2 * LATER)
    assert cures(bottle) == [("quarantined-long", "let out of quarantine")]


def test_strips_past_their_date(at: Club) -> None:
    strips = Reagent.objects.create(
        lab=at.lab, method="strip-25", name="Strips", use_by_on=TODAY, actor=at.steward, created_at=NOW
    )
    sweep(now=NOW)
    assert standing(strips) == []
    sweep(now=NOW + DAY)
    assert standing(strips) == ["reagent-expired"]
    put(strips, ended_at=NOW + DAY)
    sweep(now=NOW + DAY + LATER)
    assert cures(strips) == [("reagent-expired", "taken out of use")]


def waste(at: Club, **facts: Any) -> WasteContainer:
    from inventory.models import Place

    place = Place.objects.create(lab=at.lab, kind="waste-container")
    given = {"capacity_ul": 10_000_000, "started_on": TODAY, "collect_by": TODAY + 180 * DAY, **facts}
    return WasteContainer.objects.create(
        lab=at.lab, place=place, code="W-1", stream="halogen-free", created_at=NOW, **given
    )


@pytest.mark.parametrize(("volume_ul", "found"), [(7_999_999, []), (8_000_000, ["waste-nearly-full"])])
def test_waste_is_nearly_full_at_its_own_share(at: Club, volume_ul: int, found: list[str]) -> None:
    can = waste(at, volume_ul=volume_ul)
    sweep(now=NOW)
    assert standing(can) == found


def test_waste_grows_old_and_is_collected(at: Club) -> None:
    can = waste(at, collect_by=TODAY)
    sweep(now=NOW)
    assert standing(can) == ["waste-due-soon"]
    sweep(now=NOW + DAY)
    assert standing(can) == ["waste-overdue"]
    put(can, collected_at=NOW + DAY)
    sweep(now=NOW + DAY + LATER)
    assert cures(can) == [("waste-due-soon", "became overdue"), ("waste-overdue", "collected")]


def level(at: Club, minimum_ul: int) -> StockLevel:
    return stock_level_put(
        lab=at.lab, actor=at.steward, now=NOW, solvent=solvent("ethyl-acetate"), minimum_ul=minimum_ul
    )


@pytest.mark.parametrize(
    "unfit",
    [
        {"discarded_at": NOW},
        {"quarantined_at": NOW},
        {"worst_sign": "cloudy"},
        {"due_code": "reading-at-or-above-level"},
        {"dispose_on": TODAY - DAY},
        {"expires_on": TODAY - DAY},
        {"volume_ul": 0},
    ],
)
def test_what_may_not_be_used_is_not_in_stock(at: Club, unfit: dict[str, Any]) -> None:
    bottle, _ = ester(at), ester(at)
    wanted = level(at, 1_000_000)
    sweep(now=NOW)
    assert standing(wanted) == []
    put(bottle, **unfit)
    sweep(now=NOW + LATER)
    assert standing(wanted) == ["low-stock"]
    ester(at, now=NOW + LATER)
    sweep(now=NOW + 2 * LATER)
    assert cures(wanted) == [("low-stock", "enough is fit to use")]


def test_a_level_that_is_ended_or_met_on_its_last_day(at: Club) -> None:
    bottle = ester(at)
    put(bottle, dispose_on=TODAY, expires_on=TODAY)
    wanted = level(at, 500_000)
    sweep(now=NOW)
    assert standing(wanted) == []
    level(at, 500_001)
    sweep(now=NOW + LATER)
    assert standing(wanted) == ["low-stock"]
    stock_level_end(lab=at.lab, actor=at.steward, now=NOW + LATER, level=wanted)
    sweep(now=NOW + 2 * LATER)
    assert cures(wanted) == [("low-stock", "level ended")]


def test_stock_of_another_lab_counts_for_nothing(at: Club) -> None:
    ester(club("Leaf Club"))
    wanted = level(at, 1)
    sweep(now=NOW)
    assert standing(wanted) == ["low-stock"]


def limit(at: Club, location: Location, **facts: Any) -> StorageLimit:
    given = {"measure": "total", "categories": ",1,2,3,", "limit_ul": 900_000, "effect": "warn", **facts}
    return StorageLimit.objects.create(
        lab=at.lab, location=location, name="Cabinet", code="ours", source="ours", created_at=NOW, **given
    )


def test_a_cabinet_over_its_limit_counts_what_stands_on_its_shelves(at: Club) -> None:
    cabinet = places.location_get(lab=at.lab, name="Blue cabinet", kind="cabinet")
    shelf = places.location_get(lab=at.lab, name="Top shelf", kind="shelf", parent=cabinet)
    held, none_of_it = limit(at, cabinet), limit(at, cabinet, categories=",4,")
    first, second = ester(at), ester(at)
    put(first, location=cabinet)
    put(second, location=shelf)
    sweep(now=NOW)
    assert (standing(held), standing(none_of_it)) == (["over-limit"], [])
    put(second, location=None)
    sweep(now=NOW + LATER)
    assert cures(held) == [("over-limit", "within the limit again")]
    put(second, location=cabinet)
    sweep(now=NOW + 2 * LATER)
    put(held, ended_at=NOW)
    sweep(now=NOW + 3 * LATER)
    assert cures(held)[1:] == [("over-limit", "limit ended")]


@pytest.mark.parametrize(
    ("material", "found"), [("glass", ["over-limit"]), ("", ["over-limit"]), ("metal", [])]
)
def test_one_container_too_large_by_what_it_is_made_of(at: Club, material: str, found: list[str]) -> None:
    shelf = places.location_get(lab=at.lab, name="Top shelf")
    held = limit(at, shelf, measure="container", materials=",glass,", limit_ul=999_999)
    put(ester(at), location=shelf, material=material)
    sweep(now=NOW)
    assert standing(held) == found
