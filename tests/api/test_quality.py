"""Quality of solvent over the API: checks, fitness, limits of a lab, and a still that takes no more."""

from __future__ import annotations

from typing import Any

import pytest
from django.utils import timezone

from tests.api.client import Api, base, codes
from tests.factories import Club, club, stocked

pytestmark = pytest.mark.django_db
DENSITY = {"value": "0.6593", "unit": "g/mL", "uncertainty": "0.0002"}


@pytest.fixture
def lab(db: None) -> Club:
    made = club(now=timezone.now())
    stocked(made, "n-hexane", code="H-1", now=timezone.now(), received_on=timezone.now().date())
    return made


def uses(api: Api, at: str) -> dict[str, str]:
    said = api.get(f"{at}containers/H-1/fitness/").json()
    return {use["use"]: use["state"] for use in said["uses"]}


def test_a_check_is_recorded_compared_and_taken_back(lab: Club) -> None:
    api, at = Api(lab.steward), base(lab)
    checks = f"{at}containers/H-1/quality-checks/"
    assert set(uses(api, at).values()) == {"as-bought"}
    body = {"what": "density", "value": DENSITY, "temperature": "20 °C"}
    made = api.post(checks, body)
    assert (made.status_code, made.json()["outcome"], made.json()["low"]) == (201, "within", "659.3")
    assert "not published" in made.json()["reference"]["source"]
    assert uses(api, at)["rinsing"] == "fit"
    bad = api.post(checks, body | {"value": DENSITY | {"value": "0.7"}}).json()
    assert (bad["outcome"], uses(api, at)["rinsing"]) == ("outside", "not-fit")
    assert api.post(f"{at}quality-checks/{bad['id']}/withdrawals/", {"reason": "slip"}).status_code == 201
    assert uses(api, at)["rinsing"] == "fit"
    shown = api.get(f"{checks}?what=density").json()["results"]
    assert [row["withdrawn"] for row in shown] == [False, True, False]
    assert len(api.get(f"{checks}?lot=true").json()["results"]) == 3


@pytest.mark.parametrize(
    ("body", "pointer", "code"),
    [
        ({"what": "density", "value": "7 g/mL"}, "/value", "out-of-range"),
        ({"what": "density"}, "/value", "missing"),
        ({"what": "water", "value": "0.1 %", "temperature": "20 °C"}, "/temperature", "not-wanted"),
        ({"what": "water", "value": "0.1 %", "run": "999"}, "/run", "unknown-run"),
        ({"what": "boiling-range", "low": "70 °C", "high": "60 °C"}, "/high", "below-low"),
    ],
)
def test_a_check_that_cannot_be_read_names_its_field(lab: Club, body: Any, pointer: str, code: str) -> None:
    refused = Api(lab.member).post(f"{base(lab)}containers/H-1/quality-checks/", body)
    (error,) = refused.json()["errors"]
    assert (refused.status_code, error["pointer"], error["code"]) == (400, pointer, code)
    assert error["remedy"]


def test_limits_are_the_stewards_and_looser_ones_the_supervisors(lab: Club) -> None:
    api, head, at = Api(lab.steward), Api(lab.supervisor), f"{base(lab)}quality-limits/"
    body = {"what": "times-distilled", "highest": "2", "refuses": True, "source": "the club"}
    made = api.post(at, body)
    assert (made.status_code, made.json()["highest"], made.json()["solvent"]) == (201, "2", None)
    one = f"{at}{made.json()['id']}/"
    looser = {"highest": "5", "reason": "there is no money left"}
    assert codes(api.patch(one, looser, if_match="*")) == ["loosening-not-signed"]
    tag = head.get(one)["ETag"]
    assert head.patch(one, looser, if_match=tag).json()["highest"] == "5"
    assert head.patch(one, looser, if_match=tag).status_code == 412
    ended = {"reason": "nobody keeps to it"}
    assert (
        api.post(f"{one}endings/", ended).status_code,
        head.post(f"{one}endings/", ended).status_code,
    ) == (
        403,
        201,
    )
    assert api.get(at).json()["results"] == []
    assert len(api.get(f"{at}?ended=true").json()["results"]) == 1


def test_a_still_takes_nothing_that_was_distilled_too_often(lab: Club) -> None:
    api, at = Api(lab.steward), base(lab)
    limit = {"what": "times-distilled", "highest": "0", "refuses": True, "source": "the club"}
    assert api.post(f"{at}quality-limits/", limit).status_code == 201
    run = api.post(f"{at}runs/", {"purpose": "leaf pigments"}).json()["id"]
    refused = api.post(f"{at}runs/{run}/charges/", {"container": "H-1", "volume": "50 mL"})
    assert (refused.status_code, codes(refused)) == (409, ["distilled-too-often"])
    signed = {"container": "H-1", "volume": "50 mL", "override": {"reason": "it is for the last run"}}
    assert api.post(f"{at}runs/{run}/charges/", signed).status_code == 403
    taken = Api(lab.supervisor).post(f"{at}runs/{run}/charges/", signed)
    assert (taken.status_code, taken.json()["run"]["findings"]) == (201, ["distilled-too-often"])
