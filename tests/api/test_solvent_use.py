"""Use of solvents over the API: worked out by hand from a few runs, with and without a price."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.utils import timezone

from inventory.models import Event
from inventory.services import stock_levels, volumes
from recovery.models import SolventPrice
from recovery.services import runs
from tests.api.client import Api, base, codes
from tests.factories import TIME_ZONE, Club, club, empty, fresh, solvent, stocked

pytestmark = pytest.mark.django_db
KEY = "ethyl-acetate"


def month_ago(now: datetime, count: int) -> datetime:
    """Noon of the 5th, so many months before."""
    day = now.replace(day=5, hour=12)
    for _ in range(count):
        day = (day.replace(day=1) - timedelta(days=1)).replace(day=5)
    return day


@pytest.fixture
def now() -> datetime:
    """By the clock of the lab: its month may have begun while the last one goes on in UTC."""
    return timezone.now().astimezone(ZoneInfo(TIME_ZONE))


@pytest.fixture
def lab(db: None, now: datetime) -> Club:
    """1 L bought six months ago, 50 mL drawn monthly since; now 200 charged, 160 back, 100 again."""
    start = month_ago(now, 6)
    at = club(now=start)
    bottle = stocked(at, KEY, "1 L", capacity_ul=1_100_000, now=start, received_on=start.date())
    for back in range(5, 0, -1):
        moment = month_ago(now, back)
        by: dict[str, Any] = {"lab": at.lab, "actor": at.member, "now": moment}
        volumes.draw(**by, container=fresh(bottle), amount="50 mL", destination=at.end("reaction"))
    by = {"lab": at.lab, "actor": at.member, "now": now}
    run, flask = runs.run_start(**by, purpose="fat in biscuits"), empty(at, now=now)
    runs.charge(**by, run=run, container=fresh(bottle), amount="200 mL")
    runs.give_back(**by, run=run, container=flask, amount="160 mL")
    runs.run_close(**by, run=run)
    runs.charge(**by, run=runs.run_start(**by, purpose="leaves"), container=fresh(flask), amount="100 mL")
    return at


def used(lab: Club, query: str = "") -> dict[str, Any]:
    (found,) = Api(lab.auditor).get(f"{base(lab)}solvent-use/{query}").json()["results"]
    return dict(found)


def values(found: dict[str, Any], *names: str) -> list[str]:
    return [found[name]["value"] for name in names]


def test_how_it_goes_round(lab: Club) -> None:
    found = used(lab)
    assert values(found, "put_to_use", "charged", "returned", "bought") == ["550", "300", "160", "1000"]
    assert values(found, "used_up", "reused", "waste_avoided") == ["290", "100", "100"]
    assert (found["returned_fraction"], found["recycle_ratio"]) == ("0.5333", "0.2564")  # 160/300, 100/390
    assert len(found["months"]) == 12
    assert values(found["months"][-1], "used_up", "standing") == ["40", "610"]
    # Months of the year in which it stood there: 1000, 950 … 750, 610; five before it came.
    assert values(found, "standing_mean") == ["488.333"]
    assert found["turnover"] == "1.1263"
    assert values(found, "make_up_per_month") == ["24.166"]


def test_one_month(lab: Club, now: datetime) -> None:
    found = used(lab, f"?since={now:%Y-%m}&until={now:%Y-%m}")
    assert len(found["months"]) == 1
    assert values(found, "used_up", "bought", "standing_mean") == ["40", "0", "610"]


def test_how_long_it_lasts(lab: Club, now: datetime) -> None:
    """Five whole months of 50 mL each have no spread; 610 mL last 610/50 months."""
    ahead = used(lab)["outlook"]
    assert (ahead["code"], ahead["months"], ahead["per_month"]["value"]) == ("forecast", 5, "50")
    assert ahead["per_month"]["uncertainty"] == "0"
    today = ahead["reorder_on"]
    assert today == ahead["earliest_on"] == ahead["latest_on"]
    days = (datetime.fromisoformat(today).date() - now.date()).days
    assert abs(days - 610 / 50 * 365.25 / 12) <= 2
    by: dict[str, Any] = {"lab": lab.lab, "actor": lab.steward, "now": now}
    stock_levels.stock_level_put(**by, solvent=solvent(KEY), minimum_ul=700_000)
    found = used(lab)
    assert (found["outlook"]["code"], found["outlook"]["minimum"]["value"]) == ("reached", "700")
    assert not any("stock level" in words for words in found["words"])


def test_without_a_price_it_says_so(lab: Club) -> None:
    found = used(lab)
    assert found["spared"] == []
    assert any("No price" in words for words in found["words"])


def test_a_price_turns_it_into_money(lab: Club, now: datetime) -> None:
    api, address = Api(lab.steward), f"{base(lab)}solvent-prices/"
    body = {"solvent": KEY, "per_litre": "38.50", "waste_per_litre": "4", "currency": "EUR"}
    made = api.post(address, body | {"since_on": now.date().isoformat()})
    assert made.status_code == 201, made.content
    assert (made.json()["per_litre"], made.json()["since_on"]) == ("38.5000", now.date().isoformat())
    (saved,) = used(lab)["spared"]
    assert (saved["not_bought"], saved["not_thrown_away"]) == ("3.85", "0.40")
    assert saved["volume"]["value"] == "100"
    assert api.post(address, body | {"per_litre": "40"}).status_code == 201
    assert used(lab)["spared"][0]["not_bought"] == "4.00"
    assert [p["per_litre"] for p in api.get(address).json()["results"]] == ["38.5000", "40.0000"]
    assert Event.objects.filter(verb="solvent-price-set").count() == 2


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"per_litre": "-1"}, "not-a-number"),
        ({"per_litre": "1e5"}, "not-a-number"),
        ({"per_litre": "1.2.3"}, "not-a-number"),
        ({"per_litre": "0.00001"}, "out-of-range"),
        ({"per_litre": "99999999"}, "out-of-range"),
        ({"waste_per_litre": "x"}, "not-a-number"),
        ({"currency": "eur"}, "bad-currency"),
        ({"currency": "€"}, "bad-currency"),
        ({"solvent": "marmalade"}, "unknown-solvent"),
    ],
)
def test_prices_that_cannot_be_used_are_named(lab: Club, change: dict[str, str], code: str) -> None:
    body = {"solvent": KEY, "per_litre": "38.50", "currency": "EUR"} | change
    refused = Api(lab.steward).post(f"{base(lab)}solvent-prices/", body)
    assert (refused.status_code, codes(refused)) == (400, [code])
    assert not SolventPrice.objects.exists()


@pytest.mark.parametrize("query", ["since=2026-02&until=2026-01", "since=1900-01&until=2100-01"])
def test_a_period_that_cannot_be_used(lab: Club, query: str) -> None:
    refused = Api(lab.auditor).get(f"{base(lab)}solvent-use/?{query}")
    assert (refused.status_code, codes(refused)) == (400, ["bad-period"])
