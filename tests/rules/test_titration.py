"""The titration: published figures, and its uncertainty against the `uncertainties` package."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from inventory.rules.errors import InputError
from inventory.rules.peroxide import passes
from inventory.rules.titration import (
    DROP_ML,
    Measure,
    Result,
    Titration,
    interval,
    rounded,
    titrate,
)
from inventory.rules.titration_entry import Solution, read_titration

TENTH_NORMAL = {"titre": "11.8 mL", "blank": "0 mL", "sample": "20 mL", "concentration": "0.1 N"}


def exact(titre: str, blank: str, concentration: str, **sample: Any) -> Result:
    titrant, nothing, strength = (Measure(Decimal(x)) for x in (titre, blank, concentration))
    told: dict[str, Any] = {name: Measure(Decimal(x)) for name, x in sample.items()}
    return titrate(Titration(titrant, nothing, strength, **told))


def test_the_published_example_of_hydrogen_peroxide() -> None:
    """ProMinent manual p. 48: 11.8 mL of 0.1 N on 20 mL is 1003 ppm (mg/L), with 17 g per equivalent."""
    found = exact("11.8", "0", "0.1", sample_ml="20").mg_per_l
    assert found is not None
    assert abs(found.value - 1003) <= 1


def test_the_peroxide_number_of_the_standard() -> None:
    """ASTM D3703 section 9: 1 mL of 0.005 N above the blank on 4 g is 10 mg/kg of active oxygen, exactly."""
    found = exact("1.5", "0.5", "0.005", sample_g="4").active_oxygen_mg_per_kg
    assert found is not None
    assert found.value == 10


def test_iodine_for_a_millilitre_of_tenth_normal() -> None:
    """USP: 1 mL of 0.1 N thiosulfate is 12.69 mg of iodine; M(I) 126.904, so H2O2 : I is 17.007 : 126.904."""
    found = exact("1", "0", "0.1", sample_ml="1000").mg_per_l
    assert found is not None
    iodine_mg = found.value * Decimal("126.90447") / Decimal("17.00734")
    assert round(iodine_mg, 2) == Decimal("12.69")


def test_mass_ppm_of_ether() -> None:
    """100 mg/L in diethyl ether (0.7136 kg/L) is 140 mass ppm."""
    found = exact("1", "0", "0.0588", sample_ml="10", density_kg_per_l="0.7136")
    assert found.mg_per_l is not None
    assert found.mass_ppm is not None
    assert round(found.mg_per_l.value) == 100
    assert round(found.mass_ppm.value) == 140


positive = st.decimals("0.5", "50", places=2)
share = st.decimals("0.001", "0.2", places=3)


@given(
    positive, positive, st.decimals("0.001", "1", places=3), positive, st.lists(share, min_size=5, max_size=5)
)
def test_uncertainty_agrees_with_the_uncertainties_package(
    blank: Decimal, more: Decimal, molar: Decimal, size: Decimal, shares: list[Decimal]
) -> None:
    values = [blank + more, blank, molar, size, Decimal("0.7136")]
    measures = [Measure(v, v * s) for v, s in zip(values, shares, strict=True)]
    volumes = [ufloat(float(m.value), float((m.u**2 + DROP_ML**2 / 3).sqrt())) for m in measures[:2]]
    c, v, rho = (ufloat(float(m.value), float(m.u)) for m in measures[2:])
    net = volumes[0] - volumes[1]
    titrant, nothing, strength, sample, dense = measures
    common: dict[str, Any] = {"density_kg_per_l": dense}
    by_volume = titrate(Titration(titrant, nothing, strength, sample_ml=sample, **common))
    by_mass = titrate(Titration(titrant, nothing, strength, sample_g=sample, **common))
    mg = net * c * 17.00734 * 1000
    expected = [
        (by_volume.mg_per_l, mg / v),
        (by_volume.mass_ppm, mg / (v * rho)),
        (by_volume.active_oxygen_mg_per_kg, net * c * 8000 / (v * rho)),
        (by_mass.mg_per_l, mg / (v / rho)),
        (by_mass.mass_ppm, mg / v),
    ]
    for found, other in expected:
        assert found is not None
        assert float(found.value) == pytest.approx(other.nominal_value, rel=1e-12)
        assert float(found.u) == pytest.approx(other.std_dev, rel=1e-9)


@given(st.decimals(0, 2, places=2), st.decimals(0, 2, places=2), positive)
def test_no_interval_ends_below_what_can_be_told(titre: Decimal, blank: Decimal, size: Decimal) -> None:
    """One drop of titrant, 0.05 mL (common practice, no source), is the least that anybody sees."""
    of = Titration(Measure(titre), Measure(blank), Measure(Decimal("0.1")), sample_ml=Measure(size))
    try:
        result = titrate(of)
    except InputError as error:
        assert error.code == "below-blank"
        assert titre < blank
        return
    reading = interval(result)
    assert reading.upper_mg_per_l is not None
    assert reading.upper_mg_per_l >= DROP_ML * Decimal("0.1") * Decimal("17007.34") / size
    assert result.mg_per_l is not None
    assert reading.lower_mg_per_l <= max(result.mg_per_l.value, Decimal(0)) <= reading.upper_mg_per_l


def test_too_small_a_sample_cannot_pass() -> None:
    """0.1 N on 2 mL: one drop is 42 mg/L, so nothing found does not show less than 25 mg/L."""
    tiny = read_titration({**TENTH_NORMAL, "titre": "0 mL", "sample": "2 mL"})
    assert not passes(interval(tiny.result), Decimal(25))
    weak: dict[str, Any] = {"titre": "0.1 mL", "blank": "0.1 mL", "sample": {"value": "25", "unit": "mL"}}
    thin = read_titration({**weak, "concentration": "0.01 mol/L"})
    assert passes(interval(thin.result), Decimal(25))


def test_what_is_not_said_takes_the_widest_usual() -> None:
    plain = read_titration(TENTH_NORMAL)
    told = read_titration(
        {
            "titre": {"value": "11.8", "unit": "mL", "instrument": "burette-a-25"},
            "blank": {"value": "0", "unit": "mL", "instrument": "burette-a-25"},
            "sample": {"value": "20", "unit": "mL", "instrument": "pipette-a-25"},
            "concentration": {"value": "0.1", "unit": "mol/L", "uncertainty": "0.0002"},
        }
    )
    assert plain.result.mg_per_l is not None
    assert told.result.mg_per_l is not None
    assert told.result.mg_per_l.value == plain.result.mg_per_l.value
    assert told.result.mg_per_l.u < plain.result.mg_per_l.u / 3
    assert told.working["hydrogen_peroxide"] == {"value": "1003.4", "unit": "mg/L", "uncertainty": "4.4"}


def test_a_weighed_sample_is_a_peroxide_number() -> None:
    entry = {"titre": "1.5 mL", "blank": "0.5 mL", "sample": "4 g", "concentration": "0.005 N"}
    found = read_titration(entry, density_kg_per_l=Measure(Decimal("0.7136")))
    assert found.method == "peroxide-number"
    assert found.working["active_oxygen"]["value"] == "10.00"
    with pytest.raises(InputError) as caught:
        interval(read_titration(entry).result)
    assert caught.value.code == "density-needed"


def test_a_recorded_solution_gives_its_concentration() -> None:
    entry = {name: value for name, value in TENTH_NORMAL.items() if name != "concentration"}
    found = read_titration(entry, solution=Solution(Decimal("0.1"), Decimal("0.0002")))
    assert found.titration.concentration_mol_per_l == Measure(Decimal("0.1"), Decimal("0.0002"))


@pytest.mark.parametrize(
    ("change", "field", "code"),
    [
        ({"titre": None}, "titration.titre", "missing"),
        ({"blank": None}, "titration.blank", "missing"),
        ({"concentration": None}, "titration.concentration", "missing"),
        ({"sample": "20"}, "titration.sample", "unit-missing"),
        ({"sample": "0 mL"}, "titration.sample", "out-of-range"),
        ({"titre": "1 g"}, "titration.titre", "wrong-dimension"),
        ({"colour": "1 mL"}, "titration", "unknown-key"),
        ({"blank": "20 mL"}, "titration.titre", "below-blank"),
        ({"titre": {"value": "1", "unit": "mL", "instrument": "ladle"}}, "titration.titre.instrument", None),
        ({"titre": {"value": "1", "unit": "mL", "uncertainty": "0"}}, "titration.titre.uncertainty", "zero"),
        (
            {"titre": {"value": "1", "unit": "mL", "instrument": "balance-1g"}},
            "titration.titre.instrument",
            None,
        ),
    ],
)
def test_what_is_at_fault_is_named(change: dict[str, Any], field: str, code: str | None) -> None:
    with pytest.raises(InputError) as caught:
        read_titration({**TENTH_NORMAL, **change}, field="titration")
    assert caught.value.field == field
    assert caught.value.remedy
    assert code in (None, caught.value.code)


@pytest.mark.parametrize(
    ("value", "u", "shown"),
    [
        ("1003.433", "3.14", ("1003.4", "3.2")),
        ("10", "0", ("10.000", "0.000")),
        ("5213", "123", ("5213", "123")),
    ],
)
def test_figures_are_cut_by_their_uncertainty(value: str, u: str, shown: tuple[str, str]) -> None:
    assert tuple(map(str, rounded(Measure(Decimal(value), Decimal(u))))) == shown
