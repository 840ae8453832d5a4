"""The plan before a run, and the draft that it becomes, over the API."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone

from inventory.models import Alert, Event, Location, Movement
from inventory.services import places
from inventory.services.sweep import sweep
from recovery.models import Run
from recovery.selectors.losses import loss_rates
from recovery.selectors.overview import lab_summary, open_runs
from tests.api.client import Api, base, codes
from tests.factories import Club, club, second_club, stocked
from tests.factories import tested as passed

pytestmark = pytest.mark.django_db
NOW = timezone.now()
TODAY = NOW.date()
EXTRACTION: dict[str, Any] = {
    "water": "200 mL",
    "k": "4",
    "water_temperature": "20 °C",
    "wanted_percent": "95",
}
PLAN: dict[str, Any] = {"solvent": "diethyl-ether", "extraction": EXTRACTION}


@pytest.fixture
def lab(db: None) -> Club:
    """A room with its air, and ether: two bottles tested, one untested, one bad."""
    made = club(now=NOW - timedelta(days=30))
    room = places.location_get(lab=made.lab, name="Prep room", kind="room")
    Location.objects.filter(pk=room.pk).update(volume_m3="90", air_changes_per_h="4")
    earlier = NOW - timedelta(days=20)
    options: dict[str, Any] = {"now": earlier, "received_on": earlier.date(), "inhibited": False}
    late, soon = TODAY + timedelta(days=500), TODAY + timedelta(days=40)
    ether = [
        stocked(made, "diethyl-ether", "150 mL", code="E-late", expiry_on=late, **options),
        stocked(made, "diethyl-ether", "150 mL", code="E-soon", expiry_on=soon, **options),
        stocked(made, "diethyl-ether", "400 mL", code="E-untested", **options),
        stocked(made, "diethyl-ether", "300 mL", code="E-bad", **options),
    ]
    for bottle in ether[:2]:
        passed(made, bottle, now=NOW)
    passed(made, ether[3], now=NOW, reading=">25")
    return made


@pytest.fixture
def api(lab: Club) -> Api:
    return Api(lab.member)


def planned(api: Api, lab: Club, body: dict[str, Any]) -> dict[str, Any]:
    answer = api.post(f"{base(lab)}plans/", body)
    assert answer.status_code == 201, answer.content
    found: dict[str, Any] = answer.json()
    return found


def ul(quantity: dict[str, str]) -> int:
    return round(float(quantity["value"]) * 1000)


def test_a_plan_names_portions_and_the_bottles_to_take(lab: Club, api: Api) -> None:
    found = planned(api, lab, {**PLAN, "location": "Prep room", "over": "2 h", "mixing": "3"})
    chosen, stock = found["extraction"]["chosen"], found["stock"]
    assert float(chosen["yield_percent"]) >= 95
    assert chosen["portions"] > 1
    assert ul(stock["needed"]) == round(float(chosen["total_ml"]) * 1000)
    assert stock["take"][0]["container"]["code"] == "E-soon"
    assert {row["container"]["code"] for row in stock["take"]} <= {"E-soon", "E-late"}
    taken = sum(ul(row["volume"]) for row in stock["take"])
    assert taken + ul(stock["missing"]) == ul(stock["needed"])
    assert ul(stock["fit_fresh"]) == 300_000
    assert [row["container"]["code"] for row in stock["after_test"]] == ["E-untested"]
    bad = stock["not_fit"][0]
    assert bad["container"]["code"] == "E-bad"
    assert bad["against"][0]["source"]
    assert not Movement.objects.filter(kind="charge").exists()
    assert not Run.objects.exists()


def test_a_plan_says_what_stays_behind(lab: Club, api: Api) -> None:
    """Virginia Tech: a heel of at least 10 %; 100 mL of water keep 10.4 mL (CRC, from memory)."""
    found = planned(api, lab, {**PLAN, "kind": "liquid-liquid-extraction"})
    needed = ul(found["stock"]["needed"])
    assert ul(found["heel"]["volume"]) >= needed * 0.1
    terms = {term["code"]: term for term in found["predicted"]["terms"]}
    assert ul(terms["water-phase"]["amount"]) == pytest.approx(20_700, rel=0.1)
    heel = 0 if terms.get("heel", {}).get("amount") else ul(found["heel"]["volume"])
    assert ul(found["back"]) == needed - ul(found["predicted"]["total"]) - heel
    assert ul(found["back"]) <= needed * 0.9
    assert {"never-to-dryness", "local-code", "plan-clears-nothing"} <= {c["code"] for c in found["cautions"]}
    assert found["emergency"]["words"] == "Ring 112."


def test_the_vapour_check_knows_the_room(lab: Club, api: Api) -> None:
    known = planned(api, lab, {**PLAN, "location": "Prep room", "over": "2 h", "mixing": "3"})
    assert known["vapour"]["room"] == {"volume_m3": "90", "air_changes_per_h": "4", "mixing": "3"}
    unknown = planned(api, lab, PLAN)
    assert unknown["vapour"]["room"]["air_changes_per_h"] == "0"
    assert float(unknown["vapour"]["peak"]["near_ppm"]) > float(known["vapour"]["peak"]["near_ppm"])
    assert any("not known" in words for words in unknown["assumptions"])
    assert unknown["vapour"]["over"]
    assert any(caution["code"] == "vapour-over" for caution in unknown["cautions"])
    told = planned(
        api, lab, {**PLAN, "location": "Prep room", "room_volume": "40 m3", "air_changes": "2 per h"}
    )
    assert told["vapour"]["room"]["volume_m3"] == "40"
    portion = float(known["extraction"]["chosen"]["portion_ml"])
    assert float(known["spill"]["lost"]["value"]) == portion


def test_a_steward_tells_the_air_of_a_room(lab: Club, api: Api) -> None:
    room = Location.objects.get(name="Prep room")
    address, steward = f"{base(lab)}locations/{room.pk}/", Api(lab.steward)
    told = {"room_volume": "120 m3", "air_changes": "6 per h"}
    done = steward.patch(address, told, if_match="*").json()
    assert (done["room_volume"]["value"], done["air_changes"]["value"]) == ("120.00", "6.00")
    assert Event.objects.filter(verb="location-changed").latest("id").data["after"]["volume_m3"] == "120.00"
    plan = planned(api, lab, {**PLAN, "location": "Prep room"})
    assert plan["vapour"]["room"]["volume_m3"] == "120"
    assert steward.patch(address, {"room_volume": None}, if_match="*").json()["room_volume"] is None
    for wrong, code in (
        ({"room_volume": "0.1 L"}, "out-of-range"),
        ({"air_changes": "4 m3"}, "wrong-dimension"),
    ):
        assert codes(steward.patch(address, wrong, if_match="*")) == [code]
    assert api.patch(address, told, if_match="*").status_code == 403


def test_a_plan_without_distilling_takes_what_may_be_drawn(lab: Club, api: Api) -> None:
    body = {"solvent": "ether", "volume": "350 mL", "distils": False}
    found = planned(api, lab, body)
    assert found["extraction"] is None
    assert ul(found["heel"]["volume"]) == 0
    assert ul(found["back"]) == 0
    with_still = planned(api, lab, {**body, "distils": True})
    assert ul(found["stock"]["fit"]) >= ul(with_still["stock"]["fit"])
    assert ul(with_still["stock"]["missing"]) == 50_000
    assert not with_still["stock"]["enough"]


@pytest.mark.parametrize(
    ("body", "pointer", "code"),
    [
        ({"solvent": "ether"}, "/extraction", "one-of-two"),
        ({"solvent": "stuff", "volume": "5 mL"}, "/solvent", "unknown-solvent"),
        ({"solvent": "ether", "volume": "5 ppm"}, "/volume", "wrong-dimension"),
        ({**PLAN, "solvent": "ethanol"}, "/solvent", "no-layers"),
        ({**PLAN, "extraction": {**EXTRACTION, "k": "0"}}, "/extraction/k", "out-of-range"),
        ({**PLAN, "extraction": {"water": "5 mL"}}, "/extraction/k", "required"),
        ({**PLAN, "kind": "magic"}, "/kind", "unknown-kind"),
        ({**PLAN, "location": "nowhere"}, "/location", "unknown-location"),
        ({**PLAN, "facts": {"colour": "red"}}, "/facts/colour", "unknown-field"),
        ({**PLAN, "colour": "red"}, "/colour", "unknown-field"),
    ],
)
def test_what_a_plan_cannot_use_is_named(
    lab: Club, api: Api, body: dict[str, Any], pointer: str, code: str
) -> None:
    refused = api.post(f"{base(lab)}plans/", body)
    assert refused.status_code == 400
    assert {(error["pointer"], error["code"]) for error in refused.json()["errors"]} == {(pointer, code)}
    drafted = api.post(f"{base(lab)}runs/", {"purpose": "leaf pigments", "plan": body})
    assert {error["pointer"] for error in drafted.json()["errors"]} == {f"/plan{pointer}"}
    assert not Run.objects.exists()


def test_a_plan_knows_only_its_own_lab(lab: Club, api: Api) -> None:
    other = second_club(now=NOW - timedelta(days=30))
    assert api.post(f"{base(other)}plans/", PLAN).status_code == 404
    foreign = planned(Api(other.member), other, PLAN)
    assert ul(foreign["stock"]["fit"]) == 0
    assert foreign["stock"]["after_test"] == []


def test_a_plan_becomes_a_draft_with_one_call(lab: Club, api: Api) -> None:
    body = {"purpose": "leaf pigments", "plan": {**PLAN, "location": "Prep room"}}
    made = api.post(f"{base(lab)}runs/", body)
    assert made.status_code == 201, made.content
    run = made.json()
    assert (run["state"], run["location"]["name"], run["sums"]) == ("draft", "Prep room", [])
    shown = api.get(made["Location"]).json()
    assert shown["plan"]["planned"]["stock"]["take"]
    assert shown["plan"]["asked"]["extraction"]["k"] == "4"
    assert not Movement.objects.filter(kind="charge").exists()
    listed = api.get(f"{base(lab)}runs/?state=draft").json()["results"]
    assert [row["id"] for row in listed] == [run["id"]]
    assert api.get(f"{base(lab)}runs/?open=true").json()["results"] == []


def test_the_first_charge_starts_a_draft(lab: Club, api: Api) -> None:
    address = api.post(f"{base(lab)}runs/", {"purpose": "leaf pigments", "plan": PLAN})["Location"]
    Run.objects.update(started_at=NOW - timedelta(days=5))
    charged = api.post(f"{address}charges/", {"container": "E-soon", "volume": "50 mL"})
    assert charged.status_code == 201, charged.content
    run = api.get(address).json()
    assert run["state"] == "open"
    assert run["started_at"] >= (NOW - timedelta(minutes=1)).isoformat()[:16]
    assert run["plan"]["planned"]
    given_up = api.post(f"{address}abandonments/", {})
    assert (given_up.status_code, codes(given_up)) == (409, ["run-is-started"])


def test_the_gate_is_asked_when_a_draft_is_charged(lab: Club, api: Api) -> None:
    address = api.post(f"{base(lab)}runs/", {"purpose": "leaf pigments", "plan": PLAN})["Location"]
    refused = api.post(f"{address}charges/", {"container": "E-untested", "volume": "50 mL"})
    assert refused.status_code == 409
    assert api.get(address).json()["state"] == "draft"


def test_a_draft_counts_nowhere_and_can_be_given_up(lab: Club, api: Api) -> None:
    address = api.post(f"{base(lab)}runs/", {"purpose": "leaf pigments", "plan": PLAN})["Location"]
    Run.objects.update(started_at=NOW - timedelta(days=20))
    assert open_runs(lab=lab.lab)[0] == 0
    assert lab_summary(lab=lab.lab, today=TODAY)["open_runs"] == 0
    sweep(now=NOW, lab=lab.lab)
    assert not Alert.objects.filter(rule="run-open-too-long").exists()
    done = api.post(f"{address}abandonments/", {"reason": "no leaves"})
    assert (done.status_code, done.json()["state"]) == (201, "given-up")
    assert Event.objects.get(verb="draft-given-up").data["reason"] == "no leaves"
    assert loss_rates(lab=lab.lab) == []
    again = api.post(f"{address}abandonments/", {})
    assert (again.status_code, codes(again)) == (409, ["run-closed"])
    charged = api.post(f"{address}charges/", {"container": "E-soon", "volume": "50 mL"})
    assert (charged.status_code, codes(charged)) == (409, ["run-closed"])
    assert [row["state"] for row in api.get(f"{base(lab)}runs/?state=given-up").json()["results"]] == [
        "given-up"
    ]
    assert api.get(f"{base(lab)}runs/?state=closed").json()["results"] == []
    assert Api(lab.auditor).post(f"{address}abandonments/", {}).status_code == 403
