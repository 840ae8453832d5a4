"""Runs in full over the API: kinds and fields of a lab's own, facts, waste, states of returns, reopening."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from typing import Any

import pytest
from django.utils import timezone

from inventory.models import Event, Movement
from inventory.services import waste
from inventory.services.audit import audit
from inventory.services.waste import WasteFacts
from tests.api.client import Api, base, codes, token_for
from tests.factories import Club, club, empty, stocked

pytestmark = pytest.mark.django_db


@pytest.fixture
def lab(db: None) -> Club:
    return club(now=timezone.now())


@pytest.fixture
def api(lab: Club) -> Api:
    return Api(lab.steward)


@pytest.fixture
def bench(lab: Club) -> Iterator[str]:
    """A bottle of hexane, which no gate stops, an empty one, a drum for waste, and a still."""
    now = timezone.now()
    stocked(lab, "n-hexane", code="H-1", now=now, received_on=now.date())
    empty(lab, code="H-2", now=now)
    facts = WasteFacts(stream="halogen-free solvents", capacity_ul=1_000_000, code="W-1")
    waste.waste_add(lab=lab.lab, actor=lab.steward, now=now, facts=facts)
    yield base(lab)
    assert audit(lab=lab.lab).clean


def started(api: Api, at: str, **more: Any) -> str:
    made = api.post(f"{at}runs/", {"purpose": "fat in biscuits", **more})
    assert made.status_code == 201, made.content
    return f"{at}runs/{made.json()['id']}/"


def charged(api: Api, at: str, **more: Any) -> str:
    run = started(api, at, **more)
    assert api.post(f"{run}charges/", {"container": "H-1", "volume": "100 mL"}).status_code == 201
    return run


def test_the_shipped_kinds_are_there_by_their_trade_terms(lab: Club, api: Api) -> None:
    kinds = {kind["key"]: kind for kind in api.get(f"{base(lab)}run-kinds/").json()["results"]}
    assert set(kinds) == {
        "liquid-liquid-extraction", "soxhlet-extraction", "column-chromatography", "recrystallisation",
        "distillation", "reaction", "rinsing", "other",
    }  # fmt: skip
    assert [key for key, kind in kinds.items() if not kind["distils"]] == ["rinsing"]
    fields = {field["key"]: field for field in api.get(f"{base(lab)}run-fields/").json()["results"]}
    asked = {one["field"] for kind in kinds.values() for one in kind["asks"]}
    assert asked <= set(fields)
    assert fields["water-volume"]["bounds"] == "0 to 100000 mL"


def test_a_lab_adds_a_kind_with_fields_and_defaults_of_its_own(api: Api, bench: str) -> None:
    leaf = {"key": "leaf-mass", "name": "Mass of leaves", "quantity": "mass", "unit": "g", "highest": "50"}
    assert api.post(f"{bench}run-fields/", leaf).status_code == 201
    asks = [{"field": "leaf-mass", "required": True}, {"field": "water-volume", "default": "30 mL"}]
    kind = {"key": "pigments", "name": "Pigments out of leaves", "asks": asks}
    made = api.post(f"{bench}run-kinds/", kind)
    assert (made.status_code, made.json()["distils"]) == (201, True)
    run = charged(api, bench, kind="pigments", facts={"leaf-mass": "4.2 g"})
    shown = api.get(run).json()
    assert (shown["kind"]["key"], shown["state"], shown["distils"]) == ("pigments", "open", True)
    assert [(one["field"], one["default"], one["told"]) for one in shown["asks"]] == [
        ("leaf-mass", None, True),
        ("water-volume", "30 mL", False),
    ]
    (fact,) = shown["facts"]
    assert (fact["field"], fact["text"], fact["number"], fact["unit"]) == ("leaf-mass", "4.2 g", "4.2", "g")
    refused = api.post(f"{run}facts/", {"facts": {"leaf-mass": "70 g"}})
    (error,) = refused.json()["errors"]
    assert (refused.status_code, error["pointer"], error["code"]) == (400, "/facts/leaf-mass", "out-of-range")
    assert "up to 50 g" in error["remedy"]


@pytest.mark.parametrize(
    ("body", "code"),
    [
        ({"key": "pigments", "name": "P", "asks": [{"field": "leaf-mass"}]}, "unknown-field"),
        ({"key": "pigments", "name": "P", "asks": [{"field": "cycles", "default": "many"}]}, "not-a-number"),
        ({"key": "distillation", "name": "P"}, "key-taken"),
        ({"key": "No Key", "name": "P"}, "bad-key"),
        ({"key": "pigments"}, "missing"),
        ({"key": "pigments", "copy_of": "none"}, "unknown-kind"),
        ({"key": "pigments", "name": "P", "distils": False}, "loosening-not-signed"),
    ],
)
def test_a_kind_that_cannot_be_is_refused(lab: Club, api: Api, body: Any, code: str) -> None:
    assert codes(api.post(f"{base(lab)}run-kinds/", body)) == [code]


def test_a_kind_that_does_not_distil_is_signed_for(lab: Club) -> None:
    """It takes the gate before a still away from every run of it."""
    head, at = Api(lab.supervisor), base(lab)
    body = {"key": "shaking", "name": "Shaking", "distils": False, "reason": "nothing is ever heated here"}
    assert head.post(f"{at}run-kinds/", body | {"reason": "ok"}).status_code == 400
    assert head.post(f"{at}run-kinds/", body).status_code == 201
    event = Event.objects.get(verb="run-kind-added")
    assert event.data["reason"] == "nothing is ever heated here"
    assert api_state(head, started(head, at, kind="shaking"))["distils"] is False
    assert api_state(head, started(head, at, kind="shaking", distils=True))["distils"] is True
    assert api_state(head, started(head, at))["distils"] is True


def api_state(api: Api, run: str) -> Any:
    return api.get(run).json()


def test_a_kind_never_takes_the_gate_away_afterwards(api: Api, bench: str) -> None:
    run = started(api, bench)
    tag = api.get(run)["ETag"]
    changed = api.patch(run, {"kind": "rinsing"}, if_match=tag)
    assert (changed.status_code, changed.json()["distils"]) == (200, True)
    rinsing = started(api, bench, kind="rinsing")
    refused = api.patch(rinsing, {"kind": "distillation"}, if_match="*")
    assert (refused.status_code, codes(refused)) == (409, ["kind-distils"])


def test_a_field_ends_only_once_no_kind_asks_for_it(lab: Club, api: Api) -> None:
    at = base(lab)
    leaf = {"key": "leaf-mass", "name": "Mass of leaves", "quantity": "mass", "unit": "g"}
    assert api.post(f"{at}run-fields/", leaf).status_code == 201
    asks = {"key": "pigments", "name": "Pigments out of leaves", "asks": [{"field": "leaf-mass"}]}
    assert api.post(f"{at}run-kinds/", asks).status_code == 201
    assert api.post(f"{at}run-fields/leaf-mass/endings/").status_code == 409
    assert api.post(f"{at}run-kinds/pigments/endings/").status_code == 201
    assert api.post(f"{at}run-fields/leaf-mass/endings/").status_code == 201


def test_shipped_kinds_are_copied_not_changed(lab: Club, api: Api) -> None:
    at = base(lab)
    assert codes(api.patch(f"{at}run-kinds/rinsing/", {"name": "R"}, if_match="*")) == ["is-shipped"]
    copy = api.post(f"{at}run-kinds/", {"key": "soxhlet-2", "copy_of": "soxhlet-extraction", "name": "Two"})
    assert [one["field"] for one in copy.json()["asks"]][:2] == ["cycles", "take-over-time"]
    own = f"{at}run-kinds/soxhlet-2/"
    tag = api.get(own)["ETag"]
    changed = api.patch(own, {"asks": [{"field": "cycles", "default": "12"}]}, if_match=tag)
    assert changed.json()["asks"] == [{"field": "cycles", "default": "12", "required": False}]
    assert api.patch(own, {"name": "Three"}, if_match=tag).status_code == 412
    assert api.post(f"{own}endings/").status_code == 201
    assert codes(api.post(f"{at}runs/", {"purpose": "x", "kind": "soxhlet-2"})) == ["unknown-kind"]


def test_facts_are_taken_back_and_told_late(api: Api, bench: str) -> None:
    run = charged(api, bench)
    facts = f"{run}facts/"
    assert api.post(facts, {"facts": {"water-volume": "150 mL", "contacts": 3}}).status_code == 201
    assert api.post(facts, {"facts": {"water-volume": {"value": "145", "unit": "mL", "uncertainty": "2"}}})
    assert codes(api.post(facts, {"facts": {"salting": None}})) == ["nothing-told"]
    api.post(f"{run}closings/", {})
    late = api.post(facts, {"facts": {"contacts": None, "salting": "saturated"}})
    assert late.status_code == 201
    known = {fact["field"]: fact for fact in api.get(facts).json()["results"]}
    assert (known["water-volume"]["number"], known["water-volume"]["uncertainty"]) == ("145", "2")
    assert known["contacts"]["taken_back"]
    assert len(api.get(f"{facts}?history=true").json()["results"]) == 5
    shown = [fact["field"] for fact in api.get(run).json()["facts"]]
    assert shown == ["water-volume", "salting"]
    assert Event.objects.filter(verb="run-facts-told").last().data["late"] is True  # type: ignore[union-attr]


def test_waste_in_mid_run_and_the_state_of_a_return(api: Api, bench: str) -> None:
    run = charged(api, bench)
    sent = api.post(f"{run}waste/", {"waste": "W-1", "volume": {"value": "20", "unit": "mL"}})
    assert sent.status_code == 201, sent.content
    moved = Movement.objects.get(kind="loss")
    assert (moved.volume_ul, moved.u_volume_ul > 0, moved.destination.kind) == (
        20_000,
        True,
        "waste-container",
    )
    assert codes(api.post(f"{run}waste/", {"waste": "W-1", "volume": "90 mL"})) == ["more-than-left"]
    assert codes(api.post(f"{run}waste/", {"waste": "none", "volume": "9 mL"})) == ["unknown-waste-container"]
    assert api.post(f"{run}losses/", {"to": "product", "volume": "5 mL"}).status_code == 201
    back = api.post(f"{run}returns/", {"container": "H-2", "volume": "50 mL", "state": "wet"}).json()
    body = {"entry": back["entry"], "state": "dried", "drying_agent": "magnesium sulfate"}
    assert api.post(f"{run}return-states/", body).status_code == 201
    assert codes(api.post(f"{run}return-states/", body | {"state": "wet"})) == ["agent-without-drying"]
    other = body | {"entry": str(moved.entry)}
    assert codes(api.post(f"{run}return-states/", other)) == ["unknown-return"]
    told = [row["state"] for row in api.get(f"{run}return-states/").json()["results"]]
    assert told == ["wet", "dried"]
    (row,) = api.get(run).json()["sums"]
    assert [row[part]["value"] for part in ("charged", "returned", "held", "lost")] == [
        "100",
        "50",
        "25",
        "25",
    ]


def test_a_run_is_opened_again_by_those_who_may_reverse(lab: Club, api: Api, bench: str) -> None:
    run = charged(api, bench)
    assert codes(api.post(f"{run}reopenings/", {"reason": "closed too early"})) == ["run-open"]
    closed = api.post(f"{run}closings/", {"losses": [{"to": "air", "volume": "10 mL"}]}).json()
    assert closed["state"] == "closed"
    program = Api(token=token_for(lab, "member", "log"))
    assert program.post(f"{run}reopenings/", {"reason": "closed too early"}).status_code == 403
    opened = api.post(f"{run}reopenings/", {"reason": "closed too early"})
    assert (opened.status_code, opened.json()["state"]) == (201, "open")
    assert opened.json()["sums"][0]["held"]["value"] == "100"
    assert api.get(run).json()["closing_entry"] is None


def test_lists_tell_kind_room_apparatus_and_state(lab: Club, api: Api, bench: str) -> None:
    at = bench
    assert api.post(f"{at}locations/", {"name": "Room 2", "kind": "room"}).status_code == 201
    still = api.post(f"{at}apparatus/", {"name": "Still 1", "kind": "still", "hold_up": "3 mL"}).json()
    assert still["hold_up"]["value"] == "3"
    taken = {"name": "still 1", "kind": "still"}
    assert codes(api.post(f"{at}apparatus/", taken)) == ["name-taken"]
    first = charged(api, at, kind="distillation", apparatus=["STILL 1"], location="Room 2")
    started(api, at)
    api.post(f"{first}closings/", {})
    found = api.get(f"{at}runs/?state=closed").json()["results"]
    assert [(r["kind"]["key"], r["location"]["name"], r["apparatus"][0]["name"]) for r in found] == [
        ("distillation", "Room 2", "Still 1")
    ]
    counts = {
        query: len(api.get(f"{at}runs/?{query}").json()["results"])
        for query in (
            "open=true", "open=false", "state=draft", f"apparatus={still['id']}", "kind=distillation",
            "kind=rinsing",
        )
    }  # fmt: skip
    assert list(counts.values()) == [1, 1, 0, 1, 1, 0]


def test_runs_as_a_table_for_spreadsheets(lab: Club, api: Api, bench: str) -> None:
    facts = {"water-volume": "150 mL"}
    run = charged(api, bench, kind="distillation", facts=facts, remarks="=1+1")
    api.post(f"{run}closings/", {})
    started(api, bench)
    made = api.get(f"{bench}runs/?format=csv&page_size=1")
    assert (made.status_code, made["Content-Type"]) == (200, "text/csv")
    rows = list(csv.DictReader(io.StringIO(made.content.decode())))
    assert [(row["state"], row["solvent"], row["lost_ml"]) for row in rows] == [
        ("closed", "n-hexane", "100"),
        ("open", "", ""),
    ]
    assert (rows[0]["facts"], rows[0]["remarks"]) == ("water-volume: 150 mL", "'=1+1")
    assert api.get(f"{bench}runs/?format=csv&language=en").content == made.content
    assert codes(api.get(f"{bench}runs/?format=csv&language=tlh")) == ["not-usable"]
    german = api.get(f"{bench}runs/?format=csv&language=de")
    assert german["Content-Disposition"].startswith('attachment; filename="laeufe-')
    text = german.content.decode()
    assert text.startswith("\ufeff"), "spreadsheets know by it how the letters are written"
    (said, _open) = csv.DictReader(io.StringIO(text[1:]))
    assert (said["Zustand"], said["Art"], said["Lösemittel"]) == ("abgeschlossen", "Destillation", "n-Hexan")
    assert (said["Was dazu angegeben ist"], said["Befunde"]) == (
        "Volumen der Wasserphasen: 150 mL", "",
    )  # fmt: skip
    assert (said["Verloren, mL"], said["Bemerkungen"]) == ("100", "'=1+1")
    assert list(said.values())[7:9] == list(rows[0].values())[7:9], "times are the same in any language"
    by_header = api.get(f"{bench}runs/?state=open", Accept="text/csv")
    assert len(list(csv.DictReader(io.StringIO(by_header.content.decode())))) == 1
    assert api.get(f"{bench}runs/", Accept="application/json").json()["results"]


def test_the_record_of_an_apparatus_is_added_to_and_taken_back(api: Api, bench: str) -> None:
    still = api.post(f"{bench}apparatus/", {"name": "Still 1", "kind": "still"}).json()
    at = f"{bench}apparatus/{still['id']}/"
    assert codes(api.post(f"{at}records/", {"what": "other"})) == ["missing"]
    made = api.post(f"{at}records/", {"what": "repaired", "note": "new joint"}).json()
    undo = f"{bench}apparatus-records/{made['id']}/withdrawals/"
    taken = api.post(undo, {"reason": "it was the other still"})
    assert (taken.status_code, taken.json()["withdraws"]) == (201, made["id"])
    assert codes(api.post(undo, {"reason": "again"})) == ["withdrawn-before"]
    rows = api.get(f"{at}records/").json()["results"]
    assert [(row["what"], row["withdrawn"]) for row in rows] == [("repaired", False), ("repaired", True)]
    assert api.patch(at, {"hold_up": "-2 mL"}, if_match="*").status_code == 400
    assert api.post(f"{at}endings/", {"reason": "broken"}).status_code == 201
    assert codes(api.patch(at, {"note": "x"}, if_match="*")) == ["apparatus-ended"]
