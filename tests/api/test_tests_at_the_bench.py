"""Methods, strips and solutions, titrations, treatments and the calculators over the API."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone

from inventory.models import Container, Event
from tests.api.client import Api, base, codes, token_for
from tests.factories import Club, club, fresh, person, stocked

pytestmark = pytest.mark.django_db
CALCULATORS = "/api/v1/calculators/"


@pytest.fixture
def lab() -> Club:
    return club(now=timezone.now() - timedelta(days=2))


@pytest.fixture
def ether(lab: Club) -> Container:
    now = timezone.now() - timedelta(days=1)
    return stocked(lab, "diethyl-ether", code="E-1", now=now, received_on=now.date())


def day(offset: int) -> str:
    return (timezone.now().date() + timedelta(days=offset)).isoformat()


def test_the_published_titration(lab: Club) -> None:
    """ProMinent manual p. 48: 11.8 mL of 0.1 N on 20 mL: 1003 mg/L. Anybody signed in may ask."""
    body = {"titre": "11.8 mL", "blank": "0 mL", "sample": "20 mL", "concentration": "0.1 N"}
    for api in (Api(person("passer-by")), Api(token=token_for(lab, "auditor", "read"))):
        made = api.post(f"{CALCULATORS}titration/", body)
        assert made.status_code == 201
        found = made.json()
        value, u = (float(found["hydrogen_peroxide"][part]) for part in ("value", "uncertainty"))
        assert abs(value - 1003) <= 1
        assert float(found["lower_mg_per_l"]) == pytest.approx(value - 2 * u, abs=2.5)
        assert float(found["upper_mg_per_l"]) == pytest.approx(value + 2 * u, abs=2.5)
        assert (found["mass_fraction"], found["active_oxygen"]) == (None, None)
        assert any("dialkyl" in words for words in found["limits"])
        assert any("Metrohm" in source for source in found["sources"])


def test_the_peroxide_number_needs_no_density(lab: Club) -> None:
    """ASTM D3703 section 9: 1 mL of 0.005 N on 4 g: 10 mg/kg of active oxygen."""
    body = {"titre": "1.5 mL", "blank": "0.5 mL", "sample": "4 g", "concentration": "0.005 mol/L"}
    found = Api(lab.member).post(f"{CALCULATORS}titration/", body).json()
    assert (found["method"], float(found["active_oxygen"]["value"])) == ("peroxide-number", 10)
    assert (found["hydrogen_peroxide"], found["upper_mg_per_l"]) == (None, None)


def test_a_dose_of_inhibitor(lab: Club) -> None:
    """250 mg/kg in 1 L at 0.7136 kg/L is 178.4 mg (definition of mass ppm)."""
    body = {"volume": "1 L", "density": "0.7136 g/mL", "wanted": "250 ppm"}
    found = Api(lab.member).post(f"{CALCULATORS}inhibitor-dose/", body).json()
    assert found["mass"] == {"value": "178.4", "unit": "mg", "uncertainty": None}
    assert "cures nothing" in found["warnings"][0]


@pytest.mark.parametrize(
    ("calculator", "body", "pointer", "code"),
    [
        ("titration", {"titre": "1 mL"}, "/blank", "required"),
        ("titration", {"colour": "red"}, "/colour", "unknown-field"),
        ("titration", {"titre": "1 ppm"}, "/titre", "wrong-dimension"),
        ("titration", {"concentration": {"value": "1", "unit": "N", "spread": "1"}}, "/concentration", None),
        ("inhibitor-dose", {"wanted": "2 %"}, "/wanted", "out-of-range"),
        ("inhibitor-dose", {"density": "0.7 g"}, "/density", "wrong-dimension"),
    ],
)
def test_what_a_calculator_cannot_use_is_named(
    lab: Club, calculator: str, body: dict[str, Any], pointer: str, code: str | None
) -> None:
    good = {
        "titration": {"titre": "1 mL", "blank": "0 mL", "sample": "20 mL", "concentration": "0.1 N"},
        "inhibitor-dose": {"volume": "1 L", "density": "0.7 g/mL", "wanted": "250 ppm"},
    }[calculator]
    sent = body if code == "required" else {**good, **body}
    refused = Api(lab.member).post(f"{CALCULATORS}{calculator}/", sent)
    assert refused.status_code == 400
    faults = {error["pointer"]: error["code"] for error in refused.json()["errors"]}
    assert code in (None, faults[pointer])


def test_methods_tell_what_they_miss(lab: Club) -> None:
    answer = Api(lab.auditor).get(f"{base(lab)}test-methods/")
    methods = {method["key"]: method for method in answer.json()["methods"]}
    assert methods["strip-25"]["steps"] == ["0", "0.5", "2", "5", "10", "25"]
    assert methods["peroxide-number"]["unit"] == "mg/kg"
    for method in methods.values():
        assert all(limit["words"] and limit["source"] for limit in method["limits"])


def test_strips_from_tin_to_bin(lab: Club, ether: Container) -> None:
    steward, member, head = Api(lab.steward), Api(lab.member), Api(lab.supervisor)
    address = f"{base(lab)}reagents/"
    tin = {"method": "strip-25", "name": "strips to 25", "expiry_on": day(90)}
    assert member.post(address, tin).status_code == 403
    made = steward.post(address, tin).json()
    assert (made["use_by_on"], made["concentration"]) == (tin["expiry_on"], None)
    tests = f"{base(lab)}containers/E-1/tests/"
    read = member.post(tests, {"reading": "neg", "reagent": made["id"]}).json()
    assert (read["method"], read["reagent_expired"], read["cautions"]) == ("strip-25", False, [])
    assert read["reagent"] == {"id": made["id"], "name": "strips to 25"}
    assert any("polymeric" in words for words in read["limits"])
    detail = f"{address}{made['id']}/"
    change = {"expiry_on": day(-1)}
    assert steward.patch(detail, change).status_code == 428
    changed = steward.patch(detail, change, if_match=steward.get(detail)["ETag"])
    assert (changed.status_code, changed.json()["use_by_on"]) == (200, change["expiry_on"])
    again = member.get(tests).json()["results"][0]
    assert again["reagent_expired"] is True
    assert "never for it" in again["cautions"][0]
    later = {"expiry_on": day(30), "reason": "misread the tin"}
    assert codes(steward.patch(detail, later, if_match="*")) == ["loosening-not-signed"]
    assert head.patch(detail, later, if_match="*").status_code == 200
    assert Event.objects.filter(verb="loosened", subject_kind="reagent").count() == 1
    assert steward.post(f"{detail}endings/", {}).json()["ended_at"]
    assert [r["id"] for r in member.get(address).json()["results"]] == []
    assert [r["id"] for r in member.get(f"{address}?ended=true").json()["results"]] == [made["id"]]


def test_nothing_recorded_of_strips_is_only_a_caution(lab: Club, ether: Container) -> None:
    read = Api(lab.member).post(f"{base(lab)}containers/E-1/tests/", {"reading": "neg", "method": "strip-25"})
    assert read.json()["reagent_expired"] is None
    assert len(read.json()["cautions"]) == 1
    assert fresh(ether).due_code == "after-passed-test"


def test_a_titration_is_a_test(lab: Club, ether: Container) -> None:
    """0.5 mL of 0.01 N on 25 mL: 3.4 mg/L by the formula of Metrohm AN H-132."""
    member, tests = Api(lab.member), f"{base(lab)}containers/E-1/tests/"
    solution = {
        "method": "iodometric-titration",
        "name": "thiosulfate",
        "standardised_on": day(-1),
        "concentration": {"value": "0.01", "unit": "N", "uncertainty": "0.00002"},
    }
    made = Api(lab.steward).post(f"{base(lab)}reagents/", solution).json()
    assert made["concentration"] == {"value": "0.010000", "unit": "mol/L", "uncertainty": "0.000020"}
    entry = {"titre": "0.6 mL", "blank": "0.1 mL", "sample": "25 mL"}
    read = member.post(tests, {"titration": entry, "reagent": made["id"]})
    assert read.status_code == 201, read.content
    assert (read.json()["method"], read.json()["reagent_expired"]) == ("iodometric-titration", False)
    assert float(read.json()["lower_mg_per_l"]) < 3.4 < float(read.json()["upper_mg_per_l"])
    assert read.json()["working"]["given"] == entry
    for body, code in (
        ({"titration": entry, "reading": "1"}, "given-twice"),
        ({}, "missing"),
        ({"titration": entry}, "missing"),
        ({"titration": {**entry, "density": "1 g/mL"}}, "unknown-field"),
        ({"titration": entry, "reagent": made["id"], "method": "strip-25"}, "method-does-not-fit"),
        ({"reading": "1", "reagent": "999999"}, "unknown-reagent"),
    ):
        refused = member.post(tests, body)
        assert (refused.status_code, codes(refused)) == (400, [code]), body


def test_a_treatment_and_its_withdrawal(lab: Club, ether: Container) -> None:
    member, address = Api(lab.member), f"{base(lab)}containers/E-1/treatments/"
    body = {"kind": "inhibitor-added", "inhibitor": "BHT", "mass": "50 mg", "target": "250 ppm"}
    made = member.post(address, body)
    assert made.status_code == 201, made.content
    row = made.json()
    # 250 mg/kg of half a litre at 0.7136 kg/L takes 89.2 mg: more than was added, and that is said.
    assert row["wanted_mass"]["value"] == "89.2"
    assert float(row["reached_ppm"]) == pytest.approx(50 / 0.3568, abs=0.001)
    assert any("Less was added" in words for words in row["warnings"])
    lot = member.get(f"{base(lab)}lots/{row['lot']}/").json()
    assert lot["topped_up_on"] == row["treated_on"]
    undo = f"{base(lab)}treatments/{row['id']}/withdrawals/"
    assert member.post(undo, {"reason": "wrong bottle"}).status_code == 403
    assert codes(Api(lab.steward).post(undo, {})) == ["missing"]
    undone = Api(lab.steward).post(undo, {"reason": "wrong bottle"}).json()
    assert undone["withdraws"] == row["id"]
    listed = member.get(address).json()["results"]
    assert [(item["id"], item["withdrawn_by"]) for item in listed] == [
        (undone["id"], None),
        (row["id"], undone["id"]),
    ]
    removed = member.post(address, {"kind": "peroxides-removed", "how": "column of alumina"}).json()
    assert removed["lot"] != row["lot"]
    for wrong, code in (
        ({"kind": "peroxides-removed", "mass": "5 mg", "how": "column"}, "does-not-apply"),
        ({"kind": "peroxides-removed"}, "missing"),
        ({"kind": "inhibitor-added", "inhibitor": "BHT"}, "missing"),
        ({"kind": "inhibitor-added", "inhibitor": "BHT", "mass": "5 mL"}, "wrong-dimension"),
    ):
        assert codes(member.post(address, wrong)) == [code]
