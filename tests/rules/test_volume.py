"""From bench readings to microlitres at 20 °C."""

from __future__ import annotations

import json
from decimal import Decimal
from math import sqrt
from typing import Any

import pytest
from CoolProp.CoolProp import PropsSI
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from inventory.rules.catalogue import load_catalogue
from inventory.rules.errors import InputError
from inventory.rules.instruments import INSTRUMENTS, ROOT_3, standard_uncertainty
from inventory.rules.volume import (
    GLASS_EXPANSION_PER_K,
    MAX_VOLUME_UL,
    Liquid,
    Measured,
    measure,
    note_words,
    parse_entry,
    present,
    quadrature,
)

WATER = Liquid(Decimal("998.2"), Decimal("0.1"), Decimal("0.00021"))


def ether() -> Liquid:
    liquid = load_catalogue()["diethyl-ether"].liquid
    assert liquid is not None
    return liquid


def read(raw: Any, liquid: Liquid = WATER, **more: Any) -> Measured:
    return measure(parse_entry(raw, field="amount"), liquid, field="amount", **more)


def code_of(raw: Any, **more: Any) -> str:
    with pytest.raises(InputError) as caught:
        read(raw, **more)
    return caught.value.code


def test_eurachem_a1_budget() -> None:
    """EURACHEM/CITAC CG 4, A1: flask ± 0.1 mL, ± 4 °C at 2.1e-4 per °C, repeatability 0.02 → 0.06647 mL."""
    flask = standard_uncertainty(INSTRUMENTS["flask-a-100"], Decimal(100), measures="volume", field="")
    temperature = Decimal(100) * Decimal("0.00021") * 4 / ROOT_3
    assert float(quadrature([flask, temperature, Decimal("0.02")])) == pytest.approx(
        0.0664730521840743, abs=1e-9
    )


def test_same_flask_in_a_room_nobody_measured() -> None:
    """The A1 figures with ± 5 K in place of ± 4 and no repeatability: √(0.0408² + 0.0606²) = 0.0731 mL."""
    liquid = Liquid(Decimal("998.2"), Decimal("0.1"), Decimal("0.00021") + GLASS_EXPANSION_PER_K)
    found = read({"value": "100", "unit": "mL", "instrument": "flask-a-100"}, liquid)
    assert found.volume_ul == 100_000
    assert found.u_volume_ul == 74
    assert any("20 °C taken" in note for note in found.as_entered["notes"])


def test_a_note_that_was_kept_is_the_phrase_again_that_it_was() -> None:
    liquid = Liquid(Decimal("998.2"), Decimal("0.1"), None)
    notes = read({"value": "100", "unit": "mL"}, liquid).as_entered["notes"]
    assert any("per K taken" in note for note in notes)
    for note in notes:
        again = note_words(str(note))
        assert (again, again.template, again.parts) == (note, note.template, note.parts)


def test_petrol_tank_of_openstax() -> None:
    """OpenStax College Physics 13.2 (from memory): 60.0 L, 20 K, 950e-6 less 35e-6 per K → 1.10 L over."""
    liquid = Liquid(
        Decimal(750), Decimal(2), Decimal("0.000950") - Decimal("0.000035") + GLASS_EXPANSION_PER_K
    )
    found = read({"value": "60.0", "unit": "L", "temperature": "40 °C"}, liquid)
    assert (60_000_000 - found.volume_ul) / 1e6 == pytest.approx(1.098, abs=1e-9)


def test_warm_ether_shrinks_to_20_celsius() -> None:
    """Ratio of the densities at 25 and 20 °C from CoolProp 8 (HEOS)."""
    ratio = PropsSI("D", "T", 298.15, "P", 101325, "DiethylEther") / PropsSI(
        "D", "T", 293.15, "P", 101325, "DiethylEther"
    )
    found = read({"value": "500", "unit": "mL", "temperature": "25 °C"}, ether())
    assert found.volume_ul == pytest.approx(500_000 * ratio, rel=3e-4)


def test_gross_less_tare_by_the_density_of_water() -> None:
    """Water at 20 °C: 0.9982 g/mL (IAPWS-95), so 99.82 g net is 100.0 mL."""
    raw = {"value": "149.82", "unit": "g", "tare": "50.00 g", "instrument": "balance-0.01g"}
    found = read(raw)
    assert found.volume_ul == 100_000
    assert found.as_entered["tare"] == {"value": "50.00", "unit": "g"}


def test_mass_of_ether_by_its_density() -> None:
    """Diethyl ether at 20 °C: 713.6 kg/m3, CoolProp 8 and CRC Handbook 0.7138 (from memory) within 0.03 %."""
    assert read("210 g", ether()).volume_ul == pytest.approx(210 / 0.7138 * 1000, rel=3e-4)


def test_mass_budget_against_the_uncertainties_package() -> None:
    raw = {"value": "512.3", "unit": "g", "tare": "302.3 g", "instrument": "balance-0.1g"}
    found = read(raw, ether())
    step = 0.1 / sqrt(12)
    gross, tare = ufloat(512.3, step), ufloat(302.3, step)
    density = ufloat(float(ether().density_20c_kg_m3), float(ether().u_density_20c_kg_m3)) / 1000
    buoyancy = ufloat(1, 0.0012 / density.n / sqrt(3))
    expected = (gross - tare) / density * buoyancy * 1000
    assert found.volume_ul == pytest.approx(expected.n, abs=0.5)
    assert found.u_volume_ul - 1 <= expected.s <= found.u_volume_ul


def test_volume_budget_against_the_uncertainties_package() -> None:
    raw = {
        "value": "250",
        "unit": "mL",
        "instrument": "cylinder-b-250",
        "temperature": {"value": "82.4", "unit": "°F"},
    }
    found = read(raw, ether())
    beta, u_beta = (float(part) for part in ether().expansion)
    volume = ufloat(250, 2 / sqrt(3))
    rise = ufloat(8, 0.5 / sqrt(3))
    expected = volume * (1 - (ufloat(beta, u_beta) - 9.9e-6) * rise) * 1000
    assert found.volume_ul == pytest.approx(expected.n, abs=0.5)
    assert found.u_volume_ul - 1 <= expected.s <= found.u_volume_ul


def test_unknown_expansion_is_said_and_costs_certainty() -> None:
    known = Liquid(Decimal(860), Decimal(2), Decimal("0.0012"))
    unknown = Liquid(Decimal(860), Decimal(2), None)
    raw = {"value": "500", "unit": "mL", "temperature": "30 °C", "instrument": "cylinder-a-500"}
    assert read(raw, known).volume_ul == read(raw, unknown).volume_ul
    assert read(raw, known).u_volume_ul < read(raw, unknown).u_volume_ul
    assert any("unknown" in note for note in read(raw, unknown).as_entered["notes"])


def test_as_entered_is_kept_and_is_json() -> None:
    raw = {"value": "16", "unit": "US fl oz", "temperature": "68 °F", "instrument": "cylinder-a-500"}
    kept = json.loads(json.dumps(read(raw).as_entered))
    assert (kept["text"], kept["unit"], kept["value"]) == ("16 US fl oz", "[foz_us]", "16")
    assert kept["temperature"] == {"value": "68", "unit": "[degF]"}
    assert kept["instrument"] == "cylinder-a-500"


@pytest.mark.parametrize(
    ("raw", "code"),
    [
        ("10001 L", "too-much"),
        ("0.0004 mL", "too-little"),
        ("0 mL", "zero"),
        ("1 pint", "ambiguous-unit"),
        ({"value": "1", "unit": "L", "tare": "3 g"}, "tare-needs-mass"),
        ({"value": "300", "unit": "g", "tare": "301 g"}, "net-negative"),
        ({"value": "300", "unit": "g", "tare": "300 g"}, "zero"),
        ({"value": "300", "unit": "g", "tare": "300 mL"}, "wrong-dimension"),
        ({"value": "1", "unit": "L", "temperature": "80 °C"}, "temperature-out-of-range"),
        ({"value": "1", "unit": "L", "instrument": "spoon"}, "unknown-instrument"),
        ({"value": "1", "unit": "L", "instrument": "balance-1g"}, "instrument-mismatch"),
        ({"value": "1", "unit": "kg", "instrument": "flask-a-100"}, "instrument-mismatch"),
        ({"value": "1", "unit": "L", "instrument": 4}, "wrong-type"),
        ({"value": "1", "unit": "L", "who": "me"}, "unknown-key"),
        ({"value": "1", "unit": "L", "temperature": 20.5}, "wrong-type"),
    ],
)
def test_refused(raw: Any, code: str) -> None:
    assert code_of(raw) == code


def test_an_empty_bottle_counts_as_nothing_when_asked() -> None:
    entry = parse_entry({"value": "300", "unit": "g", "tare": "300 g"}, field="amount", allow_zero=True)
    found = measure(entry, WATER, field="amount", allow_zero=True)
    assert found.volume_ul == 0
    assert found.u_volume_ul >= 1


def test_half_a_microlitre_goes_to_the_even_one() -> None:
    assert read("0.0025 mL").volume_ul == 2
    assert read("0.0035 mL").volume_ul == 4


@given(st.integers(1, MAX_VOLUME_UL))
def test_what_is_shown_reads_back_the_same(volume_ul: int) -> None:
    shown = present(volume_ul)
    assert read({"value": shown["value"], "unit": shown["unit"]}).volume_ul == volume_ul


@given(st.integers(1, 10**7), st.integers(0, 35))
def test_warming_never_adds_liquid(volume_ul: int, celsius: int) -> None:
    raw = {**present(volume_ul), "temperature": f"{celsius} °C"}
    try:
        found = read(raw, ether()).volume_ul
    except InputError as error:
        assert error.code == "too-little"
    else:
        assert (found <= volume_ul) if celsius >= 20 else (found >= volume_ul)


@given(st.integers(-(10**12), 10**12))
def test_present_is_exact(volume_ul: int) -> None:
    assert Decimal(present(volume_ul)["value"]) * 1000 == volume_ul
