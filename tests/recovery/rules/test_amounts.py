"""Sums and differences whose errors are partly shared."""

from __future__ import annotations

import random
from math import inf, sqrt
from statistics import stdev

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import t as student
from uncertainties import ufloat

from inventory.rules.instruments import INSTRUMENTS, split_uncertainty
from recovery.rules.amounts import (
    COVERAGE,
    LEVEL,
    Combined,
    Part,
    combined,
    coverage_factor,
    part_of,
    repeated,
)
from tests.recovery.rules.measured import entry, liquid, part

GUM_4_4_3 = [
    96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07,
    100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72,
]  # fmt: skip


def test_gum_4_4_3_mean_of_twenty() -> None:
    """JCGM 100:2008 4.4.3 (from memory): mean 100.145, s 1.489, standard uncertainty of the mean 0.333."""
    found = repeated(value * 1000 for value in GUM_4_4_3)
    assert found.volume_ul == 100_145
    assert found.own_ul == pytest.approx(333, abs=0.5)
    assert found.own_ul * sqrt(20) == pytest.approx(1489, abs=0.5)
    assert found.dof == 19


def test_one_reading_does_not_scatter() -> None:
    with pytest.raises(ValueError, match="two"):
        repeated([1.0])


def test_eurachem_a1_volume() -> None:
    """EURACHEM/CITAC CG 4, A1: 0.0408 (flask), 0.0485 (± 4 K), 0.02 (repeatability) → 0.06647 mL."""
    split = split_uncertainty(INSTRUMENTS["flask-a-100"], 100, measures="volume")  # type: ignore[arg-type]
    assert float(split.reading) == pytest.approx(0.02)
    temperature = 100 * 2.1e-4 * 4 / sqrt(3)
    flask = Part(100_000, float(split.reading) * 1000, {"calibration": float(split.calibration) * 1000})
    warmth = Part(0, temperature * 1000)
    assert combined([(1, flask), (1, warmth)]).u_ul / 1000 == pytest.approx(0.0664730521840743, abs=1e-9)


def test_what_is_shared_cancels_in_a_difference_and_adds_up_in_a_sum() -> None:
    one = Part(100_000, 100.0, {"piece": 300.0})
    assert combined([(1, one), (-1, one)]).u_ul == pytest.approx(sqrt(2) * 100)
    assert combined([(1, one), (1, one)]).u_ul == pytest.approx(sqrt(2 * 100**2 + 600**2))
    assert combined([]) == Combined(0, 0.0, inf)


parts = st.builds(
    Part,
    st.integers(-(10**6), 10**6),
    st.floats(0, 1e4),
    st.dictionaries(st.sampled_from("abc"), st.floats(-1e4, 1e4), max_size=3),
)


@given(st.lists(st.tuples(st.sampled_from([1, -1]), parts), max_size=8))
def test_any_sum_against_the_uncertainties_package(terms: list[tuple[int, Part]]) -> None:
    """The package carries correlations by itself: one variable for each shared source."""
    sources = {key: ufloat(0, 1) for key in "abc"}
    expected = ufloat(0, 1e-9)
    for sign, one in terms:
        own = ufloat(one.volume_ul, one.own_ul) if one.own_ul else one.volume_ul
        expected = expected + sign * (own + sum(u * sources[key] for key, u in one.shared.items() if u))
    found = combined(terms)
    assert found.volume_ul == expected.n
    assert found.u_ul == pytest.approx(expected.s, rel=1e-6, abs=1e-6)


def test_a_real_difference_against_monte_carlo() -> None:
    """JCGM 101: 300 mL out (two fillings), 232 mL back by one cylinder B of 250 ± 2 mL, eye ± 1 mL."""
    found = combined([(1, part("300")), (-1, part("232"))])
    rng = random.Random(20260501)

    def uniform(half: float) -> float:
        return rng.uniform(-half, half)

    beta = float(liquid().expansion[0]) - 9.9e-6
    losses = []
    for _ in range(60_000):
        cylinder = uniform(2)
        out = 300 + 2 * cylinder + uniform(1) + uniform(1) - 300 * beta * uniform(5)
        back = 232 + cylinder + uniform(1) - 232 * beta * uniform(5)
        losses.append(out - back)
    assert found.u_ul / 1000 == pytest.approx(stdev(losses), rel=0.02)
    covered = sum(abs(loss - 68) <= found.expanded_ul / 1000 for loss in losses) / len(losses)
    assert 0.94 < covered < 0.975


def test_two_pieces_do_not_cancel() -> None:
    same = combined([(1, part("200")), (-1, part("200"))])
    other = combined([(1, part("200")), (-1, part("200", instrument="cylinder-a-250"))])
    assert other.u_ul > same.u_ul * 1.2


def test_weighed_on_one_balance_with_one_density() -> None:
    """Against the uncertainties package: density, buoyancy and calibration are one variable each."""
    out, back = part("214.1", "g", "balance-1g"), part("165.6", "g", "balance-1g")
    ether = liquid()
    rho = ufloat(float(ether.density_20c_kg_m3), float(ether.u_density_20c_kg_m3)) / 1000
    calibration, buoyancy = ufloat(0, 1 / sqrt(3)), ufloat(1, 0.0012 / rho.n / sqrt(3))
    step = 1 / sqrt(12)
    expected = (ufloat(214.1, step) + calibration) / rho * buoyancy
    expected = expected - (ufloat(165.6, step) + calibration) / rho * buoyancy
    found = combined([(1, out), (-1, back)])
    assert found.volume_ul == pytest.approx(expected.n * 1000, abs=2)
    assert found.u_ul == pytest.approx(expected.s * 1000, rel=2e-3)


def test_warm_readings_share_the_expansion() -> None:
    """28 °C both times: what the expansion errs by cancels but for the difference in volume."""
    out, back = part("200", temperature="28 °C"), part("190", temperature="28 °C")
    u_beta = float(liquid().expansion[1])
    assert out.shared["expansion of the liquid"] == pytest.approx(-200_000 * 8 * u_beta, rel=0.01)
    apart = {"expansion of the liquid": out.shared["expansion of the liquid"] * (1 - 190 / 200)}
    both = combined([(1, out), (-1, back)])
    without = combined([(s, Part(0, p.own_ul, {})) for s, p in ((1, out), (-1, back))])
    assert both.u_ul == pytest.approx(sqrt(without.u_ul**2 + sum(u * u for u in apart.values())), rel=1e-3)


def test_below_20_the_expansion_pulls_the_other_way() -> None:
    cold, warm = part("200", temperature="12 °C"), part("200", temperature="28 °C")
    key = "expansion of the liquid"
    assert cold.shared[key] == pytest.approx(-warm.shared[key], rel=0.05)


@pytest.mark.parametrize(
    ("instrument", "calibration_ml", "reading_ml"),
    [
        # ISO 4788 (from memory): cylinder B 100 ± 1 mL, divisions of 1 mL, read to half of one
        ("cylinder-b-100", 1 / sqrt(3), 0.5 / sqrt(3)),
        ("cylinder-a-100", 0.5 / sqrt(3), 0.5 / sqrt(3)),
        ("pipette-a-50", 0.05 / sqrt(6), 0.01),
    ],
)
def test_glass_is_parted(instrument: str, calibration_ml: float, reading_ml: float) -> None:
    found = part("50", instrument=instrument, temperature="20 °C")
    assert found.shared[f"calibration of {instrument}"] / 1000 == pytest.approx(calibration_ml, rel=1e-3)
    eye = sqrt(found.own_ul**2 - float(entry_temperature("50")) ** 2)
    assert eye / 1000 == pytest.approx(reading_ml, rel=2e-2)


def entry_temperature(value: str) -> str:
    kept = entry(value, "mL", "cylinder-a-100", "diethyl-ether", temperature="20 °C").as_entered
    return str(kept["budget_ul"]["temperature"])


def test_an_estimate_repeats_nothing_and_a_whole_bottle_says_so() -> None:
    assert part("200", instrument=None).shared == {}
    whole = part_of(5000, 0, {"all": True})
    assert whole.u_ul == 0
    assert "not counted" in whole.notes[0]
    assert part_of(5000, 70, {}).own_ul == 70


@pytest.mark.parametrize("dof", [1, 2, 5, 10, 30, 100])
def test_few_degrees_of_freedom_widen_k(dof: int) -> None:
    """Student's t by scipy; JCGM 100:2008 Table G.2 prints 2.28 for 10 at 95.45 % (from memory)."""
    assert coverage_factor(dof) == pytest.approx(student.ppf((1 + LEVEL) / 2, dof), rel=1e-9)
    assert coverage_factor(10) == pytest.approx(2.28, abs=0.005)
    assert coverage_factor(inf) == COVERAGE


def test_welch_and_satterthwaite() -> None:
    """G.4.1: three repeats (ν 2, u 3) beside type B (u 4): u 5, ν_eff = 625 / (81/2) = 15.4, read at 15."""
    found = combined([(1, Part(0, 3.0, dof=2)), (1, Part(0, 4.0))])
    assert found.dof == pytest.approx(625 / 40.5)
    assert found.k == pytest.approx(student.ppf((1 + LEVEL) / 2, 15))
