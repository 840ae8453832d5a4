"""Containers over REST: an empty one is made, what is recorded wrongly is corrected, loosening is signed."""

from __future__ import annotations

from typing import Any

import pytest

from inventory.models import Container
from tests.api.client import Api, base, codes, token_for
from tests.factories import Club, club, day, stocked

pytestmark = pytest.mark.django_db


@pytest.fixture
def lab(db: None) -> Club:
    return club()


@pytest.fixture
def bottle(lab: Club) -> Container:
    """Received and opened on 2026-02-10, uninhibited class B: due on 2026-05-10."""
    return stocked(lab, "tetrahydrofuran", code="B-1", received_on=day("2026-02-10"), inhibited=False)


def at(lab: Club) -> str:
    return f"{base(lab)}containers/B-1/"


def tag(api: Api, address: str) -> str:
    return str(api.get(address)["ETag"])


def patch(api: Api, address: str, body: dict[str, Any]) -> Any:
    return api.patch(address, body, if_match=tag(api, address))


# -- an empty container


def test_an_empty_flask(lab: Club) -> None:
    api = Api(lab.steward)
    made = api.post(f"{base(lab)}containers/", {"capacity": "500 mL", "tare": "180.5 g", "code": "F-1"})
    assert made.status_code == 201, made.content
    flask = made.json()
    assert (flask["solvent"], flask["lot"], flask["due"]) == (None, None, None)
    assert (flask["volume"]["value"], flask["tare"]["value"]) == ("0", "180.5")
    # Warnings of the place belong to the receipt, not to the container.
    assert flask.pop("warnings") == []
    assert api.get(made["Location"]).json() == flask


@pytest.mark.parametrize(
    ("body", "pointer", "code"),
    [
        ({"solvent": "ether"}, "/volume", "missing"),
        ({"volume": "5 mL"}, "/solvent", "missing"),
        ({"origin": "recovered"}, "/origin", "nothing-in-it"),
        ({"happened_at": "2026-01-01T10:00:00Z"}, "/happened_at", "nothing-in-it"),
        ({"opened": "unopened"}, "/opened", "nothing-in-it"),
        ({"opened_on": "2026-01-01"}, "/opened_on", "nothing-in-it"),
        ({"received_on": "2199-01-01"}, "/received_on", "in-the-future"),
    ],
)
def test_half_a_filling_is_refused(lab: Club, body: dict[str, Any], pointer: str, code: str) -> None:
    refused = Api(lab.steward).post(f"{base(lab)}containers/", {"capacity": "500 mL", **body})
    assert refused.status_code == 400
    (fault,) = refused.json()["errors"]
    assert (fault["pointer"], fault["code"]) == (pointer, code)
    assert fault["remedy"]
    assert not Container.objects.exists()


# -- corrections


def test_a_correction_says_which_version_it_changes(lab: Club, bottle: Container) -> None:
    api = Api(lab.steward)
    assert codes(api.patch(at(lab), {"note": "x"})) == ["if-match-missing"]
    stale = tag(api, at(lab))
    first = api.patch(at(lab), {"note": "left shelf"}, if_match=stale, key="once")
    assert first.status_code == 200, first.content
    assert first.json()["note"] == "left shelf"
    assert first["ETag"] == tag(api, at(lab))
    again = api.patch(at(lab), {"note": "left shelf"}, if_match=stale, key="once")
    assert (again.status_code, again.content) == (200, first.content)
    assert api.patch(at(lab), {"note": "y"}, if_match=stale).status_code == 412


def test_fields_of_a_correction(lab: Club, bottle: Container) -> None:
    api = Api(lab.steward)
    body = {"tare": "412.3 g", "capacity": "2 L", "material": "amber glass", "atmosphere": "inert"}
    assert codes(patch(api, at(lab), body)) == ["missing"]
    seen = patch(api, at(lab), {**body, "reason": "weighed empty, read the mark"}).json()
    assert (seen["tare"]["value"], seen["capacity"]["value"]) == ("412.3", "2000")
    assert (seen["material"], seen["atmosphere"]) == ("amber glass", "inert")
    assert patch(api, at(lab), {"tare": None}).json()["tare"] is None
    refused = patch(api, at(lab), {"capacity": "100 mL", "reason": "misread"})
    assert (refused.status_code, codes(refused)) == (409, ["below-content"])
    assert codes(patch(api, at(lab), {"volume": "1 mL"})) == ["unknown-field"]


def test_a_later_date_is_signed_and_shown(lab: Club, bottle: Container) -> None:
    body = {"opened_on": "2026-03-01", "reason": "misread 1 as 2"}
    refused = patch(Api(lab.steward), at(lab), body)
    assert (refused.status_code, codes(refused)) == (403, ["loosening-not-signed"])
    # A supervisor signs in person, not through a program.
    program = Api(token=token_for(lab, "supervisor", "manage"))
    assert codes(patch(program, at(lab), body)) == ["loosening-not-signed"]
    seen = patch(Api(lab.supervisor), at(lab), body).json()
    assert seen["next_test_due_on"] == "2026-06-01"
    (told,) = seen["loosened"]
    assert (told["by"], told["what"]) == (lab.supervisor.username, "A correction")
    assert told["reason"] == "misread 1 as 2"
    assert (told["from"]["next_test_due_on"], told["to"]["next_test_due_on"]) == ("2026-05-10", "2026-06-01")


def test_an_unknown_opening_is_told_by_a_supervisor(lab: Club) -> None:
    old = stocked(lab, "tetrahydrofuran", opened="unknown", received_on=day("2026-01-10"))
    address = f"{base(lab)}containers/{old.pk}/openings/"
    told = {"opened_on": "2026-02-10", "reason": "found in the old log"}
    for role in ("member", "steward"):
        assert codes(Api(lab.people[role]).post(address, told)) == ["loosening-not-signed"]
    supervisor = Api(lab.supervisor)
    assert codes(supervisor.post(address, {"opened_on": "2026-02-10"})) == ["missing"]
    assert supervisor.post(address, told).json()["next_test_due_on"] == "2026-05-10"


def test_withdrawals_are_signed(lab: Club, bottle: Container) -> None:
    steward, supervisor = Api(lab.steward), Api(lab.supervisor)
    member = Api(lab.member)
    sign = member.post(f"{at(lab)}signs/", {"sign": "crystals"}).json()
    test = member.post(f"{at(lab)}tests/", {"reading": "50", "method": "strip-25"}).json()
    for address in (f"{base(lab)}signs/{sign['id']}/", f"{base(lab)}tests/{test['id']}/"):
        body = {"reason": "another bottle"}
        assert codes(steward.post(f"{address}withdrawals/", body)) == ["loosening-not-signed"]
        assert supervisor.post(f"{address}withdrawals/", body).status_code == 201
    assert len(steward.get(at(lab)).json()["loosened"]) == 2
    slip = steward.post(f"{at(lab)}signs/", {"sign": "crystals"}).json()
    mended = steward.post(f"{base(lab)}signs/{slip['id']}/withdrawals/", {"reason": "next bottle"})
    assert mended.status_code == 201, mended.content


# -- a wrong discard


def test_a_wrong_discard_of_a_filled_bottle(lab: Club, bottle: Container) -> None:
    api = Api(lab.steward)
    entry = api.post(f"{at(lab)}discards/").json()["entry"]
    refused = patch(api, at(lab), {"discarded": False, "reason": "wrong bottle"})
    assert codes(refused) == ["discarded-with-content"]
    assert entry in refused.json()["errors"][0]["remedy"]
    back = api.post(f"{base(lab)}entries/{entry}/reversals/", {"reason": "wrong bottle"})
    assert back.status_code == 201, back.content
    seen = api.get(at(lab)).json()
    assert (seen["discarded_at"], seen["volume"]["value"]) == (None, "500")


def test_a_wrong_discard_of_an_empty_flask(lab: Club) -> None:
    api = Api(lab.steward)
    address = api.post(f"{base(lab)}containers/", {"capacity": "500 mL"})["Location"]
    api.post(f"{address}discards/")
    assert codes(patch(api, address, {"discarded": False})) == ["missing"]
    assert codes(patch(api, address, {"discarded": True})) == ["not-here"]
    seen = patch(api, address, {"discarded": False, "reason": "wrong flask", "note": "clean"}).json()
    assert (seen["discarded_at"], seen["note"]) == (None, "clean")


def test_a_token_that_may_never_is_told_to_sign_in(lab: Club) -> None:
    api = Api(token=token_for(lab, "supervisor", "manage"))
    refused = api.patch(base(lab), {"name": "x"}, if_match="x").json()["errors"][0]
    assert (refused["code"], refused["remedy"]) == (
        "scope-too-narrow",
        "No token may: sign in and do it yourself.",
    )
    narrow = Api(token=token_for(lab, "steward", "read")).post(f"{base(lab)}sweeps/").json()["errors"][0]
    assert narrow["remedy"] == "Use a token with a wider scope."
