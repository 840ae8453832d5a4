"""The calculators over the API: printed figures come out, what cannot be used is named, all are listed."""

from __future__ import annotations

from typing import Any

import pytest

from tests.api.client import Api, codes
from tests.factories import person

pytestmark = pytest.mark.django_db
ROOT = "/api/v1/calculators/"


@pytest.fixture
def api(db: None) -> Api:
    """Somebody who is signed in and belongs to no lab."""
    return Api(person("passer-by"))


def asked(api: Api, name: str, body: dict[str, Any]) -> dict[str, Any]:
    answer = api.post(f"{ROOT}{name}/", body)
    assert answer.status_code == 201, answer.content
    found: dict[str, Any] = answer.json()
    return found


def test_every_calculator_is_listed_with_its_formula_and_source(api: Api) -> None:
    listed = {row["name"]: row for row in api.get(ROOT).json()["results"]}
    assert set(listed) >= {
        "extraction", "vapour", "density", "volume-uncertainty", "titration", "inhibitor-dose",
    }  # fmt: skip
    for name, row in listed.items():
        assert row["address"] == f"{ROOT}{name}/"
        assert row["formula"]
        assert row["sources"]
    assert Api().get(ROOT).status_code == 401
    assert Api().post(f"{ROOT}extraction/", {"water": "50 mL", "k": "5"}).status_code == 401


def test_portions_for_a_yield(api: Api) -> None:
    """Harvey 7.7 (from memory): KD 5.00, 50.00 mL, portions of 15.00 mL: 7.54, so 8, for 99.9 %."""
    body = {"water": "50 mL", "k": "5.00", "portion": "15 mL", "wanted_percent": "99.9"}
    found = asked(api, "extraction", body)
    assert float(found["exact_portions"]) == pytest.approx(7.54, abs=0.005)
    assert found["chosen"]["portions"] == 8
    assert float(found["yield_percent"]["value"]) > 99.9
    one = next(row for row in found["for_yield"] if row["portions"] == 1)
    assert float(one["total_ml"]) == pytest.approx(9990, abs=1)


def test_one_large_against_several_small(api: Api) -> None:
    """Harris: K 3, 100 mL: 6.2 % left by one of 500 mL, 0.00098 left by five of 100 mL."""
    body = {"water": "100 mL", "k": {"value": "3", "uncertainty": "0"}, "portion": "100 mL", "portions": 5}
    found = asked(api, "extraction", body)
    assert float(found["left_percent"]) == pytest.approx(0.098, abs=0.0005)
    rows = {row["portions"]: row for row in found["same_total"]}
    assert 100 - float(rows[1]["yield_percent"]) == pytest.approx(6.25, abs=0.005)
    yields = [float(rows[count]["yield_percent"]) for count in sorted(rows)]
    assert yields == sorted(yields)
    assert float(found["limit_percent"]) >= yields[-1]
    assert any("keep none" in words for words in found["assumptions"])


def test_the_water_keeps_some_of_a_named_solvent(api: Api) -> None:
    body = {"water": "100 mL", "k": "3", "solvent": "ether", "water_temperature": "20 °C"}
    found = asked(api, "extraction", body)
    assert float(found["kept_by_water"]["value"]) == pytest.approx(10.4, abs=0.1)
    colder = asked(api, "extraction", {"water": "100 mL", "k": "3", "solvent": "ether"})
    assert float(colder["kept_by_water"]["value"]) > 12
    assert any("10 °C taken" in words for words in colder["assumptions"])
    refused = api.post(f"{ROOT}extraction/", {"water": "100 mL", "k": "3", "solvent": "ethanol"})
    assert (refused.status_code, codes(refused)) == (400, ["no-layers"])


def test_a_weak_acid_leaves_less_at_high_ph(api: Api) -> None:
    """Harvey 7.7 (from memory): D 4.95 and 0.0495 at pH 3.00 and 7.00; 59.8 and 1.46 % by 15 mL."""
    body = {"water": "50 mL", "k": "5", "pka": "5", "portion": "15 mL", "portions": 1}
    for ph, d, percent in (("3", 4.95, 59.8), ("7", 0.0495, 1.46)):
        found = asked(api, "extraction", {**body, "ph": ph})
        assert float(found["distribution"]["value"]) == pytest.approx(d, abs=0.005)
        assert float(found["chosen"]["yield_percent"]) == pytest.approx(percent, abs=0.05)


def test_vapour_in_a_room(api: Api) -> None:
    """OSHA method 16: 2-butanone 200 ppm is 590 mg/m3; 29 CFR 1910.1000(d) exercise: 169.69 ppm."""
    day = [("150", "1.5"), ("175", "1.5"), ("80", "2"), ("350", "1"), ("180", "2")]
    body = {
        "solvent": "2-butanone",
        "lost": "20 mL",
        "over": "2 h",
        "room_volume": "60 m3",
        "air_changes": {"value": "4", "unit": "/h"},
        "mixing": "3",
        "temperature": "25 °C",
        "level": "200 ppm",
        "exposures": [{"level": f"{ppm} ppm", "duration": f"{hours} h"} for ppm, hours in day],
    }
    found = asked(api, "vapour", body)
    assert float(found["level"]["room_mg_m3"]) == pytest.approx(590, abs=1)
    assert found["mean_of_exposures_ppm"] == "169.6875"
    check = found["check"]
    osha = next(row for row in check["limits"] if row["body"] == "OSHA PEL")
    mean, near = float(check["mean_8h"]["room_ppm"]), float(check["mean_8h"]["near_ppm"])
    assert near == pytest.approx(3 * mean, rel=1e-3)
    assert float(osha["share"]) == pytest.approx(mean / 200, rel=1e-3)
    assert 0 < float(check["explosive"]["share"]) < 0.1
    assert not found["assumptions"]


def test_what_is_not_told_of_a_room_is_the_worse(api: Api) -> None:
    found = asked(api, "vapour", {"solvent": "diethyl-ether", "lost": "100 mL"})
    assert found["check"]["room"] == {"volume_m3": "20", "air_changes_per_h": "0", "mixing": "10"}
    assert len(found["assumptions"]) == 3
    assert found["check"]["over"]
    assert found["check"]["explosive"]["alarm"]
    by_numbers = {"density": "0.8 g/mL", "molar_mass": "90", "lost": "10 mL"}
    unknown = asked(api, "vapour", by_numbers)
    assert any("explosive limit not known" in words for words in unknown["assumptions"])


def test_density(api: Api) -> None:
    """IAPWS-95: water at 20 °C 0.9982 g/mL, at 4 °C 0.99997; CoolProp: ether at 25 °C 707.9 kg/m3."""
    for solvent, celsius, kg_m3, off in (
        ("water", 20, 998.2, 0.2),
        ("water", 4, 999.97, 0.6),
        ("ether", 25, 707.9, 0.8),
    ):
        found = asked(api, "density", {"solvent": solvent, "temperature": f"{celsius} °C"})
        assert float(found["density"]["value"]) == pytest.approx(kg_m3, abs=off)
        assert float(found["density"]["uncertainty"]) > 0
    own = asked(api, "density", {"density_20c": "0.95 g/mL", "temperature": "30 °C"})
    assert float(own["density"]["value"]) == pytest.approx(950 * (1 - 0.012))
    assert any("expansion not told" in words for words in own["assumptions"])


def test_the_uncertainty_of_a_volume(api: Api) -> None:
    """EURACHEM/CITAC CG 4, example A1: 0.06647 mL."""
    body = {
        "volume": "100 mL",
        "tolerance": "0.1 mL",
        "tolerance_spread": "triangular",
        "temperature_range": "4 K",
        "expansion": "0.00021",
        "repeatability": "0.02 mL",
    }
    found = asked(api, "volume-uncertainty", body)
    assert float(found["volume"]["uncertainty"]) == pytest.approx(0.06647, abs=0.001)
    assert float(found["expanded"]["value"]) == pytest.approx(2 * 0.06647, abs=0.0001)
    assert sum(float(line["share"]) for line in found["budget"]) == pytest.approx(1, abs=1e-3)
    repeated = asked(
        api,
        "volume-uncertainty",
        {"readings": ["50.1 mL", "50.3 mL", "49.9 mL"], "instrument": "cylinder-b-50", "solvent": "ether"},
    )
    assert {line["kind"] for line in repeated["budget"]} == {"A", "B"}
    assert float(repeated["k"]) >= 2


@pytest.mark.parametrize(
    ("name", "body", "pointer", "code"),
    [
        ("extraction", {"water": "50 mL"}, "/k", "required"),
        ("extraction", {"water": "50 mL", "k": "5 mL"}, "/k", "unit-not-wanted"),
        ("extraction", {"water": "50 mL", "k": "0"}, "/k", "out-of-range"),
        ("extraction", {"water": "50 g", "k": "5"}, "/water", "wrong-dimension"),
        ("extraction", {"water": "50 mL", "k": "5", "pka": "4"}, "/ph", "missing"),
        ("extraction", {"water": "50 mL", "k": "5", "solvent": "stuff"}, "/solvent", "unknown-solvent"),
        ("extraction", {"water": "50 mL", "k": {"value": "5", "unit": "mL"}}, "/k", "unknown-key"),
        ("extraction", {"water": "50 mL", "k": "1e-3", "portion": "0.1 mL"}, "/portion", "never-enough"),
        (
            "extraction",
            {"water": "50 mL", "k": "5", "portion": "9 mL", "portions": 2, "wanted_percent": "90"},
            "/wanted_percent",
            "too-much",
        ),
        ("vapour", {"lost": "5 mL"}, "/solvent", "one-of-two"),
        ("vapour", {"lost": "5 mL", "solvent": "ether", "mixing": "11"}, "/mixing", "out-of-range"),
        ("vapour", {"lost": "5 mL", "solvent": "ether", "level": "101 %"}, "/level", "out-of-range"),
        (
            "vapour",
            {"lost": "5 mL", "solvent": "ether", "exposures": [{"level": "5 mL", "duration": "1 h"}]},
            "/exposures/0/level",
            "wrong-dimension",
        ),
        ("density", {"temperature": "20 °C"}, "/solvent", "one-of-two"),
        ("density", {"temperature": "90 °C", "solvent": "ether"}, "/temperature", "out-of-range"),
        ("volume-uncertainty", {}, "/volume", "one-of-two"),
        (
            "volume-uncertainty",
            {"volume": "5 mL", "instrument": "bucket"},
            "/instrument",
            "unknown-instrument",
        ),
        (
            "volume-uncertainty",
            {"volume": "5 mL", "instrument": "flask-a-10", "tolerance": "1 mL"},
            "/tolerance",
            "one-of-two",
        ),
    ],
)
def test_what_cannot_be_used_is_named(
    api: Api, name: str, body: dict[str, Any], pointer: str, code: str
) -> None:
    refused = api.post(f"{ROOT}{name}/", body)
    assert refused.status_code == 400
    assert {(error["pointer"], error["code"]) for error in refused.json()["errors"]} == {(pointer, code)}
