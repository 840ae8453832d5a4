"""Locations, limits, warnings and waste as a program meets them."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from inventory.models import Event, WasteContainer
from inventory.services import waste
from inventory.services.waste import WasteFacts
from tests.api.client import Api, base, codes, token_for
from tests.factories import Club, club, empty, stocked

pytestmark = pytest.mark.django_db
OWN = {"name": "Club rule", "limit": "1 L", "code": "club rule", "source": "the club", "effect": "refuse"}


@pytest.fixture
def lab(db: None) -> Club:
    return club(now=timezone.now() - timedelta(days=1))


@pytest.fixture
def api(lab: Club) -> Api:
    return Api(lab.supervisor)


@pytest.fixture
def steward(lab: Club) -> Api:
    return Api(token=token_for(lab, "steward", "manage"))


def bottle(lab: Club, code: str, key: str = "ethyl-acetate", **facts: Any) -> str:
    now = timezone.now() - timedelta(hours=12)
    stocked(lab, key, "600 mL", code=code, now=now, received_on=now.date(), **facts)
    return f"{base(lab)}containers/{code}/"


def cabinet(api: Api, lab: Club, **limit: Any) -> str:
    room = api.post(f"{base(lab)}locations/", {"name": "Room 1", "kind": "room"}).json()
    made = api.post(
        f"{base(lab)}locations/", {"name": "Blue cabinet", "kind": "cabinet", "parent": room["id"]}
    )
    address = f"{base(lab)}locations/{made.json()['id']}/"
    assert made["Location"] == address
    assert api.post(f"{address}limits/", {"own": {**OWN, **limit}}).status_code == 201
    return address


def test_a_put_away_warns_refuses_and_is_overridden(lab: Club, api: Api, steward: Api) -> None:
    address = cabinet(api, lab)
    one, two = bottle(lab, "B-1"), bottle(lab, "B-2")
    put = {"location": "Blue cabinet"}
    assert steward.post(f"{one}put-aways/", put).json()["warnings"] == []
    refused = steward.post(f"{two}put-aways/", put)
    assert (refused.status_code, codes(refused)) == (409, ["over-limit"])
    assert "0.2 L too much" in refused.json()["detail"]
    denied = steward.post(f"{two}put-aways/", {**put, "override_reason": "no room elsewhere today"})
    assert (denied.status_code, codes(denied)) == (403, ["override-not-signed"])
    done = api.post(f"{two}put-aways/", {**put, "override_reason": "no room elsewhere today"})
    (warning,) = done.json()["warnings"]
    assert (done.status_code, warning["code"], warning["code_of_rule"]) == (201, "over-limit", "club rule")
    shown = api.get(address).json()["limits"][0]
    assert (shown["used"]["value"], shown["over"]["value"], shown["percent"]) == ("1200", "200", "120.0")
    assert Event.objects.filter(verb="storage-overridden").count() == 1
    # Draws are never in the way.
    assert api.post(f"{two}draws/", {"volume": "5 mL"}).status_code == 201


def test_receipts_pours_and_returns_answer_with_warnings(lab: Club, api: Api) -> None:
    cabinet(api, lab, effect="warn", limit="700 mL")
    address = f"{base(lab)}containers/"
    body = {"solvent": "ethyl acetate", "volume": "600 mL", "capacity": "1 L", "location": "Blue cabinet"}
    first, second = (api.post(address, body).json() for _ in range(2))
    assert [[w["code"] for w in made["warnings"]] for made in (first, second)] == [[], ["over-limit"]]
    more = api.post(f"{address}{first['id']}/put-backs/", {"volume": "1 mL", "from": "product"}).json()
    assert [w["effect"] for w in more["warnings"]] == ["warn"]
    empty(lab, code="E-1", now=timezone.now())
    poured = api.post(f"{address}{first['id']}/pours/", {"into": "E-1", "volume": "10 mL"}).json()
    assert poured["warnings"] == []
    assert api.post(address, {"capacity": "1 L", "location": "Blue cabinet"}).json()["warnings"] == []


def test_a_set_of_published_rows_is_applied_and_only_a_supervisor_loosens(
    lab: Club, api: Api, steward: Api
) -> None:
    address = cabinet(api, lab)
    made = steward.post(f"{address}limits/", {"template": {"name": "osha-cabinet"}}).json()["results"]
    figures = {row["template"]: (row["limit"]["value"], row["effect"]) for row in made}
    assert figures["osha-cabinet-1-3"] == ("227124.707", "refuse")  # 60 gal, rounded down to the microlitre
    assert codes(steward.post(f"{address}limits/", {"template": {"name": "osha-cabinet"}})) == ["limit-there"]
    assert codes(steward.post(f"{address}limits/", {})) == ["one-of-both"]
    assert codes(steward.post(f"{address}limits/", {"template": {"name": "nfpa45-c"}})) == ["missing"]
    one = f"{base(lab)}limits/{made[0]['id']}/"
    tag = steward.get(one)["ETag"]
    assert steward.patch(one, {"limit": "50 L"}).status_code == 428
    stricter = steward.patch(one, {"limit": "50 L"}, if_match=tag).json()
    assert (stricter["limit"]["value"], stricter["template"]) == ("50000", "")
    looser = {"limit": "60 L", "reason": "a larger cabinet"}
    assert steward.patch(one, looser, if_match="*").status_code == 403
    assert api.patch(one, looser, if_match="*").json()["limit"]["value"] == "60000"
    assert api.post(f"{one}endings/", {"reason": "the cabinet is gone"}).json()["ended_at"]
    assert len(api.get(f"{address}limits/").json()["results"]) == 3
    assert len(api.get(f"{address}limits/?ended=true").json()["results"]) == 1


def test_storage_shows_the_fullest_first_and_neighbours(lab: Club, api: Api) -> None:
    cabinet(api, lab, effect="warn")
    for code, key in (("B-1", "acetic-acid"), ("B-2", "pyridine")):
        api.post(f"{bottle(lab, code, key)}put-aways/", {"location": "Blue cabinet"})
    body = api.get(f"{base(lab)}storage/").json()
    assert [(row["name"], row["over"]) for row in body["results"]] == [
        ("Blue cabinet", True),
        ("Room 1", False),
    ]
    (pair,) = body["neighbours"]
    assert (pair["one"]["key"], pair["other"]["key"], pair["effect"]) == ("acetic-acid", "pyridine", "warn")


def test_storage_costs_the_same_however_much_stands_there(lab: Club, api: Api) -> None:
    cabinet(api, lab, effect="warn", limit="100 L")
    api.get(f"{base(lab)}storage/")
    counts = []
    for turn in range(3):
        with CaptureQueriesContext(connection) as asked:
            assert api.get(f"{base(lab)}storage/").status_code == 200
        counts.append(len(asked))
        for number in range(5):
            address = bottle(lab, f"B-{turn}-{number}")
            api.post(f"{address}put-aways/", {"location": "Blue cabinet"})
            api.post(f"{base(lab)}locations/", {"name": f"Shelf {turn} {number}"})
    assert len(set(counts)) == 1


def test_a_location_moves_with_what_is_in_it_and_ends_when_empty(lab: Club, api: Api) -> None:
    address = cabinet(api, lab)
    shelf = api.post(f"{base(lab)}locations/", {"name": "Shelf"}).json()
    own = f"{base(lab)}locations/{shelf['id']}/"
    for code in ("B-1", "B-2"):
        api.post(f"{bottle(lab, code)}put-aways/", {"location": "Shelf"})
    refused = api.patch(own, {"parent": "Blue cabinet"}, if_match="*")
    assert (refused.status_code, codes(refused)) == (409, ["over-limit"])
    signed = {"parent": "Blue cabinet", "override_reason": "for a day only"}
    done = api.patch(own, signed, if_match="*").json()
    assert [w["code"] for w in done["warnings"]] == ["over-limit"]
    assert codes(api.patch(address, {"parent": "Shelf"}, if_match="*")) == ["inside-itself"]
    assert codes(api.post(f"{own}endings/", {"reason": "taken down"})) == ["not-empty"]
    for code in ("B-1", "B-2"):
        api.post(f"{base(lab)}containers/{code}/discards/", {})
    assert api.post(f"{own}endings/", {"reason": "taken down"}).json()["ended_at"]
    assert codes(api.post(f"{bottle(lab, 'B-3')}put-aways/", {"location": shelf["id"]})) == [
        "unknown-location"
    ]
    assert [row["name"] for row in api.get(f"{base(lab)}locations/?ended=true").json()["results"]] == [
        "Shelf"
    ]


def test_published_tables_come_with_their_sources(lab: Club, api: Api) -> None:
    body = api.get(f"{base(lab)}storage-limit-templates/").json()
    assert all(row["source"] and row["code"] for row in body["limits"])
    assert {row["key"] for row in body["reductions"]} >= {"nfpa45-b-above-3"}


def test_waste_from_a_bottle_a_run_and_elsewhere_until_it_is_collected(lab: Club, api: Api) -> None:
    address = f"{base(lab)}waste-containers/"
    body = {"stream": "halogen-free", "capacity": "2 L", "code": "W-1", "keeping": "small-generator"}
    made = api.post(address, body).json()
    assert (made["days_max"], made["nearly_full"], made["contents"]) == (180, False, [])
    bottle(lab, "B-1", "diethyl-ether")
    put = f"{address}w-1/additions/"
    added = api.post(put, {"container": "B-1", "volume": "100 mL"}).json()
    assert (added["waste"]["volume"]["value"], added["containers"][0]["volume"]["value"]) == ("100", "500")
    assert "20 ppm" in added["cautions"][0]["words"]
    assert api.post(put, {"solvent": "acetone", "volume": "200 mL"}).status_code == 201
    refused = api.post(put, {"solvent": "chloroform", "volume": "10 mL"})
    assert (refused.status_code, codes(refused)) == (409, ["never-together"])
    for wrong in ({}, {"container": "B-1", "solvent": "acetone"}, {"solvent": "acetone"}):
        assert api.post(put, wrong).status_code == 400

    bottle(lab, "B-2")
    run = api.post(f"{base(lab)}runs/", {"purpose": "leaf pigments", "distils": False}).json()
    runs = f"{base(lab)}runs/{run['id']}/"
    api.post(f"{runs}charges/", {"container": "B-2", "volume": "300 mL"})
    loss = {"to": "waste-container", "volume": "250 mL"}
    assert codes(api.post(f"{runs}closings/", {"losses": [loss]})) == ["missing"]
    closed = api.post(f"{runs}closings/", {"losses": [{**loss, "waste": "W-1"}]}).json()
    assert closed["sums"][0]["lost"]["value"] == "300"

    shown = api.get(f"{address}{made['id']}/").json()
    inside = {row["solvent"]["key"]: row["volume"]["value"] for row in shown["contents"]}
    assert inside == {"acetone": "200", "diethyl-ether": "100", "ethyl-acetate": "250"}
    gone = api.post(f"{address}W-1/collections/", {}).json()
    assert (gone["waste"]["volume"]["value"], len(gone["movements"])) == ("0", 3)
    assert codes(api.post(put, {"container": "B-1", "volume": "1 mL"})) == ["collected"]
    assert api.get(address).json()["results"] == []
    assert len(api.get(f"{address}?collected=true").json()["results"]) == 1
    assert (
        api.post(f"{base(lab)}entries/{gone['entry']}/reversals/", {"reason": "still here"}).status_code
        == 201
    )
    assert WasteContainer.objects.get().volume_ul == 550_000


def test_the_waste_of_a_month_is_weighed_once(lab: Club, api: Api) -> None:
    """0.2 L of acetone at 790.3 kg/m³ (CoolProp) is 158.06 g; a collection adds nothing to it."""
    now = timezone.now()
    facts = WasteFacts(stream="halogen-free", capacity_ul=300_000_000, code="W-1")
    waste.waste_add(lab=lab.lab, actor=lab.steward, now=now - timedelta(hours=1), facts=facts)
    address = f"{base(lab)}waste-containers/W-1/"
    api.post(f"{address}additions/", {"solvent": "acetone", "volume": "200 mL"})
    assert api.get(f"{base(lab)}waste-rules/").json()["mass_kg"] == "0.159"
    api.post(f"{address}collections/", {})
    body = api.get(f"{base(lab)}waste-rules/").json()
    assert (body["mass_kg"], [row["over"] for row in body["monthly"]]) == ("0.159", [False, False])


def test_waste_may_stay_longer_only_by_a_supervisor(lab: Club, api: Api, steward: Api) -> None:
    address = f"{base(lab)}waste-containers/"
    steward.post(address, {"stream": "halogen-free", "capacity": "2 L", "code": "W-1"})
    longer = {"keeping": "small-generator-far", "reason": "the site is far"}
    assert steward.patch(f"{address}W-1/", longer, if_match="*").status_code == 403
    changed = api.patch(f"{address}W-1/", longer, if_match="*").json()
    assert (changed["days_max"], changed["days_source"][:15]) == (270, "Small generator")
    stricter = {"days_max": 30, "days_source": "club rule", "full_percent": 50}
    assert steward.patch(f"{address}W-1/", stricter, if_match="*").json()["days_max"] == 30
    assert codes(steward.patch(f"{address}W-1/", {"days_max": 3}, if_match="*")) == ["missing"]
