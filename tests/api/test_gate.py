"""The gate before a still over the API: the refusal, the override, the question beforehand, what is kept."""

from __future__ import annotations

from typing import Any

import pytest
from django.utils import timezone

from inventory.models import Container
from recovery.models import Clearance
from tests import factories as make
from tests.api.client import Api, base, codes, token_for
from tests.factories import Club, club, stocked

pytestmark = pytest.mark.django_db
OVERRIDE: dict[str, Any] = {"override": {"reason": "shown to the class, behind the shield"}}


@pytest.fixture
def lab(db: None) -> Club:
    return club(now=timezone.now())


@pytest.fixture
def ether(lab: Club) -> Container:
    now = timezone.now()
    return stocked(lab, "diethyl-ether", code="E-1", now=now, received_on=now.date())


def member(lab: Club) -> Api:
    return Api(token=token_for(lab, "member", "log"))


def start(lab: Club, **facts: Any) -> str:
    return str(member(lab).post(f"{base(lab)}runs/", {"purpose": "fat in biscuits", **facts}).json()["id"])


def charge(lab: Club, api: Api, run: str, key: str | None = None, **more: Any) -> Any:
    body = {"container": "E-1", "volume": "100 mL", **more}
    return api.post(f"{base(lab)}runs/{run}/charges/", body, key=key)


def passes_test(lab: Club, ether: Container) -> None:
    make.tested(lab, ether, now=timezone.now())


def test_a_refusal_names_every_reason_its_source_and_a_remedy(lab: Club, ether: Container) -> None:
    member(lab).post(f"{base(lab)}containers/E-1/signs/", {"sign": "peroxide-unknown"})
    refused = charge(lab, member(lab), start(lab))
    assert (refused.status_code, refused.json()["code"]) == (409, "distilling-not-cleared")
    assert set(codes(refused)) == {"distil-test-missing", "sign-peroxide-unknown"}
    for error in refused.json()["errors"]:
        assert (error["in"], error["pointer"]) == ("body", "/container")
        assert error["detail"].startswith("E-1: ")
        assert error["remedy"]
        assert error["source"]
    assert make.fresh(ether).volume_ul == 500_000


def test_a_charge_that_is_let_in_says_on_what(lab: Club, ether: Container) -> None:
    passes_test(lab, ether)
    run = start(lab)
    done = charge(lab, member(lab), run).json()
    clearance = done["clearance"]
    assert (clearance["level"], clearance["allowed"], clearance["override_reason"]) == ("use", True, "")
    # A fifth of 100 mL by the policy in use, by hand.
    assert clearance["heel"]["volume"]["value"] == done["run"]["heel"]["volume"]["value"] == "20"
    assert done["run"]["heel"]["source"] == clearance["heel"]["source"] != ""
    listed = member(lab).get(f"{base(lab)}runs/{run}/clearances/").json()["results"]
    assert listed == [clearance]
    assert member(lab).get(f"{base(lab)}runs/{run}/").json()["overrides"] == []


@pytest.mark.parametrize("role", ["member", "steward", "supervisor"])
def test_only_a_supervisor_who_is_signed_in_overrides(lab: Club, ether: Container, role: str) -> None:
    run = start(lab)
    scope = "log" if role == "member" else "manage"
    by_token = charge(lab, Api(token=token_for(lab, role, scope)), run, **OVERRIDE)
    assert by_token.status_code == 403
    signed_in = charge(lab, Api(lab.people[role]), run, **OVERRIDE)
    assert signed_in.status_code == (201 if role == "supervisor" else 403)
    if role != "supervisor":
        assert not Clearance.objects.exists()
        return
    shown = member(lab).get(f"{base(lab)}runs/{run}/").json()["overrides"]
    assert [one["reason"] for one in shown] == [OVERRIDE["override"]["reason"]]
    assert shown[0]["actor"] == lab.supervisor.username
    again = charge(lab, member(lab), run)
    assert codes(again) == ["distil-test-missing"], "the next charge is judged anew"


def test_an_override_without_a_reason_is_bad_input(lab: Club, ether: Container) -> None:
    refused = charge(lab, Api(lab.supervisor), start(lab), override={})
    assert (refused.status_code, codes(refused)) == (400, ["missing"])
    assert refused.json()["errors"][0]["pointer"] == "/override/reason"
    assert codes(charge(lab, Api(lab.supervisor), start(lab), override={"why": "x"})) == ["unknown-field"]


def test_a_repeat_clears_once(lab: Club, ether: Container) -> None:
    run = start(lab)
    first, again = (charge(lab, Api(lab.supervisor), run, key="k1", **OVERRIDE) for _ in range(2))
    assert (first.status_code, again["Idempotency-Replayed"]) == (201, "true")
    assert first.content == again.content
    assert Clearance.objects.count() == 1


def test_asking_beforehand_books_nothing(lab: Club, ether: Container) -> None:
    run = start(lab)
    address = f"{base(lab)}runs/{run}/clearance-checks/"
    asked = member(lab).get(f"{address}?container=E-1&volume=150 mL").json()
    assert (asked["allowed"], asked["level"], asked["may_be_overridden"]) == (False, "test-first", True)
    assert asked["heel"]["volume"]["value"] == "30"
    assert len(asked["steps"]) == 1
    cautions = {caution["code"] for caution in asked["cautions"]}
    assert {"local-code", "licensed-disposal", "never-to-dryness"} <= cautions
    assert asked["emergency"]["words"] == "Ring 112."
    passes_test(lab, ether)
    asked = member(lab).get(f"{address}?container=E-1").json()
    assert (asked["allowed"], asked["heel"], asked["steps"]) == (True, None, [])
    assert not Clearance.objects.exists()
    assert member(lab).get(address).json()["reasons"] == [], "nothing is in the run yet"


@pytest.mark.parametrize(
    ("query", "code"),
    [
        ("container=nothing", "unknown-container"),
        ("container=E-1&volume=much", "not-a-quantity"),
        ("colour=red", "unknown-parameter"),
    ],
)
def test_a_question_that_cannot_be_read(lab: Club, ether: Container, query: str, code: str) -> None:
    refused = member(lab).get(f"{base(lab)}runs/{start(lab)}/clearance-checks/?{query}")
    assert refused.status_code == 400
    assert refused.json()["errors"][0]["in"] == "query"
    if code != "not-a-quantity":
        assert codes(refused) == [code]


def test_never_to_dryness(lab: Club, ether: Container) -> None:
    passes_test(lab, ether)
    run = start(lab)
    charge(lab, member(lab), run)
    flask = make.empty(lab, now=timezone.now())
    back = {"container": str(flask.pk), "volume": "70 mL", "to_dryness": True}
    assert codes(member(lab).post(f"{base(lab)}runs/{run}/returns/", back)) == ["never-to-dryness"]
    closed = member(lab).post(f"{base(lab)}runs/{run}/closings/", {"to_dryness": True})
    assert (closed.status_code, codes(closed)) == (409, ["never-to-dryness"])
    dry = start(lab, to_dryness=True)
    assert codes(charge(lab, Api(lab.supervisor), dry, **OVERRIDE)) == ["never-to-dryness"]


def test_a_rinse_is_made_to_distil_through_the_gate(lab: Club, ether: Container) -> None:
    run = start(lab, distils=False)
    charged = charge(lab, member(lab), run).json()
    assert (charged["clearance"], charged["run"]["distils"]) == (None, False)
    address = f"{base(lab)}runs/{run}/distillings/"
    refused = member(lab).post(address)
    assert (refused.status_code, refused.json()["code"]) == (409, "distilling-not-cleared")
    assert member(lab).post(address, OVERRIDE).status_code == 403
    passes_test(lab, ether)
    made = member(lab).post(address)
    assert (made.status_code, made.json()["distils"]) == (201, True)
    assert made.json()["heel"]["volume"]["value"] == "20"
    assert codes(member(lab).post(address)) == ["distils-already"]
