"""Vapour in a room: published conversions, the box against its differential equation, recorded limits."""

from __future__ import annotations

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from inventory.rules.catalogue import Fact, load_catalogue
from recovery.rules.air_limits import air_limits, explosive_share, shares_of
from recovery.rules.properties import Properties
from recovery.rules.vapour import (
    LEL_WORST_PCT,
    Room,
    concentration_ppm,
    exposure,
    known_room,
    mean_ppm,
    mg_m3_of_ppm,
    molar_litres,
    ppm_of_mg_m3,
    saturated_ppm,
    time_weighted_mean,
    vapour_litres,
    ventilation_cfm,
    ventilation_m3_h,
)
from recovery.rules.vapour_pressure import pressure_kpa
from tests.rules.test_properties import of


def test_the_molar_volume() -> None:
    """24.45 L at 25 °C and 760 torr: CCOHS; R = 62.364 L·torr/(mol·K) gives 24.465."""
    assert molar_litres(25) == pytest.approx(24.465, abs=0.001)
    assert molar_litres(25) == pytest.approx(24.45, rel=0.001)
    assert molar_litres(25) == pytest.approx(62.364 * 298.15 / 760, rel=1e-4)


@pytest.mark.parametrize(
    ("ppm", "molar_mass", "mg_m3", "off"),
    [
        (200, 72.11, 590, 1),  # OSHA method 16, 2-butanone
        (500, 102.177, 2089, 2),  # NIOSH IDLH documentation 1994, diisopropyl ether: printed 2100
        (250, 102.177, 1045, 1),  # printed 1040
        (310, 102.177, 1295, 1),  # printed 1300
    ],
)
def test_printed_conversions(ppm: float, molar_mass: float, mg_m3: float, off: float) -> None:
    assert mg_m3_of_ppm(ppm, molar_mass) == pytest.approx(mg_m3, abs=off)
    assert ppm_of_mg_m3(mg_m3, molar_mass) == pytest.approx(ppm, rel=0.002)


@pytest.mark.parametrize(
    ("key", "litres"), [("diethyl-ether", 235), ("acetone", 333), ("ethyl-acetate", 250)]
)
def test_vapour_of_a_litre(key: str, litres: float) -> None:
    """1000·ρ/M·24.45: ether 235 L, acetone 333 L, ethyl acetate 250 L (the formula of CCOHS)."""
    solvent = of(key)
    assert solvent.molar_mass_g_per_mol is not None
    found = vapour_litres(1000, solvent.density_20c_g_ml, solvent.molar_mass_g_per_mol)
    assert found == pytest.approx(litres, abs=1)


def test_the_printed_exposure_day() -> None:
    """Exercise with the formula of 29 CFR 1910.1000(d): 169.69 ppm."""
    day = [(150, 1.5), (175, 1.5), (80, 2), (350, 1), (180, 2)]
    assert time_weighted_mean(day) == pytest.approx(169.69, abs=0.01)


def test_a_saturated_room() -> None:
    """1e6·P/760: NRC 1981, Prudent Practices, p. 196; at the boiling point it is all vapour."""
    acetone = pressure_kpa(of("acetone"), 20).value
    assert saturated_ppm(acetone) == pytest.approx(1e6 * acetone * 760 / 101.325 / 760)
    assert saturated_ppm(acetone) == pytest.approx(243_900, rel=0.005)
    assert saturated_ppm(150) == 1e6


def test_ventilation_in_both_systems() -> None:
    """403 in US units and 24 in metric ones agree: 1 ft3/min is 1.699 m3/h, 1 pt/min 28.39 L/h."""
    us = ventilation_cfm(1, 0.805, 72.11, 200, 4)
    metric = ventilation_m3_h(28.391, 0.805, 72.11, 200, 4)
    assert us == pytest.approx(403 * 0.805 * 1e6 * 4 / (72.11 * 200))
    assert metric / 1.69901 == pytest.approx(us, rel=0.01)


def test_ventilation_holds_the_limit() -> None:
    """What evaporates into that much fresh air settles at the limit, by the balance of the box itself."""
    air_m3_h = ventilation_m3_h(0.5, 0.7136, 74.12, 400)
    room = Room(50, air_m3_h / 50, 1)
    released_l = vapour_litres(500 * 24, 0.7136, 74.12, 20)
    assert concentration_ppm(released_l, 24, room, 24) == pytest.approx(400, rel=0.01)


hours = st.floats(0.05, 8)


@settings(max_examples=40, deadline=None)
@given(st.floats(1, 500), hours, st.floats(10, 500), st.floats(0, 12), hours)
@example(1.0, 1.0, 10.0, 5e-324, 0.5)
@example(1.0, 1.0, 10.0, 1e-9, 8.0)
@example(1.0, 6.0, 10.0, 7.0, 7.0)
def test_the_box_obeys_its_equation(
    released_l: float, over_h: float, volume_m3: float, changes: float, at_h: float
) -> None:
    """dC/dt = G/V - n·C, integrated by scipy up to the release's end and on, beside the closed form."""
    room, state = Room(volume_m3, changes, 1), [0.0, 0.0]
    gain = released_l / over_h / volume_m3 * 1000
    for start, end, comes_in in ((0.0, min(over_h, at_h), gain), (over_h, at_h, 0.0)):
        if end > start:
            box = solve_ivp(
                lambda _, now, comes_in=comes_in: (comes_in - changes * now[0], now[0]),
                (start, end), state, method="DOP853", rtol=1e-10, atol=1e-12,
            )  # fmt: skip
            state = box.y[:, -1]
    assert concentration_ppm(released_l, over_h, room, at_h) == pytest.approx(state[0], rel=1e-6, abs=1e-6)
    assert mean_ppm(released_l, over_h, room, 0, at_h) == pytest.approx(state[1] / at_h, rel=1e-6, abs=1e-6)


@given(st.floats(1, 500), st.floats(10, 500), st.floats(0, 12), st.floats(0, 12), hours)
def test_more_air_is_never_worse(
    released_l: float, volume_m3: float, changes: float, more: float, at_h: float
) -> None:
    less = mean_ppm(released_l, 1, Room(volume_m3, changes, 1), 0, at_h)
    assert mean_ppm(released_l, 1, Room(volume_m3, changes + more, 1), 0, at_h) <= less * (1 + 1e-6)


def test_all_at_once_decays() -> None:
    room = Room(100, 6, 1)
    assert concentration_ppm(10, 0, room, 0) == pytest.approx(100)
    assert concentration_ppm(10, 0, room, 0.5) == pytest.approx(100 * 2.718281828**-3)
    assert mean_ppm(10, 0, room, 0, 8) == pytest.approx(100 / 48, rel=1e-6)
    assert mean_ppm(10, 0, Room(100, 0, 1), 0, 8) == pytest.approx(100)


def test_what_is_not_known_of_a_room_is_taken_as_worse() -> None:
    unknown, known = known_room(None, None), known_room(120, 4, 3)
    assert len(unknown.assumptions) == 3
    assert known.assumptions == ()
    ether = of("diethyl-ether")
    facts = {
        "liquid_ml": 50.0,
        "over_h": 1.0,
        "density_g_ml": ether.density_20c_g_ml,
        "molar_mass_g": 74.12,
        "vapour_pressure_kpa": 58.9,
    }
    bad, good = exposure(room=unknown, **facts), exposure(room=known, **facts)
    assert bad.peak_ppm > good.peak_ppm
    assert bad.near_mean_8h_ppm > good.near_mean_8h_ppm
    assert bad.mean_15min_ppm <= bad.peak_ppm


def test_shares_of_the_limits_of_ether() -> None:
    """50 mL of ether in 100 m3, no air: 11.6 L of vapour at 20 °C are 116 ppm."""
    ether = of("diethyl-ether")
    found = exposure(
        liquid_ml=50,
        over_h=0,
        room=known_room(100, 0, 1),
        density_g_ml=ether.density_20c_g_ml,
        molar_mass_g=74.12,
        vapour_pressure_kpa=58.9,
    )
    assert found.peak_ppm == pytest.approx(115.8, abs=0.5)
    limits, words = air_limits(ether)
    assert {(one.body, one.kind, one.ppm) for one in limits} >= {
        ("OSHA PEL", "mean-8h", 400),
        ("ACGIH TLV", "short-term", 500),
    }
    assert any(text.startswith("NIOSH REL: none") for text in words)
    assert max(share.share for share in shares_of(limits, found)) == pytest.approx(115.8 / 400, rel=0.01)
    explosive = explosive_share(ether, found)
    assert explosive is not None
    assert explosive.lel_ppm == 17_000
    assert explosive.share == pytest.approx(115.8 / 17_000, rel=0.01)
    assert not explosive.alarm


def test_an_unknown_explosive_limit_is_lower_than_every_listed_one() -> None:
    listed = [data.lel_vol_pct for data in load_catalogue().values() if data.lel_vol_pct is not None]
    assert min(listed) > LEL_WORST_PCT
    found = exposure(
        liquid_ml=10,
        over_h=0,
        room=known_room(100, 0, 1),
        density_g_ml=0.8,
        molar_mass_g=80,
        vapour_pressure_kpa=20,
    )
    unknown = explosive_share(Properties("leaf spirit", of("ethanol").liquid), found)
    assert unknown is not None
    assert unknown.assumptions
    assert explosive_share(of("dichloromethane"), found) is not None
    assert explosive_share(of("chloroform"), found) is None


@pytest.mark.parametrize(
    ("recorded", "expected"),
    [
        ("400 / STEL 500", [("mean-8h", 400), ("short-term", 500)]),
        ("C 50", [("ceiling", 50)]),
        ("Ca ST 2 (60 min)", [("short-term", 2)]),
        ("Ca C 1 (30 min)", [("ceiling", 1)]),
        ("200; C 300; peak 500 (Z-2)", [("mean-8h", 200), ("ceiling", 300), ("ceiling", 500)]),
        ("75 / STEL 150 (recent; was 200/300)", [("mean-8h", 75), ("short-term", 150)]),
        ("10 skin", [("mean-8h", 10)]),
        ("none (NPG App. D)", []),
        ("Ca", []),
        ("350 mg/m3; C 1800 mg/m3", [("mean-8h", 107), ("ceiling", 550)]),
    ],
)
def test_limits_are_read_as_they_are_recorded(recorded: str, expected: list[tuple[str, float]]) -> None:
    fact = Fact("niosh-rel", recorded, "[ppm]", "test")
    solvent = Properties("leaf spirit", of("ethanol").liquid, molar_mass_g_per_mol=80.0, facts=(fact,))
    found = [(one.kind, round(one.ppm)) for one in air_limits(solvent)[0]]
    assert found == expected


@given(st.floats(0.001, 1e5), st.floats(10, 300), st.floats(-20, 60), st.floats(5, 200))
def test_ppm_and_mass_go_there_and_back(ppm: float, molar_mass: float, celsius: float, kpa: float) -> None:
    there = mg_m3_of_ppm(ppm, molar_mass, celsius, kpa)
    assert ppm_of_mg_m3(there, molar_mass, celsius, kpa) == pytest.approx(ppm)
