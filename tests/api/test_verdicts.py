"""Verdicts, quarantines and the answers of draws over the API; the page and the due list say the same."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone

from inventory.models import Container, Event
from inventory.services import safety
from tests import factories as make
from tests.api.client import Api, codes

pytestmark = pytest.mark.django_db
THF, DIPE, ACETATE = "tetrahydrofuran", "diisopropyl-ether", "ethyl-acetate"
USES = ["draw", "distil", "keep", "open", "move"]


@pytest.fixture
def club() -> make.Club:
    return make.club(now=timezone.now() - timedelta(days=2))


def stocked(club: make.Club, key: str = THF, **facts: Any) -> Container:
    began = timezone.now() - timedelta(days=1)
    return make.stocked(club, key, now=began, **{"received_on": began.date(), **facts})


def address(club: make.Club, bottle: Container, part: str = "verdicts/") -> str:
    return f"/api/v1/labs/{club.lab.slug}/containers/{bottle.code}/{part}"


def levels(api: Api, club: make.Club, bottle: Container) -> dict[str, str]:
    answer = api.get(address(club, bottle))
    assert answer.status_code == 200
    return {verdict["use"]: verdict["level"] for verdict in answer.json()["verdicts"]}


def test_every_use_with_its_reasons_and_whom_to_call(club: make.Club) -> None:
    api, bottle = Api(club.member), stocked(club, inhibited=True)
    body = api.get(address(club, bottle)).json()
    assert [verdict["use"] for verdict in body["verdicts"]] == USES
    # Any peroxide is treated before distilling (Iowa State pec/9), so one that is untested is not distilled.
    assert levels(api, club, bottle) == {**dict.fromkeys(USES, "use"), "distil": "test-first"}
    assert body["emergency"] == {"words": "Ring 112.", "contact": ""}
    assert "local code" in body["local_code"]
    distil = body["verdicts"][1]
    assert (distil["allowed"], distil["words"]) == (False, "Test before use")
    assert all(reason["source"] and reason["fact"] for reason in distil["reasons"])
    only = api.get(address(club, bottle, "verdicts/?use=distil")).json()["verdicts"]
    assert only == [distil]
    assert api.get(address(club, bottle, "verdicts/?use=drink")).status_code == 400


def test_the_containers_own_page_tells_the_same(club: make.Club) -> None:
    api, bottle = Api(club.member), stocked(club)
    safety.observe(lab=club.lab, actor=club.member, now=timezone.now(), container=bottle, sign="crystals")
    # Crystals: do not open, call (Michigan State EHS); do not handle (UCLA EHS).
    assert levels(api, club, bottle) == dict.fromkeys(USES, "do-not-touch")
    assert api.get(address(club, bottle, "")).json()["verdicts"] == dict.fromkeys(USES, "do-not-touch")


def test_empty_and_discarded(club: make.Club) -> None:
    api = Api(club.steward)
    never = make.empty(club, code="E-1")
    by_use = {v["use"]: v for v in api.get(address(club, never)).json()["verdicts"]}
    assert {use: v["allowed"] for use, v in by_use.items()} == {
        "draw": False, "distil": False, "keep": True, "open": True, "move": True,
    }  # fmt: skip
    gone = stocked(club, ACETATE)
    assert api.post(address(club, gone, "discards/")).status_code == 201
    for verdict in api.get(address(club, gone)).json()["verdicts"]:
        assert (verdict["allowed"], verdict["reasons"][0]["code"]) == (False, "discarded")


def test_a_draw_against_the_verdict_is_booked_told_and_kept(club: make.Club) -> None:
    """Opened 2 years ago, uninhibited, never tested: long past 3 months (Princeton EHS)."""
    old = timezone.now().date() - timedelta(days=730)
    api, bottle = Api(club.member), stocked(club, received_on=old, opened_on=old)
    answer = api.post(address(club, bottle, "draws/"), {"volume": "10 mL"})
    assert answer.status_code == 201
    (told,) = answer.json()["verdicts"]
    assert (told["container"]["code"], told["use"], told["level"]) == (bottle.code, "draw", "test-first")
    assert told["reasons"][0]["code"] == "opened-interval"
    event = Event.objects.get(verb="used-against-verdict")
    assert (event.subject_id, event.actor, event.data["level"]) == (bottle.pk, club.member, "test-first")
    assert [reason["code"] for reason in event.data["reasons"]] == ["opened-interval"]
    assert (event.data["kind"], make.fresh(bottle).volume_ul) == ("draw", 490_000)


def test_a_draw_that_nothing_speaks_against_says_nothing(club: make.Club) -> None:
    api, bottle = Api(club.member), stocked(club, inhibited=True)
    assert api.post(address(club, bottle, "draws/"), {"volume": "10 mL"}).json()["verdicts"] == []
    assert not Event.objects.filter(verb="used-against-verdict").exists()


def test_pours_and_charges_are_told_too(club: make.Club) -> None:
    old = timezone.now().date() - timedelta(days=730)
    api, bottle, into = Api(club.member), stocked(club, received_on=old, opened_on=old), make.empty(club)
    poured = api.post(address(club, bottle, "pours/"), {"into": into.code, "volume": "5 mL"}).json()
    assert {told["container"]["code"] for told in poured["verdicts"]} == {bottle.code, into.code}
    assert Event.objects.get(verb="used-against-verdict").data["kind"] == "pour"


def test_a_quarantine_is_anyones_to_set_and_a_supervisors_to_lift(club: make.Club) -> None:
    api, bottle = Api(club.member), stocked(club, inhibited=True)
    assert codes(api.post(address(club, bottle, "quarantines/"), {})) == ["missing"]
    set_aside = {"reason": "leaf bits in it"}
    assert api.post(address(club, bottle, "quarantines/"), set_aside).status_code == 201
    assert codes(api.post(address(club, bottle, "quarantines/"), set_aside)) == ["already-set-aside"]
    found = levels(api, club, bottle)
    assert (found["draw"], found["keep"]) == ("do-not-use", "use")
    shown = api.get(address(club, bottle, "")).json()
    assert (shown["quarantine_reason"], shown["quarantined_at"] is not None) == ("leaf bits in it", True)
    for person in (club.member, club.steward):
        assert Api(person).post(address(club, bottle, "releases/"), {"reason": "x"}).status_code == 403
    head = Api(club.supervisor)
    assert codes(head.post(address(club, bottle, "releases/"), {"reason": " "})) == ["missing"]
    why = {"reason": "filtered and tested again"}
    assert head.post(address(club, bottle, "releases/"), why).status_code == 201
    assert levels(api, club, bottle)["draw"] == "use"
    (told,) = api.get(address(club, bottle, "")).json()["loosened"]
    assert (told["what"], told["reason"], told["from"]["levels"]["draw"]) == (
        "Lifting a quarantine", "filtered and tested again", "do-not-use",
    )  # fmt: skip
    assert codes(head.post(address(club, bottle, "releases/"), why)) == ["not-set-aside"]


def test_a_milder_closure_is_a_supervisors_to_sign(club: make.Club) -> None:
    """Michigan State EHS: a metal screw cap or glass stopper is not opened; an unknown cap may be one."""
    use_policy(club, "michigan-state")
    bottle = stocked(club, inhibited=True)
    steward, change = Api(club.steward), {"closure": "plastic-screw", "reason": "looked at it"}
    assert levels(steward, club, bottle)["open"] == "do-not-touch"
    assert codes(steward.patch(address(club, bottle, ""), change, if_match="*")) == ["loosening-not-signed"]
    assert Api(club.supervisor).patch(address(club, bottle, ""), change, if_match="*").status_code == 200
    assert levels(steward, club, bottle)["open"] == "use"
    assert (
        steward.patch(address(club, bottle, ""), {"closure": "glass-stopper"}, if_match="*").status_code
        == 200
    )
    assert levels(steward, club, bottle)["open"] == "do-not-touch"


def use_policy(club: make.Club, key: str) -> None:
    head, lab = Api(club.supervisor), f"/api/v1/labs/{club.lab.slug}/"
    answer = head.patch(lab, {"policy": key, "reason": "the school's own table"}, if_match="*")
    assert answer.status_code == 200, answer.content


def test_whoever_tests_or_opens_sees_at_once_what_now_holds(club: make.Club) -> None:
    """Michigan State EHS: from 25 ppm not used any more."""
    api = Api(club.member)
    bottle = stocked(club, inhibited=True, opened="unopened", opened_on=None)
    opened = api.post(address(club, bottle, "openings/"), {"opened_on": str(timezone.now().date())}).json()
    assert {v["use"]: v["level"] for v in opened["verdicts"]}["draw"] == "use"
    made = api.post(address(club, bottle, "tests/"), {"reading": "30", "method": "strip-100"}).json()
    now = {v["use"]: v for v in made["verdicts"]}
    assert (now["draw"]["level"], now["draw"]["allowed"]) == ("do-not-use", False)
    assert now["draw"]["reasons"][0]["code"] == "reading-at-or-above-level"


def test_the_due_list_leads_with_the_sign_and_tells_what_to_do(club: make.Club) -> None:
    api, bottle = Api(club.member), stocked(club, inhibited=True)
    api.post(address(club, bottle, "signs/"), {"sign": "crystals"})
    (item,) = api.get(f"/api/v1/labs/{club.lab.slug}/due/").json()["results"]
    assert (item["code"], item["level"], item["days_overdue"]) == ("sign-crystals", "do-not-touch", None)
    assert "do not open, test" in item["advice"]
    assert [reason["code"] for reason in item["reasons"]] == ["sign-crystals"]
    treated = api.post(address(club, bottle, "treatments/"), {"kind": "peroxides-removed", "how": "column"})
    assert (treated.status_code, codes(treated)) == (409, ["sign-crystals"])
    done = {"kind": "peroxides-removed", "how": "column", "already_done": True}
    booked = api.post(address(club, bottle, "treatments/"), done).json()
    assert booked["warnings"][0] == "It was treated against its verdict: Do not touch: get help."
