"""The calculator of a solvent balance against what is published."""

from __future__ import annotations

import math
from typing import Any

import pytest

from tests.api.client import Api, codes
from tests.factories import person

pytestmark = pytest.mark.django_db
ADDRESS = "/api/v1/calculators/solvent-balance/"
POUND_KG = 0.45359237  # exact by definition


@pytest.fixture
def api(db: None) -> Api:
    return Api(person("passer-by"))


def asked(api: Api, **body: Any) -> dict[str, Any]:
    answer = api.post(ADDRESS, body)
    assert answer.status_code == 201, answer.content
    found: dict[str, Any] = answer.json()
    return found


def test_the_city_of_eugene(api: Api) -> None:
    """8000 lb bought, 2000 recycled, 6000 in product, 1500 in waste: 500 lb left, to the vent.

    City of Eugene, materials-accounting booklet, page 49.
    """
    found = asked(api, purchased="8000 lb", I2="2000 lb", O3="6000 lb", O6="1500 lb")
    assert float(found["remainder"]["value"]) == pytest.approx(500 * POUND_KG, rel=1e-5)
    assert len(found["findings"]) == 1
    whole = asked(api, purchased="8000 lb", I2="2000 lb", O3="6000 lb", O6="1500 lb", O1="500 lb")
    assert (float(whole["remainder"]["value"]), whole["findings"]) == (0, [])


def test_the_input_with_stock_and_what_is_recovered_for_elsewhere(api: Api) -> None:
    """I1 = opening + purchases - closing (evocs.org); C = I1 - O8 (InfoMil 3.2). The figures are ours."""
    found = asked(api, opening="200 kg", purchased="1000 kg", closing="150 kg", O8="50 kg")
    assert (found["I1"]["value"], found["consumption"]["value"]) == ("1050", "1000")
    assert "O1" in found["assumptions"][0] and "O8" not in found["assumptions"][0]


def test_uncertainties_add_as_variances(api: Api) -> None:
    """GUM 5.1.2: a difference of uncorrelated amounts; F and I1 share what I1 is made of."""
    found = asked(
        api,
        purchased={"value": "100", "unit": "kg", "uncertainty": "3"},
        O6={"value": "60", "unit": "kg", "uncertainty": "4"},
    )
    assert float(found["fugitive"]["uncertainty"]) == pytest.approx(5)
    # share = 1 - O6/I1: du² = (4/100)² + (60·3/100²)²
    assert float(found["fugitive_share"]["uncertainty"]) == pytest.approx(math.hypot(0.04, 0.018), rel=0.02)


def test_more_out_than_in_is_a_finding_beyond_its_uncertainty(api: Api) -> None:
    sure, unsure = ({"value": "105", "unit": "kg", "uncertainty": u} for u in ("1", "4"))
    assert "More goes out" in asked(api, purchased="100 kg", O6=sure)["findings"][0]
    assert asked(api, purchased="100 kg", O6=unsure)["findings"] == []


def test_the_limit_of_a_machine(api: Api) -> None:
    """40 CFR 63.464, Table 6: 2.00 m³ gives 500 kg a month."""
    found = asked(api, purchased="1 kg", machine_volume="2 m3")
    assert float(found["machine_limit_kg_per_month"]) == pytest.approx(500, abs=0.5)


@pytest.mark.parametrize(
    ("body", "code"),
    [
        ({}, "required"),
        ({"purchased": "8 mL"}, "wrong-dimension"),
        ({"purchased": "1 kg", "closing": "2 kg"}, "more-than-there-was"),
        ({"purchased": "1 kg", "O10": "2 kg"}, "unknown-field"),
        ({"purchased": "1 kg", "machine_volume": "0 m3"}, "out-of-range"),
    ],
)
def test_what_cannot_be_used_is_named(api: Api, body: dict[str, Any], code: str) -> None:
    refused = api.post(ADDRESS, body)
    assert (refused.status_code, codes(refused)) == (400, [code])


def test_nothing_put_in_has_no_share(api: Api) -> None:
    assert asked(api, purchased="0 kg")["fugitive_share"] is None
