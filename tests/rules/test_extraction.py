"""Extraction against textbook examples, and what must hold for any portions."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from uncertainties import ufloat

from recovery.rules.budget import Estimate
from recovery.rules.extraction import (
    Extraction,
    Reuse,
    distribution,
    least_solvent,
    left_in_water,
    limit_left,
    portion_for,
    portions_for,
    row_of,
    rows_for_yield,
    saturation_ml,
    volume_in_one,
    worth_while,
    yield_budget,
)


def of(water_ml: float, d: float, kept_ml: float = 0.0) -> Extraction:
    return Extraction(Estimate(water_ml), Estimate(d), Estimate(kept_ml))


@pytest.mark.parametrize(
    ("water_ml", "k", "portions", "left", "off"),
    [
        # Harris, Quantitative Chemical Analysis, extraction example: 6.2 % and 0.00098
        (100, 3, [500], 0.0625, 0.0005),
        (100, 3, [100] * 5, 0.00098, 0.000005),
        # Skoog, Fundamentals of Analytical Chemistry (from memory), of 1.00e-3 M
        (50, 85, [50], 1.16e-2, 1.16e-2 * 0.005),
        (50, 85, [25] * 2, 5.28e-4, 5.28e-4 * 0.005),
        (50, 85, [10] * 5, 5.29e-7, 5.29e-7 * 0.005),
        # Harvey, Analytical Chemistry 2.1, 7.7 (from memory): 60.0 % extracted
        (50, 5, [15], 0.400, 0.0005),
    ],
)
def test_printed_examples(water_ml: float, k: float, portions: list[float], left: float, off: float) -> None:
    assert left_in_water(of(water_ml, k), portions) == pytest.approx(left, abs=off)


def test_volume_in_one_step_and_portions_for_a_yield() -> None:
    """Harvey 7.7 (from memory): 9990 mL in one step; 7.54, so 8, portions of 15 mL for 99.9 %."""
    given_here = of(50, 5)
    assert volume_in_one(given_here, 0.999) == pytest.approx(9990, abs=1)
    count = portions_for(given_here, 0.999, 15)
    assert count is not None
    assert count == pytest.approx(7.54, abs=0.005)
    assert math.ceil(count) == 8


@pytest.mark.parametrize(("ph", "d", "percent"), [(3, 4.95, 59.8), (5, 2.50, 42.9), (7, 0.0495, 1.46)])
def test_a_weak_acid(ph: float, d: float, percent: float) -> None:
    """Harvey 7.7 (from memory): KD 5.00, Ka 1.00e-5, 50.00 mL, 15.00 mL."""
    found = distribution(Estimate(5), pka=Estimate(5), ph=Estimate(ph))
    assert found.value == pytest.approx(d, abs=0.005 if d > 1 else 0.00005)
    assert 100 * (1 - left_in_water(of(50, found.value), [15])) == pytest.approx(percent, abs=0.05)


def test_a_weak_base_is_the_mirror_of_an_acid() -> None:
    acid = distribution(Estimate(5), pka=Estimate(5), ph=Estimate(3))
    base = distribution(Estimate(5), pka=Estimate(5), ph=Estimate(7), base=True)
    assert acid.value == pytest.approx(base.value)
    half = distribution(Estimate(5), pka=Estimate(9), ph=Estimate(9), base=True)
    assert half.value == pytest.approx(2.5)


def test_a_published_slip_is_not_repeated() -> None:
    """Caffeine, K 8.4, 0.600 g in 100 mL: 60 mL once gives 0.5007 g, 3 × 20 mL 0.5688 g."""
    caffeine = of(100, 8.4)
    assert 0.6 * (1 - left_in_water(caffeine, [60])) == pytest.approx(0.5007, abs=0.00005)
    assert 0.6 * (1 - left_in_water(caffeine, [20] * 3)) == pytest.approx(0.5688, abs=0.00005)


water = st.floats(5, 2000)
d_value = st.floats(0.05, 500)
kept_share = st.floats(0, 0.4)


@given(water, d_value, kept_share, st.floats(1, 5000), st.integers(1, 30))
def test_the_yield_never_falls_with_more_portions_of_the_same_total(
    water_ml: float, d: float, share: float, total_ml: float, portions: int
) -> None:
    """One more portion of the same solvent gives no less, whatever the water keeps; nor above the limit."""
    plan = of(water_ml, d, water_ml * share)
    fewer = left_in_water(plan, [total_ml / portions] * portions)
    more = left_in_water(plan, [total_ml / (portions + 1)] * (portions + 1))
    assert more <= fewer * (1 + 1e-9)
    assert limit_left(plan, total_ml) <= more * (1 + 1e-9)


@given(water, d_value, st.floats(10, 1000), st.integers(2, 10))
def test_several_small_portions_beat_one_large(
    water_ml: float, d: float, total_ml: float, portions: int
) -> None:
    """Common practice, no source."""
    plan = of(water_ml, d)
    assert left_in_water(plan, [total_ml / portions] * portions) < left_in_water(plan, [total_ml])


@given(water, d_value, kept_share, st.floats(0.05, 0.9999), st.integers(1, 20))
def test_the_portion_for_a_yield_gives_it(
    water_ml: float, d: float, share: float, wanted: float, portions: int
) -> None:
    plan = of(water_ml, d, water_ml * share)
    portion_ml = portion_for(plan, wanted, portions)
    assert 1 - left_in_water(plan, [portion_ml] * portions) == pytest.approx(wanted, rel=1e-6)


@given(water, d_value, kept_share, st.floats(0.05, 0.9999), st.floats(1, 500))
def test_counting_portions_and_sizing_them_agree(
    water_ml: float, d: float, share: float, wanted: float, portion_ml: float
) -> None:
    plan = of(water_ml, d, water_ml * share)
    count = portions_for(plan, wanted, portion_ml)
    assert count is not None
    assume(count < 200)
    whole = math.ceil(count - 1e-9)
    assert 1 - left_in_water(plan, [portion_ml] * whole) >= wanted - 1e-9
    if whole > 1:
        assert 1 - left_in_water(plan, [portion_ml] * (whole - 1)) < wanted + 1e-9


def test_what_the_water_keeps() -> None:
    """100 mL of water at 20 °C keeps 6.9 % of ether by mass (CRC, from memory): 7.40 g, 10.37 mL."""
    kept_ml = saturation_ml(100, 0.7136, 0.069)
    assert kept_ml * 0.7136 / (kept_ml * 0.7136 + 99.82) == pytest.approx(0.069)
    shrunk = of(100, 3, kept_ml)
    assert left_in_water(shrunk, [100]) > left_in_water(of(100, 3), [100])


def test_the_least_solvent_counts_what_comes_back() -> None:
    """Without loss by portion ever more portions need ever less; with it, there is a best number of them."""
    plan = of(200, 4, 20)
    free = rows_for_yield(plan, 0.99, Reuse(distils=False, lost_per_portion_ml=0), smallest_ml=0)
    totals = [row.total_ml for row in free]
    assert totals == sorted(totals, reverse=True)
    rows = rows_for_yield(plan, 0.99, Reuse(heel_fraction=0.1, lost_per_portion_ml=8), smallest_ml=0)
    best = least_solvent(rows)
    assert 1 < best.portions < 20
    assert all(best.net_ml <= row.net_ml + 1e-6 for row in rows if row.fits)
    for row in rows:
        to_still = row.total_ml - row.kept_ml - 8 * row.portions
        assert row.back_ml == pytest.approx(max(0, to_still) * 0.9)
        assert row.net_ml == pytest.approx(row.total_ml - row.back_ml)


def test_a_still_that_seems_to_lose_nothing_does_not_make_one_huge_portion_look_best() -> None:
    """By hand, K 3, 100 mL, 95 %: one portion takes 100·19/3 = 633 mL; three take 3·57.1 mL.

    Where nothing were lost in the still, each further portion would cost 1 mL on glass and save nothing.
    """
    rows = rows_for_yield(of(100, 3), 0.95, Reuse(lost_fraction=0.0))
    assert rows[0].total_ml == pytest.approx(100 * 19 / 3)
    assert rows[2].portion_ml == pytest.approx(100 * (20 ** (1 / 3) - 1) / 3)
    assert least_solvent(rows).portions == 1
    assert worth_while(rows).portions == 1
    assert worth_while(rows, 100).portions == 3
    assert worth_while(rows_for_yield(of(100, 3), 0.95, Reuse(lost_fraction=0.2)), 100).portions == 5
    weak = rows_for_yield(of(100, 0.02), 0.95, Reuse())
    assert worth_while(weak, 100) == worth_while(weak), "no portion is handy: the least counts alone"


def test_a_portion_that_dissolves_whole_does_not_fit() -> None:
    row = row_of(of(500, 5, 50), 4, 40, Reuse())
    assert not row.fits
    assert "dissolve" in row.note
    assert not row_of(of(500, 5), 4, 4, Reuse()).fits


relative = st.floats(0.0001, 0.003)


@given(water, st.floats(0.1, 20), st.floats(0.2, 2), st.integers(1, 6), relative, relative, relative)
def test_the_yields_uncertainty_agrees_with_the_uncertainties_package(
    water_ml: float, d: float, share: float, portions: int, u_d: float, u_w: float, u_p: float
) -> None:
    portion_ml = water_ml * share
    plan = Extraction(Estimate(water_ml, water_ml * u_w), Estimate(d, d * u_d))
    mine = yield_budget(plan, Estimate(portion_ml, portion_ml * u_p), portions)
    dd, ww, pp = ufloat(d, d * u_d), ufloat(water_ml, water_ml * u_w), ufloat(portion_ml, portion_ml * u_p)
    theirs = 1 - (ww / (ww + dd * pp)) ** portions
    assert mine.value == pytest.approx(theirs.nominal_value)
    assert mine.u == pytest.approx(theirs.std_dev, rel=1e-3)


def test_the_yields_uncertainty_agrees_with_a_monte_carlo() -> None:
    """JCGM 101:2008: 200 000 draws; K and what the water keeps to a tenth, cylinders of class B."""
    plan = Extraction(Estimate(100, 0.6), Estimate(3, 0.3), Estimate(10, 1))
    mine = yield_budget(plan, Estimate(60, 0.6), 2)
    dice = random.Random(7)
    drawn = []
    for _ in range(200_000):
        k, a, p, kept = dice.gauss(3, 0.3), dice.gauss(100, 0.6), dice.gauss(60, 0.6), dice.gauss(10, 1)
        drawn.append(1 - left_in_water(of(a, k, kept), [p, p]))
    mean = math.fsum(drawn) / len(drawn)
    spread = math.sqrt(math.fsum((x - mean) ** 2 for x in drawn) / len(drawn))
    assert mine.u == pytest.approx(spread, rel=0.03)
    assert mine.parts[0].name == "D"
