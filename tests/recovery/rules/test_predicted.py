"""Predicted losses, each held against something else, and never a silent zero."""

from __future__ import annotations

import random
from dataclasses import replace
from math import hypot
from statistics import mean, stdev
from typing import Any

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from hypothesis import given
from hypothesis import strategies as st

from recovery.rules.predicted import Ask, Prediction, Term, Told, predict
from recovery.rules.predicted_terms import between
from recovery.rules.predicted_vapour import evaporation_g_per_min, vapour_in_gas_mol
from recovery.rules.predicted_water import setschenow_factor
from recovery.rules.solubility import mutual, shake
from tests.recovery.rules.measured import properties

FIELDS = frozenset(
    {
        "water-volume", "water-phases", "contacts", "water-temperature", "salting", "coolant-temperature",
        "take-over-time", "room-temperature", "open-time", "open-area", "transfers", "wetted-volume",
        "product-mass", "product-hold-up", "bed-volume",
    }
)  # fmt: skip


def ask(charged_ml: float = 300.0, key: str = "diethyl-ether", **facts: float | str) -> Ask:
    """A run in which these facts were told; double underscores stand for nothing, single ones for hyphens."""
    told = {
        name.replace("_", "-"): Told(word=value) if isinstance(value, str) else Told(value)
        for name, value in facts.items()
    }
    return Ask(properties(key), charged_ml, charged_ml * 0.8, told, asked=FIELDS)


def term(of: Ask, code: str, **more: Any) -> Term:
    return next(one for one in predict(of, **more).terms if one.code == code)


def ml(of: Ask, code: str, **more: Any) -> float:
    value = term(of, code, **more).value_ul
    assert value is not None
    return value / 1000


def test_water_keeps_ether_by_two_mass_balances() -> None:
    """6.9 % ether in water, 1.3 % water in ether at 20 °C (Riddick and Bunger, from memory); by numpy."""
    rho, w, v = 0.7136, 0.069, 0.013
    layers = np.linalg.solve([[w, 1 - v], [1 - w, v]], [300 * rho, 200 * 0.9982])
    of = ask(water_volume=200.0, water_temperature=20.0)
    assert ml(of, "water-phase") == pytest.approx(layers[0] * w / rho, rel=1e-3)
    assert ml(of, "water-taken-up") == pytest.approx(layers[1] * v / 0.9982, rel=1e-3)


def test_an_ether_layer_shrinks_on_shaking_with_water() -> None:
    """Common practice, no source: the upper layer is smaller than the ether that was put in."""
    of = ask(100.0, water_volume=100.0, water_temperature=20.0)
    assert ml(of, "water-phase") > 2 * ml(of, "water-taken-up")


def test_one_water_phase_is_saturated_once() -> None:
    once = ask(water_volume=200.0, contacts=1.0, water_temperature=20.0)
    thrice = ask(water_volume=200.0, contacts=3.0, water_temperature=20.0)
    assert ml(once, "water-phase") == ml(thrice, "water-phase")


def test_fresh_water_is_saturated_each_time() -> None:
    one = ml(ask(water_volume=100.0, water_phases=1.0, water_temperature=20.0), "water-phase")
    three = ml(ask(water_volume=300.0, water_phases=3.0, water_temperature=20.0), "water-phase")
    assert three == pytest.approx(3 * one, rel=0.03)


def test_colder_water_keeps_more_ether() -> None:
    """Solubility of esters and ethers falls as it gets warmer (Stephenson, J. Chem. Eng. Data 37, 80)."""
    for key in ("diethyl-ether", "2-methyltetrahydrofuran", "ethyl-acetate"):
        cold, warm = (ask(key=key, water_volume=200.0, water_temperature=at) for at in (5.0, 20.0))
        assert ml(cold, "water-phase") > ml(warm, "water-phase")


def test_a_solvent_that_mixes_with_water_stays_there() -> None:
    assert ml(ask(key="acetone", water_volume=200.0), "water-phase") == 300


def test_salt_by_setschenow() -> None:
    """Benzene in sodium chloride, k = 0.195 L/mol (from memory): 0.638 of it is left at 1 mol/L."""
    assert setschenow_factor(0.195, 1.0) == pytest.approx(0.638, abs=5e-4)
    plain = ask(water_volume=200.0, water_temperature=20.0, salting="none")
    salted = ask(water_volume=200.0, water_temperature=20.0, salting="part", salt_concentration=58.44)
    left = ml(salted, "water-phase", setschenow_l_per_mol=0.2) / ml(plain, "water-phase")
    assert left == pytest.approx(10**-0.2, rel=0.03)


def test_salt_without_a_constant_is_only_noted() -> None:
    salted = term(ask(water_volume=200.0, water_temperature=20.0, salting="saturated"), "water-phase")
    assert salted.state == "assumed"
    assert any("unknown share" in one for one in salted.assumptions)


def test_vapour_past_the_condenser_against_coolprop() -> None:
    """1 L of air at 20 °C and one atmosphere leaves at 10 °C saturated with ether."""
    p = PropsSI("P", "T", 283.15, "Q", 0, "DiethylEther") / 1000
    moles = 101.325 / (8.314462618 * 293.15) * p / (101.325 - p)
    of = ask(coolant_temperature=10.0, gas_volume=1.0, room_temperature=20.0)
    assert ml(of, "condenser") == pytest.approx(moles * 74.1216 / 0.7136, rel=0.02)
    assert term(of, "condenser").state == "worked-out"


def test_vapour_in_gas_against_published_conversions() -> None:
    """24.45 L/mol at 25 °C and 760 torr (CCOHS); MEK 200 ppm is 590 mg/m3 (OSHA 16), diisopropyl ether 500
    ppm 2089 (NIOSH, before it is rounded)."""
    assert vapour_in_gas_mol(24.465, 25.0, 50.6625, 101.325) == pytest.approx(1.0, abs=1e-3)
    for ppm, molar_mass, mg_m3 in ((200, 72.107, 590), (500, 102.175, 2089)):
        moles = vapour_in_gas_mol(1000.0, 25.0, ppm * 1e-6 * 101.325, 101.325)
        assert moles * molar_mass * 1000 == pytest.approx(mg_m3, rel=2e-3)


def test_anything_between_two_bounds() -> None:
    """JCGM 100:2008 4.4.5 (from memory): 96 to 104 °C, rectangular, is 100 with u = 2.3."""
    middle, u = between(96.0, 104.0)
    assert (middle, round(u, 1)) == (100.0, 2.3)


def test_ice_cold_water_in_the_condenser_saves_ether() -> None:
    """Common practice, no source."""
    losses = [ml(ask(coolant_temperature=at, gas_volume=1.0), "condenser") for at in (2.0, 10.0, 20.0)]
    assert losses == sorted(losses)
    assert losses[2] > 2 * losses[0]


def test_coolant_above_the_boiling_point_holds_nothing_back() -> None:
    assert vapour_in_gas_mol(1.0, 20.0, 101.4, 101.325) == float("inf")
    assert ml(ask(coolant_temperature=36.0, gas_volume=1.0), "condenser") == 300
    vacuum = ask(coolant_temperature=15.0, gas_volume=1.0, pressure=30.0)
    assert ml(vacuum, "condenser") == 300


def test_more_time_and_no_flow_told_is_a_wider_range() -> None:
    short, long = (term(ask(coolant_temperature=10.0, take_over_time=t), "condenser") for t in (10.0, 240.0))
    assert short.state == long.state == "assumed"
    assert long.u_ul > short.u_ul
    assert any("not told" in one for one in long.assumptions)


def test_open_surface_by_the_other_form_of_the_formula() -> None:
    """US EPA prints it also as 0.0035·U^0.78·M^(2/3)·A·P/T (from memory): 0.284/82.05 = 0.00346."""
    grams = evaporation_g_per_min(
        area_cm2=929.0304, air_m_s=1.5, molar_mass=74.12, vapour_kpa=58.8, kelvin=293.15
    )
    pounds = 0.0035 * 1.5**0.78 * 74.12 ** (2 / 3) * 1.0 * (58.8 * 7.500617) / 293.15
    assert grams / 453.59237 == pytest.approx(pounds, rel=0.015)


def test_a_missing_fact_is_never_a_silent_zero() -> None:
    found = predict(ask())
    silent = [one for one in found.terms if one.state == "not-told"]
    assert {"water-phase", "open-vessels", "wetting", "heel", "product", "bed"} <= {o.code for o in silent}
    assert all(one.value_ul is None and one.missing and "told" in one.assumptions[0] for one in silent[:1])
    assert all(one.value_ul is None and one.missing and one.assumptions for one in silent)
    assert {"water-volume", "open-area", "transfers"} <= set(found.missing)


def test_a_kind_that_has_no_water_is_not_asked_for_it() -> None:
    of = replace(ask(), asked=frozenset({"coolant-temperature", "take-over-time"}))
    assert [one.code for one in predict(of).terms] == ["condenser", "heel"]


def test_heel_hold_up_product_and_bed() -> None:
    of = replace(
        ask(product_mass=10.0, bed_volume=50.0, wetted_volume=3.0), heel_ml=20.0, hold_up_ml={"still 2": 4.0}
    )
    assert ml(of, "heel") == 20
    assert ml(of, "apparatus") == 4
    assert ml(of, "wetting") == 3
    assert ml(of, "product") == pytest.approx(10 * 0.55)
    assert ml(of, "bed") == pytest.approx(50 * 0.6)
    unknown = replace(of, hold_up_ml={"still 2": None})
    assert term(unknown, "apparatus").value_ul is None


def test_what_is_booked_is_not_predicted_again() -> None:
    whole = predict(ask(water_volume=200.0, transfers=3.0))
    left = whole.booked({"water-layer": 15_000})
    assert "water-phase" not in [one.code for one in left.terms]
    assert left.total_ul < whole.total_ul


numbers = st.floats(0.0, 500.0)
facts = st.dictionaries(
    st.sampled_from(sorted(FIELDS - {"salting"})), st.builds(Told, numbers, st.floats(0, 5))
)


@given(
    facts, st.floats(1.0, 5000.0), st.sampled_from(["diethyl-ether", "ethyl-acetate", "toluene", "acetone"])
)
def test_any_facts_give_a_total_that_is_the_sum(told: dict[str, Told], charged: float, key: str) -> None:
    of = Ask(properties(key), charged, None, told, asked=FIELDS)
    found: Prediction = predict(of)
    counted = [one for one in found.terms if one.counts and one.value_ul is not None]
    assert found.total_ul == sum(one.value_ul or 0 for one in counted)
    assert found.u_total_ul == round(hypot(*(float(one.u_ul) for one in counted)))
    for one in counted:
        assert 0 <= (one.value_ul or 0) <= charged * 1000 + 1
        assert one.formula
        assert one.state != "assumed" or one.assumptions


def test_water_phase_against_monte_carlo() -> None:
    """JCGM 101: water, temperature and both solubilities drawn, the layers solved anew each time."""
    water, warm = Told(200.0, 4.0), Told(15.0, 2.0)
    of = replace(
        ask(), facts={"water-volume": water, "water-temperature": warm, "salting": Told(word="none")}
    )
    found = term(of, "water-phase")
    rng, kept, pair = random.Random(14), [], mutual(of.solvent, 15.0)
    w_u = pair.in_water.u / pair.in_water.value
    v_u = pair.of_water.u / pair.of_water.value
    for _ in range(4000):
        there = mutual(of.solvent, rng.gauss(15.0, 2.0))
        layers = shake(
            of.charged_ml,
            rng.gauss(200.0, 4.0),
            density_g_ml=of.solvent.density_20c_g_ml,
            in_water=there.in_water.value * rng.gauss(1.0, w_u),
            of_water=there.of_water.value * rng.gauss(1.0, v_u),
        )
        kept.append(layers.kept_ml)
    assert found.value_ul == pytest.approx(mean(kept) * 1000, rel=0.01)
    assert found.u_ul == pytest.approx(stdev(kept) * 1000, rel=0.05)
