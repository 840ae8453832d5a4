"""Quality of recovered solvent: references against other sources, corrections, outcomes, fitness."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from chemicals.refractivity import RI
from CoolProp.CoolProp import PropsSI
from hypothesis import given
from hypothesis import strategies as st

from inventory.rules.catalogue import load_catalogue
from inventory.rules.errors import InputError
from recovery.rules.fitness import Checked, Known, Reason, fitness
from recovery.rules.quality import (
    Corrected,
    Entered,
    Range,
    Sample,
    corrected,
    looser,
    outcome,
    reference,
)
from recovery.rules.quality_data import load_indices, load_uses
from recovery.rules.quality_entry import read_check

TODAY = date(2026, 3, 10)
GOOD_DENSITY = {"value": "0.7136", "unit": "g/mL", "uncertainty": "0.0002"}
# Fluids that CoolProp has an equation of state for, by their names there.
COOLPROP = {
    "acetone": "Acetone", "diethyl-ether": "DiethylEther", "n-hexane": "n-Hexane", "n-heptane": "n-Heptane",
    "toluene": "Toluene", "cyclohexane": "CycloHexane", "ethanol": "Ethanol", "methanol": "Methanol",
    "n-pentane": "n-Pentane", "water": "Water",
}  # fmt: skip


def sample(key: str) -> Sample:
    data = load_catalogue()[key]
    assert data.liquid is not None
    return Sample(key, data.liquid, data.boiling_point_c, "catalogue", "catalogue")


def read(what: str, **entered: Any) -> Entered:
    return read_check(what, **entered).entered


def judged(key: str, what: str, **entered: Any) -> str:
    of = sample(key)
    return outcome(corrected(read(what, **entered), of), reference(what, of))  # type: ignore[arg-type]


# -- references and corrections, checked against other sources


@pytest.mark.parametrize("key", COOLPROP)
@pytest.mark.parametrize("celsius", [10, 15, 25, 30])
def test_a_true_density_at_any_room_temperature_is_within(key: str, celsius: int) -> None:
    """CoolProp's density at that temperature, measured to 0.2 kg/m3, must be as it should be."""
    density = PropsSI("D", "T", 273.15 + celsius, "P", 101325, COOLPROP[key])
    told = {"value": f"{density:.2f}", "unit": "kg/m3", "uncertainty": "0.2"}
    of = sample(key)
    found = corrected(read("density", value=told, temperature=f"{celsius} °C"), of)
    at_20 = PropsSI("D", "T", 293.15, "P", 101325, COOLPROP[key])
    assert float(found.low) == pytest.approx(at_20, rel=0.002)
    assert outcome(found, reference("density", of)) == "within"


@pytest.mark.parametrize("key", sorted(load_indices()))
def test_refractive_indices_are_those_of_the_handbook(key: str) -> None:
    """The CRC Handbook's table as the chemicals library carries it, brought to 20 °C by the usual -0.00045/K.

    Acetonitrile stands there at 30 °C with the value that other handbooks give at 20 °C; for cyclopentyl
    methyl ether nothing stands there, and for water a value without a temperature that is not the liquid's.
    """
    value, kelvin = RI(load_catalogue()[key].cas)
    if key in ("cyclopentyl-methyl-ether", "water", "acetonitrile"):
        assert "from memory" in load_indices()[key].source
        return
    held = reference("refractive-index", sample(key))
    assert held is not None and held.lowest is not None and held.highest is not None
    at_20 = value + 0.00045 * (kelvin - 293.15)
    assert float((held.lowest + held.highest) / 2) == pytest.approx(at_20, abs=1e-6)


@pytest.mark.parametrize(
    ("key", "fluid"), [("acetone", "Acetone"), ("toluene", "Toluene"), ("ethanol", "Ethanol")]
)
@pytest.mark.parametrize("kpa", [95.0, 99.0, 103.0])
def test_boiling_points_follow_the_pressure(key: str, fluid: str, kpa: float) -> None:
    """What CoolProp boils at a pressure comes out at its normal boiling point to 0.15 K by Young's rule."""
    celsius = PropsSI("T", "P", kpa * 1000, "Q", 0, fluid) - 273.15
    normal = PropsSI("T", "P", 101325, "Q", 0, fluid) - 273.15
    found = corrected(read("boiling-range", value=f"{celsius:.2f} °C", pressure=f"{kpa} kPa"), sample(key))
    assert float(found.low) == pytest.approx(normal, abs=0.15)


# -- outcomes


@pytest.mark.parametrize(
    ("what", "entered", "expected"),
    [
        ("density", {"value": GOOD_DENSITY, "temperature": "20"}, "within"),
        ("density", {"value": GOOD_DENSITY | {"value": "0.735"}, "temperature": "20"}, "outside"),
        ("density", {"value": "0.71 g/mL"}, "undecided"),
        ("refractive-index", {"value": "1.3526", "temperature": "20 °C"}, "within"),
        ("refractive-index", {"value": "1.3504", "temperature": "25 °C"}, "within"),
        ("refractive-index", {"value": "1.3600", "temperature": "20 °C"}, "outside"),
        ("refractive-index", {"value": "1.3526"}, "undecided"),
        ("boiling-range", {"low": "34.2 °C", "high": "34.9 °C", "pressure": "101.3 kPa"}, "within"),
        ("boiling-range", {"low": "34.2 °C", "high": "41 °C", "pressure": "101.3 kPa"}, "outside"),
        ("boiling-range", {"value": "34.5 °C"}, "undecided"),
        ("water", {"value": "0.04 %"}, "no-reference"),
    ],
)  # fmt: skip
def test_diethyl_ether_is_judged_by_what_was_read_and_how_well(
    what: str, entered: dict[str, Any], expected: str
) -> None:
    """Without the temperature or pressure nothing is sure: the uncertainty takes the wide case."""
    assert judged("diethyl-ether", what, **entered) == expected


def test_petroleum_ether_boils_within_its_name_and_has_no_refractive_index() -> None:
    assert (
        judged("petroleum-ether-40-60", "boiling-range", low="42 °C", high="58 °C", pressure="1013 mbar")
        == "within"
    )
    assert (
        judged("petroleum-ether-40-60", "boiling-range", low="36 °C", high="68 °C", pressure="1013 mbar")
        == "outside"
    )
    assert (
        judged("petroleum-ether-40-60", "refractive-index", value="1.37", temperature="20") == "no-reference"
    )


VALUES = st.decimals(0, 100, places=3)


@given(low=VALUES, width=VALUES, u=st.decimals(0, 10, places=3), ends=st.tuples(VALUES, VALUES))
def test_more_uncertainty_never_decides_more(
    low: Decimal, width: Decimal, u: Decimal, ends: tuple[Decimal, Decimal]
) -> None:
    """By the definition: what is within or outside with a larger u is the same with a smaller one."""
    held = Range(min(ends), max(ends), "")
    wide = outcome(Corrected(low, low + width, u * 2), held)
    narrow = outcome(Corrected(low, low + width, u), held)
    assert wide in (narrow, "undecided")


@given(st.tuples(VALUES, VALUES), st.tuples(VALUES, VALUES), VALUES)
def test_what_is_not_looser_lets_nothing_more_pass(one: Any, other: Any, value: Decimal) -> None:
    new, old = Range(min(one), max(one), ""), Range(min(other), max(other), "")
    if not looser(new, old) and outcome(Corrected(value, value, Decimal(0)), new) == "within":
        assert outcome(Corrected(value, value, Decimal(0)), old) == "within"


@pytest.mark.parametrize(
    ("what", "entered", "field", "code"),
    [
        ("colour", {"value": "1"}, "what", "unknown-property"),
        ("density", {}, "value", "missing"),
        ("density", {"low": "1 g/mL", "high": "2 g/mL"}, "value", "missing"),
        ("density", {"value": "7 g/mL"}, "value", "out-of-range"),
        ("density", {"value": "0.7"}, "value", "unit-missing"),
        ("refractive-index", {"value": "1.35 mL"}, "value", "unit-not-wanted"),
        ("refractive-index", {"value": "13.5"}, "value", "out-of-range"),
        ("boiling-range", {"low": "40 °C", "high": "30 °C"}, "high", "below-low"),
        ("water", {"value": "0.1 %", "temperature": "20 °C"}, "temperature", "not-wanted"),
        ("density", {"value": "0.7 g/mL", "pressure": "101 kPa"}, "pressure", "not-wanted"),
        ("boiling-range", {"value": "34 °C", "pressure": "20 kPa"}, "pressure", "out-of-range"),
        ("water", {"value": GOOD_DENSITY | {"uncertainty": "-1"}}, "value.uncertainty", "not-a-number"),
    ],
)  # fmt: skip
def test_what_cannot_be_read_names_its_field(what: str, entered: Any, field: str, code: str) -> None:
    with pytest.raises(InputError) as refused:
        read_check(what, **entered)
    assert (refused.value.field, refused.value.code) == (field, code)
    assert refused.value.remedy


# -- fit for what


def checked(key: str, what: str, on: date = TODAY, **entered: Any) -> Checked:
    return Checked(1, corrected(read(what, **entered), sample(key)), on)


def good_ether(**more: Any) -> Known:
    """Everything measured, well, and as it should be."""
    told: dict[str, dict[str, Any]] = {
        "density": {"value": GOOD_DENSITY, "temperature": "20"},
        "refractive-index": {"value": {"value": "1.3526", "uncertainty": "0.0001"}, "temperature": "20"},
        "boiling-range": {
            "low": {"value": "34.3", "unit": "Cel", "uncertainty": "0.1"},
            "high": {"value": "34.7", "unit": "Cel", "uncertainty": "0.1"},
            "pressure": "101.3 kPa",
        },
        "water": {"value": {"value": "0.03", "unit": "%", "uncertainty": "0.002"}},
    }  # fmt: skip
    checks: Any = {what: checked("diethyl-ether", what, **entered) for what, entered in told.items()}
    return replace(Known(sample("diethyl-ether"), checks, times_distilled=2), **more)


def states(known: Known, limits: dict[str, Range] | None = None, today: date = TODAY) -> dict[str, str]:
    return {key: fitness(use, known, limits or {}, today).state for key, use in load_uses().items()}


def test_nothing_is_fit_silently() -> None:
    assert set(states(Known(sample("diethyl-ether"), {})).values()) == {"not-shown"}
    assert set(states(good_ether()).values()) == {"fit"}


def test_each_missing_check_takes_fitness_away_where_it_is_needed() -> None:
    whole = good_ether()
    for what in whole.checks:
        rest: Any = {name: check for name, check in whole.checks.items() if name != what}
        for key, state in states(replace(whole, checks=rest)).items():
            needed = any(need.what == what for need in load_uses()[key].needs)
            assert state == ("not-shown" if needed else "fit"), (what, key)


def test_what_was_bought_is_its_makers_to_answer_for_and_no_more() -> None:
    bought = Known(sample("diethyl-ether"), {}, as_bought=True)
    assert set(states(bought).values()) == {"as-bought"}
    wet = checked("diethyl-ether", "water", value="1.2 %")
    assert states(replace(bought, checks={"water": wet}))["reaction"] == "not-fit"


def test_wet_old_and_often_distilled() -> None:
    no_water = {name: check for name, check in good_ether().checks.items() if name != "water"}
    wet = good_ether(checks=no_water, returned_wet=True)
    assert states(wet) == {
        "rinsing": "fit", "extraction": "fit", "chromatography": "not-fit", "reaction": "not-fit",
    }  # fmt: skip
    later = states(good_ether(), today=date(2026, 3, 20))
    assert (later["chromatography"], later["reaction"]) == ("fit", "not-shown")  # 10 days: 30 and 7 allowed
    often = good_ether(times_distilled=6, times_most=5, times_refuses=True)
    assert set(states(often).values()) == {"not-fit"}
    assert set(states(replace(often, times_refuses=False)).values()) == {"not-shown"}


def test_the_verdict_of_the_house_comes_first() -> None:
    """However good it is, what may not be drawn is not fit."""
    against = (Reason("verdict-reading", "Peroxides were found.", "not-fit"),)
    said = fitness(load_uses()["rinsing"], good_ether(verdict=against), {}, TODAY)
    assert (said.state, said.reasons[0].code) == ("not-fit", "verdict-reading")


def test_a_lab_of_its_own_mind() -> None:
    """Water is not asked for in an extraction, unless the lab holds it to something."""
    limits = {"water": Range(None, Decimal("0.01"), "the club")}
    assert states(good_ether(), limits)["extraction"] == "not-fit"
    assert states(good_ether(), {"water": Range(None, Decimal("0.1"), "the club")})["extraction"] == "fit"
    assert states(Known(sample("diethyl-ether"), {}), limits)["rinsing"] == "not-shown"
