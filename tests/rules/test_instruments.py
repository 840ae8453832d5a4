"""Instrument tolerances and the GUM rules."""

from __future__ import annotations

from decimal import Decimal

import pytest

from inventory.rules.errors import InputError
from inventory.rules.instruments import INSTRUMENTS, ROOT_3, find_instrument, standard_uncertainty


def u_ml(key: str, reading: str, **more: Decimal) -> float:
    found = find_instrument(key, field="instrument")
    return float(standard_uncertainty(found, Decimal(reading), measures="volume", field="instrument", **more))


def u_g(key: str, reading: str) -> float:
    found = find_instrument(key, field="instrument")
    return float(standard_uncertainty(found, Decimal(reading), measures="mass", field="instrument"))


@pytest.mark.parametrize(
    ("key", "tolerance"),
    [
        ("cylinder-a-5", "0.05"),  # ASTM E1272-02(2012) Table 1
        ("cylinder-a-100", "0.50"),  # ASTM E1272-02(2012) Table 1
        ("cylinder-b-250", "2.00"),  # ASTM E1272 1.1.2: twice class A
        ("cylinder-a-25", "0.25"),  # ISO 4788 (from memory), wider than 0.17 in ASTM E1272
        ("flask-a-100", "0.10"),  # ISO 1042 (from memory)
        ("burette-a-50", "0.05"),  # ISO 385 (from memory)
        ("pipette-a-25", "0.03"),  # ISO 648 (from memory)
        ("graduated-pipette-10", "0.030"),  # USP <31>
    ],
)
def test_tolerances(key: str, tolerance: str) -> None:
    assert INSTRUMENTS[key].tolerance == Decimal(tolerance)


def test_flask_of_the_eurachem_example() -> None:
    """EURACHEM/CITAC CG 4, A1: 100 mL ± 0.1 triangular gives 0.041 mL."""
    assert u_ml("flask-a-100", "100") == pytest.approx(0.041, abs=0.0005)


def test_rectangular_and_triangular_of_the_gum_example() -> None:
    """JCGM 100:2008 4.4.5 and 4.4.6: bounds 96 to 104 give 2.3 rectangular, 1.6 triangular (from memory)."""
    assert float(4 / ROOT_3) == pytest.approx(2.3, abs=0.05)
    assert u_ml("flask-a-100", "100") / 0.1 * 4 == pytest.approx(1.6, abs=0.05)


def test_glass_filled_more_than_once_errs_each_time() -> None:
    assert u_ml("cylinder-a-100", "250") == pytest.approx(3 * u_ml("cylinder-a-100", "100"))


def test_balance_counts_its_digital_step() -> None:
    """u = d/√12, GUM F.2.2.1 (from memory)."""
    assert u_g("balance-0.1g", "200") == pytest.approx(0.1 / 12**0.5)


def test_an_eye_on_the_bottle_errs_by_a_share_of_the_bottle() -> None:
    assert u_ml("bottle-mark", "100", capacity_ml=Decimal(1000)) == pytest.approx(50 / 3**0.5)
    assert u_ml("bottle-mark", "100") == pytest.approx(5 / 3**0.5)


@pytest.mark.parametrize("reading", ["1", "10", "100", "500", "1000", "2500"])
def test_not_stated_is_never_better_than_a_stated_instrument(reading: str) -> None:
    """Among glassware that fits the amount: from a quarter of it to four times as large."""
    near = [
        key
        for key, item in INSTRUMENTS.items()
        if item.capacity_ml and Decimal(reading) / 4 <= item.capacity_ml <= Decimal(reading) * 4
    ]
    assert near
    assert all(u_ml("not-stated", reading) >= u_ml(key, reading) for key in [*near, "bottle-mark"])


def test_a_mark_on_the_bottle_says_nothing_about_mass() -> None:
    with pytest.raises(InputError) as caught:
        u_g("bottle-mark", "500")
    assert caught.value.code == "instrument-mismatch"


@pytest.mark.parametrize("reading", ["1", "100", "5000"])
def test_a_balance_not_stated_is_never_better_than_a_stated_one(reading: str) -> None:
    stated = [key for key, item in INSTRUMENTS.items() if item.kind == "balance"]
    assert all(u_g("not-stated", reading) >= u_g(key, reading) for key in stated)


def test_mismatch_and_unknown_are_named() -> None:
    with pytest.raises(InputError) as caught:
        u_ml("balance-1g", "5")
    assert caught.value.code == "instrument-mismatch"
    with pytest.raises(InputError) as caught:
        find_instrument("teaspoon", field="instrument")
    assert caught.value.code == "unknown-instrument"


def test_every_instrument_has_a_source() -> None:
    assert all(item.source for item in INSTRUMENTS.values())
