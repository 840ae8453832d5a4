"""Questions with their uncertainty, units there and back, and an extraction from question to answer."""

from __future__ import annotations

import itertools
import math
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from inventory.rules.errors import InputError
from inventory.rules.quantity import Quantity
from inventory.rules.units import UNITS, Dimension
from recovery.rules.asked import Wanted, read_amount, read_number
from recovery.rules.extraction_entry import read_extraction, read_reuse, work_out
from tests.rules.test_properties import of

VOLUME = Wanted("water", "volume", "mL", 0.1, 100_000)
LINEAR: tuple[Dimension, ...] = ("volume", "mass-concentration", "pressure", "frequency", "time", "density")
PAIRS = [
    (a.code, b.code)
    for a in UNITS.values()
    for b in UNITS.values()
    if a.dimension == b.dimension and a.dimension in LINEAR
]


@given(st.decimals(min_value=0, max_value=10**6, places=4), st.sampled_from(PAIRS))
def test_units_there_and_back(value: Decimal, pair: tuple[str, str]) -> None:
    unit, other = pair
    there = Quantity(value, unit, UNITS[unit].dimension, "").to(other)
    back = Quantity(there, other, UNITS[unit].dimension, "").to(unit)
    assert abs(back - value) <= value * Decimal("1e-24")


@pytest.mark.parametrize(
    ("text", "unit", "kpa"),
    [("760 mmHg", "mm[Hg]", 101.325), ("1 atm", "atm", 101.325), ("1013.25 mbar", "mbar", 101.325)],
)
def test_a_standard_atmosphere_in_every_unit(text: str, unit: str, kpa: float) -> None:
    """101 325 Pa by definition (CGPM 1954, from memory)."""
    found = read_amount(text, Wanted("pressure", "pressure", "kPa", 1, 1000))
    assert UNITS[unit].dimension == "pressure"
    assert found.value == pytest.approx(kpa)


def test_an_uncertainty_is_told_or_that_of_the_instrument() -> None:
    """ASTM E1272-02 Table 1: a 100 mL cylinder of class A ± 0.5, B twice that; rectangular."""
    told = read_amount({"value": "0.1", "unit": "L", "uncertainty": "0.002"}, VOLUME)
    assert told.value == pytest.approx(100)
    assert told.u == pytest.approx(2)
    usual = read_amount("100 mL", VOLUME)
    assert usual.u == pytest.approx(1 / math.sqrt(3))
    named = read_amount({"value": "100", "unit": "mL", "instrument": "cylinder-a-100"}, VOLUME)
    assert named.u == pytest.approx(0.5 / math.sqrt(3))
    warm = read_amount(
        {"value": "68", "unit": "[degF]", "uncertainty": "0.9"}, Wanted("t", "temperature", "Cel", 0, 60)
    )
    assert warm.value == pytest.approx(20)
    assert warm.u == pytest.approx(0.5)


@pytest.mark.parametrize(
    ("raw", "field", "code"),
    [
        ({"value": "5", "unit": "mL", "uncertainty": "-1"}, "water.uncertainty", "negative"),
        ({"value": "5", "unit": "mL", "uncertainty": None}, "water.uncertainty", "wrong-type"),
        ({"value": "5", "unit": "mL", "instrument": 5}, "water.instrument", "wrong-type"),
        ({"value": "5", "unit": "mL", "colour": "red"}, "water", "unknown-key"),
        ("500 L", "water", "out-of-range"),
        ("5", "water", "unit-missing"),
    ],
)
def test_what_cannot_be_used_names_its_place(raw: Any, field: str, code: str) -> None:
    with pytest.raises(InputError) as refused:
        read_amount(raw, VOLUME)
    assert (refused.value.field, refused.value.code) == (field, code)


@pytest.mark.parametrize(
    ("raw", "code"),
    [("5 mL", "unit-not-wanted"), ("", "empty"), ("1e9", "out-of-range"), ({"value": True}, "wrong-type")],
)
def test_a_number_is_a_number(raw: Any, code: str) -> None:
    with pytest.raises(InputError) as refused:
        read_number(raw, field="k", low=0, high=1e6)
    assert refused.value.code == code


@settings(max_examples=40, deadline=None)
@given(
    st.floats(20, 900),
    st.floats(0.2, 60),
    st.floats(20, 99.5),
    st.sampled_from(["diethyl-ether", "toluene", ""]),
)
def test_an_answer_gives_what_was_wanted(water: float, k: float, percent: float, key: str) -> None:
    """Whatever is asked: the wanted yield, no less with more portions, no more than the limit."""
    raw = {"water": f"{water:.1f} mL", "k": f"{k:.3f}", "wanted_percent": f"{percent:.2f}"}
    reuse, _ = read_reuse({}, 0.1)
    found = work_out(read_extraction(raw, of(key) if key else None, reuse=reuse))
    assert found.chosen.yield_fraction >= float(raw["wanted_percent"]) / 100 - 1e-9
    yields = [row.yield_fraction for row in found.same_total]
    assert all(a <= b + 1e-9 for a, b in itertools.pairwise(yields))
    assert yields[-1] <= found.limit_yield + 1e-9
    for curve in found.curves:
        rising = [gained for _, gained in curve.points]
        assert all(a <= b + 1e-12 for a, b in itertools.pairwise(rising))
    assert found.gained.u > 0


def test_what_uses_least_solvent_is_chosen() -> None:
    """Several small portions: common practice. One huge portion never seems free because all came back."""
    reuse, said = read_reuse({})
    assert any("20% taken" in words for words in said)
    found = work_out(read_extraction({"water": "200 mL", "k": "4"}, of("diethyl-ether"), reuse=reuse))
    assert found.chosen.portions > 1
    assert found.chosen.total_ml < 1000
    fitting = [row for row in found.for_yield if row.fits]
    least = min(row.net_ml for row in fitting)
    assert found.least is not None
    assert found.least.net_ml == pytest.approx(least)
    same = next(row for row in fitting if row.portions == found.chosen.portions)
    assert same.net_ml <= least * 1.05
    assert all(row.net_ml > least * 1.05 for row in fitting if row.portions < found.chosen.portions)
    assert any("10 °C" in words for words in found.asked.assumptions)
