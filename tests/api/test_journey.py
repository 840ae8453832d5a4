"""A newcomer's first day, as they would do it with curl: one token, a bottle, a run, the due list."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.utils import timezone

from tests.api.client import Api, base, token_for
from tests.factories import TIME_ZONE, Club, club

pytestmark = pytest.mark.django_db


def test_a_newcomer_receives_draws_tests_runs_and_reads_the_books() -> None:
    lab = club(now=timezone.now())
    api, root = Api(token=token_for(lab, "steward", "manage")), base(lab)
    bottle = receives(lab, api, root)
    entry = draws_and_tests(api, root, bottle)
    flask = runs(api, root, bottle)
    reads_the_books(api, root, flask)
    looks_after_what_is_due(api, root, flask)
    reversed_ = api.post(f"{root}entries/{entry}/reversals/", {"reason": "wrong bottle"})
    assert reversed_.status_code == 201, reversed_.content
    assert api.get(f"{root}movements/?entry={entry}").json()["results"][0]["reversed_by"]


def receives(lab: Club, api: Api, root: str) -> dict[str, Any]:
    me = api.get("/api/v1/me/").json()
    assert me["username"] == lab.steward.username
    assert me["labs"] == [{"role": "steward", "slug": lab.lab.slug, "name": "Biscuit Club"}]
    assert me["token"]["scope"] == "manage"

    cabinet = api.post(f"{root}locations/", {"name": "Blue cabinet", "kind": "cabinet"}).json()
    made = api.post(
        f"{root}containers/",
        {
            "solvent": "ether",
            "volume": {"value": "1.0", "unit": "L", "instrument": "supplier-label"},
            "capacity": "1 L",
            "location": "blue cabinet",
            "origin": "purchased",
            "inhibited": True,
            "inhibitor": "BHT",
            "received_on": timezone.now().date().isoformat(),
            "opened": "unopened",
        },
    )
    assert made.status_code == 201, made.content
    bottle = made.json()
    assert bottle["solvent"]["key"] == "diethyl-ether"
    assert bottle["location"] == {"id": cabinet["id"], "name": "Blue cabinet"}
    assert bottle["volume"]["value"] == "1000"
    assert made["Location"] == f"{root}containers/{bottle['id']}/"
    return dict(bottle)


def draws_and_tests(api: Api, root: str, bottle: dict[str, Any]) -> str:
    """Returns the entry of the draw."""
    drawn = api.post(f"{root}containers/{bottle['code']}/draws/", {"volume": "250 mL", "to": "product"})
    assert drawn.status_code == 201, drawn.content
    assert drawn.json()["containers"][0]["volume"]["value"] == "750"
    seen = api.get(f"{root}containers/{bottle['id']}/")
    assert seen.json()["opened"] == "opened"
    assert seen.json()["due"]["reasons"]

    tested = api.post(f"{root}containers/{bottle['id']}/tests/", {"reading": "<0.5", "method": "strip-25"})
    assert tested.status_code == 201, tested.content
    assert tested.json()["upper_mg_per_l"] == "0.5"
    return str(drawn.json()["entry"])


def runs(api: Api, root: str, bottle: dict[str, Any]) -> dict[str, Any]:
    """Charges 200 mL, gets 150 mL back, explains 20 mL of the rest. Returns the flask of what came back."""
    run = api.post(f"{root}runs/", {"purpose": "fat in biscuits"}).json()
    asked = f"{root}runs/{run['id']}/clearance-checks/?container={bottle['code']}&volume=200 mL"
    check = api.get(asked).json()
    # A fifth of 200 mL by the policy in use, by hand.
    assert (check["allowed"], check["heel"]["volume"]["value"]) == (True, "40")
    flask = api.post(f"{root}containers/", {"capacity": "500 mL"}).json()
    charged = api.post(f"{root}runs/{run['id']}/charges/", {"container": bottle["code"], "volume": "200 mL"})
    assert charged.json()["run"]["sums"][0]["charged"]["value"] == "200"
    assert charged.json()["clearance"]["test"]
    back = api.post(f"{root}runs/{run['id']}/returns/", {"container": flask["id"], "volume": "150 mL"})
    assert back.status_code == 201, back.content
    closed = api.post(
        f"{root}runs/{run['id']}/closings/", {"losses": [{"to": "water-layer", "volume": "20 mL"}]}
    )
    assert closed.json()["sums"][0]["lost"]["value"] == "50"
    # 50 mL lost of 200 mL charged, by hand.
    assert closed.json()["sums"][0]["loss_fraction"] == "0.2500"
    return dict(flask)


def reads_the_books(api: Api, root: str, flask: dict[str, Any]) -> None:
    rates = api.get(f"{root}reports/loss-rates/?by=solvent,purpose").json()["results"]
    assert rates[0]["group"] == {"solvent": "diethyl-ether", "purpose": "fat in biscuits"}
    assert rates[0]["loss_fraction"] == "0.2500"
    flows = api.get(f"{root}reports/flows/").json()["results"]
    # 1000 received - 250 drawn - 200 charged + 150 returned, by hand.
    assert flows[-1]["closing"]["value"] == "700"
    lot = api.get(f"{root}containers/{flask['id']}/").json()["lot"]
    assert (lot["origin"], lot["inhibited"], lot["times_distilled"]) == ("recovered", False, 1)
    assert lot["made_on"] == timezone.localdate(timezone=ZoneInfo(TIME_ZONE)).isoformat()
    (parent,) = api.get(f"{root}lots/{lot['id']}/").json()["parents"]
    assert parent["origin"] == "purchased"


def looks_after_what_is_due(api: Api, root: str, flask: dict[str, Any]) -> None:
    api.post(f"{root}containers/{flask['id']}/signs/", {"sign": "crystals", "words": "white rim"})
    due = api.get(f"{root}due/").json()["results"]
    assert due[0]["container"]["code"] == flask["code"]
    assert due[0]["state"] == "sign seen"
    swept = api.post(f"{root}sweeps/").json()
    assert sum(rule["opened"] for rule in swept["rules"]) >= 1
    assert api.get(f"{root}alerts/?open=true").json()["results"]
    assert api.get(f"{root}events/").json()["results"][0]["verb"]
