"""Lots traced over the API, page by page."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlsplit

import pytest
from django.utils import timezone

from inventory.models import Container
from recovery.services import runs
from tests.api.client import Api, base, codes
from tests.factories import Club, club, empty, fresh, stocked

pytestmark = pytest.mark.django_db


@pytest.fixture
def lab(db: None) -> Club:
    return club(now=timezone.now())


@pytest.fixture
def api(lab: Club) -> Api:
    return Api(lab.member)


def distilled(lab: Club, times: int) -> list[Container]:
    """A bottle, and flasks with what was distilled of the last one: each time all of it, 10 mL less back."""
    now = timezone.now()
    held = [stocked(lab, "ethyl-acetate", now=now, received_on=now.date())]
    by: dict[str, Any] = {"lab": lab.lab, "actor": lab.member, "now": now}
    for _ in range(times):
        run, flask = runs.run_start(**by, purpose="fat in biscuits"), empty(lab, now=now)
        bottle = fresh(held[-1])
        runs.charge(**by, run=run, container=bottle, amount=f"{bottle.volume_ul // 1000} mL")
        runs.give_back(**by, run=run, container=flask, amount=f"{bottle.volume_ul // 1000 - 10} mL")
        runs.run_close(**by, run=run)
        held.append(fresh(flask))
    return held


def test_back(lab: Club, api: Api) -> None:
    bottles = distilled(lab, 3)
    lots = [str(b.lot_id) for b in bottles]
    body = api.get(f"{base(lab)}lots/{lots[3]}/ancestors/").json()
    assert (body["lots"], body["generations"], body["volume"]["value"]) == (3, 3, "470")
    assert [(r["id"], r["generation"], r["share"]) for r in body["results"]] == [
        (lots[2], 1, "1.000000"), (lots[1], 2, "1.000000"), (lots[0], 3, "1.000000"),
    ]  # fmt: skip
    assert [(t["origin"], t["volume"]["value"]) for t in body["by_origin"]] == [("purchased", "470")]
    first = body["results"][2]
    assert first["containers"] == [
        {"id": str(bottles[0].pk), "code": bottles[0].code,
         "volume": {"value": "0", "unit": "mL", "uncertainty": None}}
    ]  # fmt: skip
    assert len(first["runs"]) == 1


def test_forth(lab: Club, api: Api) -> None:
    lots = [str(b.lot_id) for b in distilled(lab, 2)]
    body = api.get(f"{base(lab)}lots/{lots[0]}/descendants/").json()
    assert [(r["id"], r["volume"]["value"]) for r in body["results"]] == [(lots[1], "490"), (lots[2], "480")]
    where = body["where"]
    assert (where["came_in"]["value"], where["in_containers"]["value"]) == ("500", "480")
    assert [(k["kind"], k["volume"]["value"]) for k in where["lost_in_runs"]] == [("unaccounted", "20")]
    assert where["gone"] == []


def test_pages_go_through_all_of_it_both_ways(lab: Club, api: Api) -> None:
    lots = [str(b.lot_id) for b in distilled(lab, 5)]
    for ordering, expected in (("generation", lots[1:]), ("-generation", lots[:0:-1])):
        seen: list[str] = []
        address: str | None = f"{base(lab)}lots/{lots[0]}/descendants/?page_size=2&ordering={ordering}"
        last = address
        while address:
            last, parts = address, urlsplit(address)
            body = api.get(f"{parts.path}?{parts.query}").json()
            seen += [result["id"] for result in body["results"]]
            address = body["next"]
        assert seen == expected
        parts = urlsplit(last or "")
        before = urlsplit(api.get(f"{parts.path}?{parts.query}").json()["previous"])
        ids = [result["id"] for result in api.get(f"{before.path}?{before.query}").json()["results"]]
        assert ids == expected[2:4]


def test_generations_are_limited(lab: Club, api: Api) -> None:
    lots = [str(b.lot_id) for b in distilled(lab, 3)]
    body = api.get(f"{base(lab)}lots/{lots[0]}/descendants/?generations=1").json()
    assert ([r["id"] for r in body["results"]], body["where"]) == ([lots[1]], None)
    assert len(body["words"]) == 2
    for query, code in (
        ("generations=0", "not-usable"),
        ("generations=x", "not-usable"),
        ("cursor=zz", "bad-cursor"),
    ):
        refused = api.get(f"{base(lab)}lots/{lots[0]}/ancestors/?{query}")
        assert (refused.status_code, codes(refused)) == (400, [code])


def test_how_often_distilled(lab: Club, api: Api) -> None:
    flask = distilled(lab, 2)[2]
    body = api.get(f"{base(lab)}containers/{flask.code}/times-distilled/").json()
    assert (body["most"], body["mean"]) == (2, "2.000000")
    assert [(r["times_distilled"], r["volume"]["value"]) for r in body["results"]] == [(2, "480")]
    none = api.get(f"{base(lab)}containers/{empty(lab, now=timezone.now()).code}/times-distilled/").json()
    assert (none["most"], none["mean"], none["results"]) == (None, None, [])
