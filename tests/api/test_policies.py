"""Policies over the API: a published one is entered, chosen, tightened and loosened without a line of code.

Intervals are those of the published pages; expected dates are counted by hand from them.
"""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.test import Client

from inventory.models import Container, Event, Policy
from inventory.services import safety
from tests import factories as make
from tests.api.client import Api, base, codes
from tests.factories import day

pytestmark = pytest.mark.django_db
THF, DIPE = "tetrahydrofuran", "diisopropyl-ether"
SHELF = "Shelf life as a club, not published"
MSU = "Michigan State EHS: below 25 ppm usable"
PTCL = "Oxford PTCL: tested at least every 6 months once open"
USC = "USC EHS 2021"


@pytest.fixture
def club() -> make.Club:
    return make.club()


def oxford() -> dict[str, Any]:
    """Oxford PTCL: every class every 6 months once open. It says nothing of unopened bottles."""
    opened = [
        {"class": name, "opened": True, "counts_from": "opened", "months": 6, "source": PTCL}
        for name in "ABCD"
    ]
    sealed = [
        {"class": name, "opened": False, "counts_from": "received", "months": 12, "source": SHELF}
        for name in "ABCD"
    ]
    return {
        "key": "oxford-ptcl",
        "name": "Oxford PTCL",
        "source": "Oxford PTCL, peroxides in solvents",
        "levels": [{"from": "25", "then": "do-not-use", "source": MSU}],
        "rules": opened + sealed,
        "expiry_ends_in": "test",
    }


def usc() -> dict[str, Any]:
    """USC EHS 2021: A opened 3 months, then dispose; B stabilised 12 months, else 6 in air, 12 inert."""
    return {
        "key": "usc",
        "name": "USC as we read it",
        "source": USC,
        "levels": [{"from": "25", "then": "do-not-use", "source": MSU}],
        "rules": [
            {
                "class": "A", "opened": True, "counts_from": "opened", "months": 3, "ends_in": "dispose",
                "source": USC,
            },
            {
                "class": "B", "opened": True, "inhibited": True, "counts_from": "opened", "months": 12,
                "source": USC,
            },
            {
                "class": "B", "opened": True, "inhibited": False, "atmosphere": "air",
                "counts_from": "opened", "months": 6, "source": USC,
            },
            {
                "class": "B", "opened": True, "inhibited": False, "atmosphere": "inert",
                "counts_from": "opened", "months": 12, "source": USC,
            },
            {
                "class": "B", "inhibited": False, "atmosphere": "air", "counts_from": "test", "months": 6,
                "source": USC,
            },
            {"class": "A", "opened": False, "counts_from": "received", "months": 6, "source": USC},
            {"class": "B", "opened": False, "counts_from": "received", "months": 12, "source": USC},
        ],
    }  # fmt: skip


def entered(club: make.Club, body: dict[str, Any]) -> None:
    """A steward enters it, a supervisor chooses it; nothing but requests."""
    made = Api(club.steward).post(f"{base(club)}policies/", {"body": body})
    assert made.status_code == 201, made.content
    assert made["Location"] == f"{base(club)}policies/{body['key']}/"
    chosen(club, body["key"])


def chosen(club: make.Club, key: str, reason: str = "the school's own table") -> None:
    head = Api(club.supervisor)
    answer = head.patch(base(club), {"policy": key, "reason": reason}, if_match="*")
    assert answer.status_code == 200, answer.content


def due(bottle: Container) -> str:
    return str(make.fresh(bottle).next_test_due)


def passed(club: make.Club, bottle: Container, on: str) -> None:
    safety.test_record(
        lab=club.lab, actor=club.member, now=make.NOW, container=make.fresh(bottle), reading="<1",
        method="strip-25", tested_on=day(on),
    )  # fmt: skip


# -- published policies


def test_oxford_through_the_api_alone(club: make.Club) -> None:
    opened = make.stocked(club, THF, received_on=day("2026-01-31"))
    tested_one = make.stocked(club, DIPE, received_on=day("2025-03-01"))
    sealed = make.stocked(club, THF, opened="unopened", received_on=day("2026-02-01"))
    passed(club, tested_one, "2026-03-08")
    entered(club, oxford())
    # Six months on: the end of January has its day in July; from a passed test on 8 March, 8 September.
    assert (due(opened), due(tested_one), due(sealed)) == ("2026-07-31", "2026-09-08", "2027-02-01")
    assert make.fresh(tested_one).due_code == "after-passed-test"
    shown = Api(club.member).get(f"{base(club)}containers/{opened.code}/").json()["due"]
    assert shown["rule_source"] == PTCL


def test_usc_through_the_api_alone(club: make.Club) -> None:
    known: dict[str, Any] = {"received_on": day("2026-01-15")}
    a = make.stocked(club, DIPE, inhibited=True, **known)
    stabilised = make.stocked(club, THF, inhibited=True, **known)
    in_air = make.stocked(club, THF, inhibited=False, atmosphere="air", **known)
    inert = make.stocked(club, THF, inhibited=False, atmosphere="inert", **known)
    unknown = make.stocked(club, THF, inhibited=False, **known)
    entered(club, usc())
    assert due(a) == str(make.fresh(a).dispose_on) == "2026-04-15"
    assert (due(stabilised), due(in_air), due(inert)) == ("2027-01-15", "2026-07-15", "2027-01-15")
    # An atmosphere that nobody wrote down counts as air.
    assert due(unknown) == "2026-07-15"
    passed(club, in_air, "2026-03-01")
    assert due(in_air) == "2026-09-01"
    # A test does not put off disposal.
    passed(club, a, "2026-03-01")
    assert due(a) == str(make.fresh(a).dispose_on) == "2026-04-15"


# -- keeping one's own


def test_a_copy_under_a_key_of_its_own(club: make.Club) -> None:
    api, list_ = Api(club.steward), f"{base(club)}policies/"
    made = api.post(list_, {"copy_of": "cornell", "key": "club", "name": "Rules of the club"}).json()
    assert (made["key"], made["name"], made["copied_from"]) == ("club", "Rules of the club", "cornell")
    assert (made["shipped"], made["in_use"], made["version"]) == (False, False, 1)
    assert made["body"]["rules"] == Policy.objects.get(lab=None, key="cornell").body["rules"]
    for key in ("club", "princeton"):
        assert codes(api.post(list_, {"copy_of": "cornell", "key": key})) == ["key-taken"]
    assert codes(api.post(list_, {"copy_of": "nobody", "key": "other"})) == ["unknown-policy"]
    assert codes(api.post(list_, {"copy_of": "cornell"})) == ["missing"]
    assert codes(api.post(list_, {})) == ["one-of-two"]
    assert codes(api.post(list_, {"body": oxford(), "key": "x"})) == ["stands-in-body"]
    other = make.second_club()
    assert Api(other.supervisor).get(f"{base(other)}policies/club/").status_code == 404


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"rules": []}, "/body/rules"),
        ({"levels": [{"from": 25.0, "then": "use", "source": MSU}]}, "/body/levels/0/then"),
        ({"key": "Not A Key"}, "/body/key"),
        ({"rulez": []}, "/body/rulez"),
        (
            {"rules": [{"class": "B", "counts_from": "opened", "months": "6", "source": PTCL}]},
            "/body/rules/0/months",
        ),
    ],
)
def test_a_body_that_cannot_be_used_is_named_by_the_value(
    club: make.Club, change: dict[str, Any], pointer: str
) -> None:
    refused = Api(club.steward).post(f"{base(club)}policies/", {"body": {**oxford(), **change}})
    assert refused.status_code == 400
    assert [(e["pointer"], e["code"]) for e in refused.json()["errors"]] == [(pointer, "policy-invalid")]


def changed(months: int) -> dict[str, Any]:
    body = oxford()
    body["rules"][1] |= {"months": months}
    return body


def test_tightening_is_free_and_loosening_is_signed(club: make.Club) -> None:
    bottle = make.stocked(club, THF, received_on=day("2026-01-15"))
    entered(club, oxford())
    at, steward = f"{base(club)}policies/oxford-ptcl/", Api(club.steward)
    assert steward.patch(at, {"body": changed(4)}).status_code == 428
    tag = steward.get(at)["ETag"]
    assert steward.patch(at, {"body": changed(4)}, if_match=tag).json()["version"] == 2
    assert due(bottle) == "2026-05-15"
    assert steward.patch(at, {"body": changed(3)}, if_match=tag).status_code == 412
    refused = steward.patch(at, {"body": changed(9), "reason": "long enough"}, if_match="*")
    assert (refused.status_code, codes(refused)) == (403, ["loosening-not-signed"])
    head = Api(club.supervisor)
    assert codes(head.patch(at, {"body": changed(9)}, if_match="*")) == ["missing"]
    assert due(bottle) == "2026-05-15", "nothing is left of a refused change"
    answer = head.patch(at, {"body": changed(9), "reason": "the council's letter"}, if_match="*")
    assert (answer.status_code, due(bottle)) == (200, "2026-10-15")
    told = answer.json()["loosened"][0]
    assert (told["by"], told["reason"]) == (club.supervisor.display_name, "the council's letter")
    assert any("Class B" in words and "later" in words for words in told["looser"])
    page = Client()
    page.force_login(club.member)
    assert "the council&#x27;s letter" in page.get(f"/labs/{club.lab.slug}/").content.decode()


def test_what_is_shipped_and_a_key_stay(club: make.Club) -> None:
    head = Api(club.supervisor)
    shipped = {**Policy.objects.get(lab=None, key="cornell").body}
    refused = head.patch(f"{base(club)}policies/cornell/", {"body": shipped}, if_match="*")
    assert (refused.status_code, codes(refused)) == (409, ["shipped-policy"])
    entered(club, oxford())
    renamed = {"body": {**oxford(), "key": "other"}}
    assert codes(head.patch(f"{base(club)}policies/oxford-ptcl/", renamed, if_match="*")) == ["key-fixed"]


def test_choosing_a_looser_policy_is_dated_and_shown(club: make.Club) -> None:
    chosen(club, "cornell", "the school's own table")
    event = Event.objects.get(verb="policy-loosened")
    assert (event.data["from"], event.data["to"]) == ("cautious-default", "cornell")
    assert event.data["looser"]
    shown = Api(club.member).get(f"{base(club)}policies/cornell/").json()
    assert (shown["in_use"], shown["chosen"]["reason"]) == (True, "the school's own table")
    assert shown["loosened"][0]["looser"] == event.data["looser"]
    # Back to the stricter one: chosen with a reason as ever, and no loosening.
    chosen(club, "cautious-default", "safer")
    assert Event.objects.filter(verb="policy-loosened").count() == 1


# -- beforehand


def test_a_dry_run_tells_what_would_move(club: make.Club) -> None:
    """Under the default B opened is 6 months inhibited, 3 uninhibited; Oxford has 6 for both."""
    same = make.stocked(club, THF, inhibited=True, received_on=day("2026-01-15"))
    later = make.stocked(club, THF, inhibited=False, received_on=day("2026-01-15"))
    acetate = make.stocked(club, "ethyl-acetate")
    before = {bottle.pk: due(bottle) for bottle in (same, later, acetate)}
    api, at = Api(club.steward), f"{base(club)}policies/cautious-default/checks/"
    found = api.post(at, {"body": oxford()}).json()
    assert (found["containers"], found["later"], found["earlier"]) == (3, 1, 0)
    assert found["examples"] == [
        {
            "container": {"id": str(later.pk), "code": later.code},
            "before": "2026-04-15",
            "after": "2026-07-15",
        }
    ]
    assert any("Class B" in words for words in found["looser"])
    assert {bottle.pk: due(bottle) for bottle in (same, later, acetate)} == before
    assert not Policy.objects.filter(lab=club.lab).exists()
    own = api.post(at, {}).json()
    assert (own["later"], own["earlier"], own["looser"]) == (0, 0, [])
    assert Api(club.member).post(at, {}).status_code == 403


def test_a_tried_policy_judges_the_readings_anew(club: make.Club) -> None:
    """20 mg/L passes below 25 and does not pass below 20 (MIT EHS: 20 ppm the highest for ordinary waste)."""
    bottle = make.stocked(club, THF, inhibited=True, received_on=day("2026-01-15"))
    safety.test_record(
        lab=club.lab, actor=club.member, now=make.NOW + timedelta(days=1), container=bottle, reading="22",
        method="strip-100", tested_on=day("2026-03-10"),
    )  # fmt: skip
    body = {**oxford(), "levels": [{"from": "20", "then": "do-not-use", "source": "MIT EHS"}]}
    api = Api(club.steward)
    found = api.post(f"{base(club)}policies/cautious-default/checks/", {"body": body}).json()
    assert (found["earlier"], found["examples"][0]["after"]) == (1, "2026-03-10")
