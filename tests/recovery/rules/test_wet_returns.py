"""Wet ether returned is not all ether."""

from __future__ import annotations

from math import sqrt

import pytest
from CoolProp.CoolProp import PropsSI
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from recovery.rules.amounts import Part, combined
from recovery.rules.wet_returns import DRY, WaterShare, parted, water_share

SATURATED = (0.013, 0.001)
ETHER = 713.6


def test_saturated_ether_by_volume() -> None:
    """1.3 % water by mass (Riddick and Bunger, from memory) is 0.93 % of the volume by CoolProp."""
    water = PropsSI("D", "T", 293.15, "P", 101325, "Water")
    ether = PropsSI("D", "T", 293.15, "P", 101325, "DiethylEther")
    per_gram = 0.013 / water, 0.987 / ether
    solvent, taken = parted(Part(250_000), WaterShare(0.013, 0.0, "", ""), density_kg_m3=ETHER)
    assert taken.volume_ul / 250_000 == pytest.approx(per_gram[0] / sum(per_gram), rel=2e-3)
    assert solvent.volume_ul + taken.volume_ul == 250_000


def test_weighed_it_is_the_mass_that_is_not_all_ether() -> None:
    """100 g with 1.3 % of water holds 98.7 g of ether."""
    booked = Part(round(100 / ETHER * 1e6))
    solvent, _ = parted(booked, WaterShare(0.013, 0.0, "", ""), density_kg_m3=ETHER, weighed=True)
    assert solvent.volume_ul == pytest.approx(98.7 / ETHER * 1e6, abs=1)


@pytest.mark.parametrize("weighed", [False, True])
def test_uncertainty_against_the_package(weighed: bool) -> None:
    w, volume = ufloat(0.013, 0.002), ufloat(250_000, 900)
    expected = volume * (1 - w) if weighed else volume / (1 + w / (1 - w) * ETHER / 998.2)
    solvent, _ = parted(
        Part(250_000, 900.0), WaterShare(0.013, 0.002, "", ""), density_kg_m3=ETHER, weighed=weighed
    )
    assert solvent.volume_ul == pytest.approx(expected.n, abs=1)
    assert solvent.u_ul == pytest.approx(expected.s, rel=1e-6)


def test_two_wet_returns_err_together() -> None:
    share = water_share("wet", saturated=SATURATED)
    once, _ = parted(Part(100_000), share, density_kg_m3=ETHER)
    assert combined([(1, once), (1, once)]).u_ul == pytest.approx(2 * once.u_ul)
    measured = water_share("wet", saturated=SATURATED, measured=(0.005, 0.001))
    once, _ = parted(Part(100_000), measured, density_kg_m3=ETHER)
    assert combined([(1, once), (1, once)]).u_ul == pytest.approx(sqrt(2) * once.u_ul)


def test_not_told_is_anything_from_dry_to_saturated() -> None:
    share = water_share("not-told", saturated=SATURATED)
    assert share.fraction == pytest.approx(0.007)
    assert share.u == pytest.approx(0.014 / sqrt(12))
    assert "not told" in share.words


def test_dry_states_take_nothing_off() -> None:
    assert water_share("dried", saturated=SATURATED).fraction == 0
    assert water_share("no-water", saturated=SATURATED) is DRY
    miscible = water_share("wet", saturated=None, miscible=True)
    assert not miscible.known
    assert "more may be missing" in miscible.words


def test_pure_water_is_no_share_of_solvent() -> None:
    with pytest.raises(ValueError, match="mass fraction"):
        parted(Part(1), WaterShare(1.0, 0.0, "", ""), density_kg_m3=ETHER)


@given(st.integers(0, 10**9), st.floats(0, 0.99), st.floats(500, 2000), st.booleans())
def test_the_two_always_add_up(volume_ul: int, w: float, density: float, weighed: bool) -> None:
    share = WaterShare(w, 0.01, "", "")
    solvent, water = parted(Part(volume_ul, 5.0), share, density_kg_m3=density, weighed=weighed)
    assert solvent.volume_ul + water.volume_ul == volume_ul
    assert 0 <= solvent.volume_ul <= volume_ul
