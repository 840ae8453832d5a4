"""Solvents outside the table, by CAS number, from the `chemicals` library."""

from __future__ import annotations

from decimal import Decimal

import pytest
from CoolProp.CoolProp import PropsSI

from inventory.rules.chemicals_lookup import check_cas, from_cas
from inventory.rules.errors import InputError
from inventory.rules.volume import measure, parse_entry


def code_of(cas: str) -> str:
    with pytest.raises(InputError) as caught:
        from_cas(cas)
    assert caught.value.remedy
    return caught.value.code


def test_methyl_acetate() -> None:
    """GHS 2: flash -10 °C, boiling 57 °C; density 0.934 at 20 °C, CRC Handbook (from memory)."""
    found = from_cas("79-20-9", "methyl acetate, spare")
    assert (found.key, found.name, found.confirmed) == ("cas-79-20-9", "methyl acetate, spare", False)
    assert (found.ghs_category, found.nfpa30_class) == (2, "IB")
    assert float(found.density_20c_kg_m3 or 0) == pytest.approx(934, rel=0.002)
    assert found.flash_point_c == Decimal(-10)
    assert all(fact.source.startswith("chemicals ") for fact in found.facts)


def test_density_and_expansion_of_benzene_against_coolprop() -> None:
    """CoolProp 8, HEOS, at 1 atm."""
    found = from_cas("71-43-2")
    cold, at20, warm = (float(PropsSI("D", "T", t, "P", 101325, "Benzene")) for t in (292.65, 293.15, 293.65))
    assert float(found.density_20c_kg_m3 or 0) == pytest.approx(at20, rel=0.003)
    assert float(found.expansion_20c_per_k or 0) == pytest.approx((cold - warm) / at20, rel=0.06)
    assert found.name == "benzene"


def test_nothing_is_known_about_peroxides() -> None:
    found = from_cas("71-43-2")
    assert found.peroxide_class == "unknown"
    assert "worst" in found.peroxide_basis
    assert found.h_codes == ()


def test_missing_flash_point_counts_as_the_worst() -> None:
    """Tetrachloromethane has none recorded in the library."""
    found = from_cas("56-23-5")
    assert found.flash_point_c is None
    assert (found.ghs_category, found.nfpa30_class) == (1, "IA")


def test_it_can_be_measured() -> None:
    liquid = from_cas("79-20-9").liquid
    assert liquid is not None
    found = measure(parse_entry("93.4 g", field="amount"), liquid, field="amount")
    assert found.volume_ul == pytest.approx(100_000, rel=0.002)


def test_missing_density_is_no_liquid_rather_than_a_guess() -> None:
    assert from_cas("110-80-5").liquid is None


@pytest.mark.parametrize(
    ("cas", "code"),
    [
        ("67-64-2", "cas-check-digit"),
        ("acetone", "cas-format"),
        ("", "cas-format"),
        ("9" * 4000, "cas-format"),
        ("67-64-1", "already-listed"),
        ("64742-82-1", "cas-unknown"),
        ("7647-14-5", "not-a-liquid"),
    ],
)
def test_refused(cas: str, code: str) -> None:
    assert code_of(cas) == code


@pytest.mark.parametrize("cas", ["7732-18-5", " 67-64-1 ", "67\u201164\u20111", "58-08-2"])
def test_check_digit_of_known_numbers(cas: str) -> None:
    """Water is the worked example of the CAS check digit rule; caffeine 58-08-2 (from memory)."""
    assert check_cas(cas).count("-") == 2
