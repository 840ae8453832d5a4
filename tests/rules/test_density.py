"""Density over temperature against CoolProp 8 (HEOS) for every solvent it carries."""

from __future__ import annotations

from decimal import Decimal

import pytest
from CoolProp.CoolProp import PropsSI

from inventory.rules.catalogue import load_catalogue
from inventory.rules.density import Liquid, density_kg_m3, u_density_kg_m3

#: key → (CoolProp fluid, greatest relative error allowed over 0 to 35 °C)
FLUIDS = {
    "acetone": ("Acetone", 0.0004),
    "cyclohexane": ("CycloHexane", 0.0002),
    "diethyl-ether": ("DiethylEther", 0.0008),
    "ethanol": ("Ethanol", 0.0002),
    "methanol": ("Methanol", 0.0002),
    "n-heptane": ("n-Heptane", 0.0002),
    "n-hexane": ("n-Hexane", 0.0005),
    "n-pentane": ("n-Pentane", 0.0006),
    "toluene": ("Toluene", 0.0002),
    "o-xylene": ("o-Xylene", 0.0001),
    "m-xylene": ("m-Xylene", 0.0002),
    "p-xylene": ("p-Xylene", 0.0001),
    "tetrahydrofuran": ("Tetrahydrofuran", 0.0020),
    "water": ("Water", 0.0006),
}
STEPS_C = range(36)


def reference(fluid: str, celsius: int) -> float:
    kelvin = celsius + 273.15
    at_one_atm = float(PropsSI("D", "T", kelvin, "P", 101325, fluid))
    return at_one_atm if at_one_atm > 100 else float(PropsSI("D", "T", kelvin, "Q", 0, fluid))


def liquid_range(fluid: str) -> list[int]:
    lowest = float(PropsSI("Tmin", fluid)) - 273.15
    return [celsius for celsius in STEPS_C if celsius > lowest]


def liquid_of(key: str) -> Liquid:
    liquid = load_catalogue()[key].liquid
    assert liquid is not None
    return liquid


@pytest.mark.parametrize("key", FLUIDS)
def test_density_follows_coolprop(key: str) -> None:
    fluid, allowed = FLUIDS[key]
    steps = liquid_range(fluid)
    assert len(steps) > 20
    for celsius in steps:
        ours = float(density_kg_m3(liquid_of(key), Decimal(celsius)))
        assert ours == pytest.approx(reference(fluid, celsius), rel=allowed), celsius


@pytest.mark.parametrize("key", FLUIDS)
def test_stated_uncertainty_covers_the_distance(key: str) -> None:
    """Two standard uncertainties reach CoolProp's figure at every step."""
    fluid, _ = FLUIDS[key]
    for celsius in liquid_range(fluid):
        at = Decimal(celsius)
        distance = abs(float(density_kg_m3(liquid_of(key), at)) - reference(fluid, celsius))
        assert distance <= 2 * float(u_density_kg_m3(liquid_of(key), at)), celsius


def test_no_solvent_of_the_reference_is_left_out() -> None:
    """Every shipped solvent that CoolProp knows by CAS number is checked above."""
    import CoolProp

    fluids = CoolProp.CoolProp.get_global_param_string("FluidsList").split(",")
    carried = {CoolProp.CoolProp.get_fluid_param_string(fluid, "CAS") for fluid in fluids}
    shipped = {key for key, solvent in load_catalogue().items() if solvent.cas in carried}
    assert shipped == set(FLUIDS)


def test_water_at_20_celsius() -> None:
    """998.2 kg/m3, IAPWS-95."""
    assert density_kg_m3(liquid_of("water"), Decimal(20)) == Decimal("998.2")


def test_unknown_expansion_is_wide_enough_for_light_and_heavy_solvents() -> None:
    """n-pentane at 1.58e-3 and DMSO at 0.88e-3 per K lie within 2 standard uncertainties of the default."""
    value, u = Liquid(Decimal(700), Decimal(2), None).expansion
    for key in ("n-pentane", "dimethyl-sulfoxide"):
        known = load_catalogue()[key].expansion_20c_per_k
        assert known is not None
        assert abs(known - value) <= 2 * u
