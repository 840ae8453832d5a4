"""Vapour pressure against CoolProp, mutual solubility against recorded points, the budget against the GUM."""

from __future__ import annotations

import itertools
import math
import random

import pytest
from CoolProp.CoolProp import PropsSI
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from inventory.rules.catalogue import load_catalogue
from inventory.rules.density import Liquid
from recovery.rules.budget import combined, effective_freedom, text, type_a
from recovery.rules.properties import Properties, of_catalogue
from recovery.rules.solubility import WATER_G_ML, mutual, shake
from recovery.rules.vapour_pressure import ATMOSPHERE_KPA, ZERO_C_K, pressure_kpa

COOLPROP = {
    "acetone": "Acetone",
    "diethyl-ether": "DiethylEther",
    "ethanol": "Ethanol",
    "methanol": "Methanol",
    "toluene": "Toluene",
    "n-hexane": "n-Hexane",
    "n-heptane": "n-Heptane",
    "cyclohexane": "CycloHexane",
    "n-pentane": "n-Pentane",
    "o-xylene": "o-Xylene",
    "m-xylene": "m-Xylene",
    "p-xylene": "p-Xylene",
    "water": "Water",
}


def of(key: str) -> Properties:
    found = of_catalogue(load_catalogue()[key])
    assert found is not None
    return found


@pytest.mark.parametrize("key", COOLPROP)
def test_vapour_pressure_lies_within_its_half_width_of_coolprop(key: str) -> None:
    """CoolProp 8, from 0 °C to the boiling point; the uncertainty is a rectangle's, so half width = u √3."""
    solvent = of(key)
    assert solvent.boiling_point_c is not None
    for celsius in range(0, int(solvent.boiling_point_c) + 1, 3):
        there = PropsSI("P", "T", celsius + ZERO_C_K, "Q", 0, COOLPROP[key]) / 1000
        found = pressure_kpa(solvent, celsius)
        assert abs(found.value - there) <= found.u * math.sqrt(3), (celsius, found, there)


def test_acetone_at_twenty() -> None:
    """24.71 kPa by the Antoine set of Poling et al."""
    assert pressure_kpa(of("acetone"), 20).value == pytest.approx(24.71, abs=0.05)


@pytest.mark.parametrize("key", [k for k, d in load_catalogue().items() if of_catalogue(d) and k != "water"])
def test_vapour_pressure_rises_and_meets_the_boiling_point(key: str) -> None:
    """At the boiling point it is one atmosphere, by what boiling is; mixtures boil over a range."""
    solvent = of(key)
    values = [pressure_kpa(solvent, celsius).value for celsius in range(-10, 60)]
    assert all(a < b for a, b in itertools.pairwise(values))
    if solvent.boiling_point_c is not None and "petroleum" not in key:
        there = pressure_kpa(solvent, solvent.boiling_point_c)
        assert abs(there.value - ATMOSPHERE_KPA) <= max(0.03 * ATMOSPHERE_KPA, there.u * math.sqrt(3))


def test_what_is_not_recorded_is_taken_as_the_worst() -> None:
    liquid = of("ethanol").liquid
    unknown = Properties("leaf spirit", liquid)
    guess = pressure_kpa(unknown, 20)
    assert guess.value > pressure_kpa(of("diethyl-ether"), 20).value
    assert guess.assumptions
    pair = mutual(unknown, 20)
    assert pair.in_water.value > mutual(of("diethyl-ether"), 20).in_water.value
    assert len(pair.assumptions) == 2


@pytest.mark.parametrize(
    ("key", "celsius", "percent", "off"),
    [
        # CRC Handbook; Riddick & Bunger (from memory)
        ("diethyl-ether", 20, 6.9, 0.01),
        ("diethyl-ether", 25, 6.05, 0.01),
        # Wikipedia 2-methyltetrahydrofuran, older copies: points that the two in use do not include
        ("2-methyltetrahydrofuran", 9.5, 17.8, 0.5),
        ("2-methyltetrahydrofuran", 0, 21.0, 1.5),
        # azeotrope tables (Lange 10th, CRC 44th), near room temperature
        ("ethyl-acetate", 20, 8.7, 0.01),
    ],
)
def test_solubility_in_water(key: str, celsius: float, percent: float, off: float) -> None:
    assert mutual(of(key), celsius).in_water.value * 100 == pytest.approx(percent, abs=off)


@pytest.mark.parametrize("key", [k for k, d in load_catalogue().items() if d.miscible_with_water is False])
def test_colder_water_keeps_no_less(key: str) -> None:
    """Solubility of esters and ethers in water falls as temperature rises: Stephenson 1992."""
    values = [mutual(of(key), celsius).in_water.value for celsius in range(0, 41, 2)]
    assert all(a >= b for a, b in itertools.pairwise(values))


def test_an_ether_layer_shrinks_on_shaking_with_water() -> None:
    """Common practice, no source: about a tenth of the water's volume of ether goes."""
    ether = of("diethyl-ether")
    pair = mutual(ether, 20)
    fractions = {"in_water": pair.in_water.value, "of_water": pair.of_water.value}
    layers = shake(100, 100, density_g_ml=ether.density_20c_g_ml, **fractions)
    assert 8 < layers.kept_ml < 12
    assert layers.organic_ml < 92
    assert mutual(of("tetrahydrofuran"), 20).miscible


share = st.floats(0.0005, 0.3)


@given(st.floats(1, 2000), st.floats(1, 2000), st.floats(0.6, 1.5), share, share)
def test_both_layers_hold_what_was_put_in(
    solvent_ml: float, water_ml: float, density: float, in_water: float, of_water: float
) -> None:
    """Both layers, as saturated as can be, hold every gram of both; one phase only at an edge."""
    layers = shake(solvent_ml, water_ml, density_g_ml=density, in_water=in_water, of_water=of_water)
    assert layers.kept_ml + layers.organic_ml == pytest.approx(solvent_ml)
    assert 0 <= layers.taken_up_ml <= water_ml * (1 + 1e-9)
    kept_g, water_g = layers.kept_ml * density, (water_ml - layers.taken_up_ml) * WATER_G_ML
    if layers.organic_ml > 0 and layers.kept_ml > 0:
        assert kept_g / (kept_g + water_g) == pytest.approx(in_water, rel=1e-6)
        taken_g, organic_g = layers.taken_up_ml * WATER_G_ML, layers.organic_ml * density
        assert taken_g / (taken_g + organic_g) == pytest.approx(of_water, rel=1e-6)
    elif layers.organic_ml == 0:
        assert kept_g / (kept_g + water_ml * WATER_G_ML) <= in_water * (1 + 1e-9)


@given(st.floats(1, 100), st.floats(1, 100), st.floats(1, 100), share, share, share)
def test_the_budget_agrees_with_the_uncertainties_package(
    a: float, b: float, c: float, s: float, t: float, r: float
) -> None:
    """For small spreads, where a derivative and a step are the same."""
    inputs = {"a": (a, a * s / 100), "b": (b, b * t / 100), "c": (c, c * r / 100)}
    mine = combined(lambda x: x["a"] / (x["a"] + x["b"] * x["c"]), inputs)
    x, y, z = (ufloat(*pair) for pair in inputs.values())
    theirs = x / (x + y * z)
    assert mine.value == pytest.approx(theirs.nominal_value)
    assert mine.u == pytest.approx(theirs.std_dev, rel=1e-3)
    assert math.fsum(part.share(mine.u) for part in mine.parts) == pytest.approx(1)


def test_the_budget_agrees_with_a_monte_carlo() -> None:
    """JCGM 101:2008: distributions propagated by drawing, 200 000 of them, a seventh of spread in b."""
    inputs = {"a": (100.0, 2.0), "b": (3.0, 0.4)}
    mine = combined(lambda x: (x["a"] / (x["a"] + x["b"] * 50)) ** 2, inputs)
    dice = random.Random(4)
    drawn = [
        (a / (a + b * 50)) ** 2 for a, b in ((dice.gauss(100, 2), dice.gauss(3, 0.4)) for _ in range(200_000))
    ]
    mean = math.fsum(drawn) / len(drawn)
    spread = math.sqrt(math.fsum((x - mean) ** 2 for x in drawn) / len(drawn))
    assert mine.u == pytest.approx(spread, rel=0.05)


def test_a_type_a_evaluation() -> None:
    """JCGM 100:2008 4.4.3, twenty temperatures: mean 100.145, s 1.489, u 0.333."""
    readings = [
        96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07,
        100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72,
    ]  # fmt: skip
    mean, spread, u, freedom = type_a(readings)
    assert (round(mean, 3), round(spread, 3), round(u, 3), freedom) == (100.145, 1.489, 0.333, 19)


def test_effective_degrees_of_freedom() -> None:
    """Welch-Satterthwaite: one part alone keeps its own, two equal ones add theirs; type B adds none."""
    assert effective_freedom([(0.2, 9)]) == pytest.approx(9)
    assert effective_freedom([(0.2, 9), (0.2, 9)]) == pytest.approx(18)
    assert effective_freedom([(0.2, math.inf)]) == math.inf


@pytest.mark.parametrize(
    ("value", "u", "words"),
    [(12.3456, 0.0123, "12.346"), (5.29e-10, 0, "0.000000000529"), (9990, 0, "9990"), (1234.6, 25, "1235")],
)
def test_numbers_are_written_without_exponents(value: float, u: float, words: str) -> None:
    assert text(value, u) == words


def test_a_liquid_alone_is_enough() -> None:
    assert isinstance(of("water").liquid, Liquid)
