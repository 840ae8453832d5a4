"""Least squares against certified data sets (NIST StRD) and scipy."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import nnls
from scipy.stats import linregress
from scipy.stats import t as student

from recovery.rules.least_squares import Solution, Triangle, free, not_below_zero, profile_limits, triangle

NORRIS = [
    (0.1, 0.2), (338.8, 337.4), (118.1, 118.2), (888.0, 884.6), (9.2, 10.1), (228.1, 226.5), (668.5, 666.3),
    (998.5, 996.3), (449.1, 448.6), (778.9, 777.0), (559.2, 558.2), (0.3, 0.4), (0.1, 0.6), (778.1, 775.5),
    (668.8, 666.9), (339.3, 338.0), (448.9, 447.5), (10.8, 11.6), (557.7, 556.0), (228.3, 228.1),
    (998.0, 995.8), (888.8, 887.6), (119.6, 120.2), (0.3, 0.3), (0.6, 0.3), (557.6, 556.8), (339.3, 339.1),
    (888.0, 887.2), (998.5, 999.0), (778.9, 779.0), (10.2, 11.1), (117.6, 118.3), (228.9, 229.2),
    (668.4, 669.1), (449.2, 448.9), (0.2, 0.5),
]  # fmt: skip
LONGLEY = [
    (60323, 83.0, 234289, 2356, 1590, 107608, 1947), (61122, 88.5, 259426, 2325, 1456, 108632, 1948),
    (60171, 88.2, 258054, 3682, 1616, 109773, 1949), (61187, 89.5, 284599, 3351, 1650, 110929, 1950),
    (63221, 96.2, 328975, 2099, 3099, 112075, 1951), (63639, 98.1, 346999, 1932, 3594, 113270, 1952),
    (64989, 99.0, 365385, 1870, 3547, 115094, 1953), (63761, 100.0, 363112, 3578, 3350, 116219, 1954),
    (66019, 101.2, 397469, 2904, 3048, 117388, 1955), (67857, 104.6, 419180, 2822, 2857, 118734, 1956),
    (68169, 108.4, 442769, 2936, 2798, 120445, 1957), (66513, 110.8, 444546, 4681, 2637, 121950, 1958),
    (68655, 112.6, 482704, 3813, 2552, 123366, 1959), (69564, 114.2, 502601, 3931, 2514, 125368, 1960),
    (69331, 115.7, 518173, 4806, 2572, 127852, 1961), (70551, 116.9, 554894, 4007, 2827, 130081, 1962),
]  # fmt: skip


def solved(rows: Sequence[Sequence[float]], values: Sequence[float]) -> tuple[Triangle, Solution]:
    of = triangle(rows, values)
    return of, free(of)


def test_norris_to_its_printed_digits() -> None:
    """NIST StRD Norris (lower difficulty)."""
    of, found = solved([(1.0, x) for _, x in NORRIS], [y for y, _ in NORRIS])
    assert found.coefficients == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-11)
    assert found.sds == pytest.approx([0.232818234301152, 0.000429796848199937], rel=1e-11)
    assert found.sd == pytest.approx(0.884796396144373, rel=1e-12)
    assert 1 - found.rss / of.centred_ss == pytest.approx(0.999993745883712, rel=1e-14)
    ratio = (of.centred_ss - found.rss) / found.sd**2
    assert ratio == pytest.approx(5436385.54079785, rel=1e-11)


def test_longley_to_its_printed_digits() -> None:
    """NIST StRD Longley (higher difficulty), data and certified values from memory."""
    of, found = solved([(1.0, *row[1:]) for row in LONGLEY], [row[0] for row in LONGLEY])
    certified = [
        -3482258.63459582, 15.0618722713733, -0.358191792925910e-01, -2.02022980381683,
        -1.03322686717359, -0.511041056535807e-01, 1829.15146461355,
    ]  # fmt: skip
    sds = [
        890420.383607373, 84.9149257747669, 0.334910077722432e-01, 0.488399681651699,
        0.214274163161675, 0.226073200069370, 455.478499142212,
    ]  # fmt: skip
    assert found.coefficients == pytest.approx(certified, rel=1e-8)
    assert found.sds == pytest.approx(sds, rel=1e-8)
    assert found.sd == pytest.approx(304.854073561965, rel=1e-10)
    assert 1 - found.rss / of.centred_ss == pytest.approx(0.995479004577296, rel=1e-12)


def test_no_intercept() -> None:
    """NIST StRD NoInt1 and NoInt2 (from memory); without an intercept R² counts from nothing."""
    of, found = solved([(float(x),) for x in range(60, 71)], list(range(130, 141)))
    assert found.coefficients == pytest.approx([2.07438016528926], rel=1e-12)
    assert found.sds == pytest.approx([0.0165289256198347], rel=1e-11)
    assert found.sd == pytest.approx(3.56753034006338, rel=1e-11)
    assert 1 - found.rss / of.raw_ss == pytest.approx(0.999365492298663, rel=1e-12)
    of, found = solved([(4.0,), (5.0,), (6.0,)], [3, 4, 4])
    assert found.coefficients == pytest.approx([0.727272727272727], rel=1e-12)
    assert found.sds == pytest.approx([0.0420827318078432], rel=1e-11)
    assert 1 - found.rss / of.raw_ss == pytest.approx(0.993348115299335, rel=1e-12)


@pytest.mark.parametrize("step", [1.0, 0.1])
def test_wampler(step: float) -> None:
    """NIST StRD Wampler1 and Wampler2 (from memory): y = Σ (step·x)^k, x = 0 to 20, without scatter."""
    rows = [[float(x) ** k for k in range(6)] for x in range(21)]
    _, found = solved(rows, [sum((step * x) ** k for k in range(6)) for x in range(21)])
    assert found.coefficients == pytest.approx([step**k for k in range(6)], rel=1e-7)


@pytest.mark.parametrize(
    ("values", "mean", "sd", "digits"),
    [
        ([10000001.0, 10000003.0, 10000002.0], 10000002.0, 1.0, 1e-8),
        ([1.2, *[1.1, 1.3] * 500], 1.2, 0.1, 1e-12),
        ([1000000.2, *[1000000.1, 1000000.3] * 500], 1000000.2, 0.1, 1e-8),
        ([10000000.2, *[10000000.1, 10000000.3] * 500], 10000000.2, 0.1, 1e-7),
    ],
)
def test_a_mean_and_its_deviation(values: list[float], mean: float, sd: float, digits: float) -> None:
    """NIST StRD univariate NumAcc1 to NumAcc4 (from memory): a line that is level has the mean and sd of all.

    The values keep 16 digits through the reflections; what of them is left for the sd is named beside each.
    """
    _, found = solved([(1.0,)] * len(values), values)
    assert found.coefficients == pytest.approx([mean], rel=1e-15)
    assert found.sd == pytest.approx(sd, rel=digits)


def test_interval_of_norris_by_turning_the_test_round() -> None:
    """t(0.975, 34) = 2.03224: slope 1.001243 to 1.002990. The values are shifted so that no bound is near."""
    of, found = solved([(1.0, x) for _, x in NORRIS], [y + 100 for y, _ in NORRIS])
    low, high = profile_limits(of, not_below_zero(of), 1, 0.95)
    assert (low, high) == pytest.approx((1.001243, 1.002990), abs=1e-6)
    t = student.ppf(0.975, 34)
    low, high = profile_limits(of, found, 0, 0.95)
    assert (low, high) == pytest.approx((99.737677 - t * 0.2328182, 99.737677 + t * 0.2328182), abs=1e-5)


def test_against_scipy_linregress() -> None:
    rng = np.random.default_rng(7)
    x = rng.uniform(50, 400, 40)
    y = 3 + 0.06 * x + rng.normal(0, 4, 40)
    line = linregress(x, y)
    _, found = solved(np.column_stack([np.ones(40), x]), y)  # type: ignore[arg-type]
    assert found.coefficients == pytest.approx([line.intercept, line.slope], rel=1e-10)
    assert found.sds == pytest.approx([line.intercept_stderr, line.stderr], rel=1e-10)


@given(st.integers(0, 10**6), st.integers(1, 5), st.integers(8, 40))
def test_never_below_nothing_as_scipy_on_all_rows(seed: int, width: int, count: int) -> None:
    rng = np.random.default_rng(seed)
    rows = np.abs(rng.normal(0, 1, (count, width)))
    values = rows @ rng.normal(0, 1, width) + rng.normal(0, 1, count)
    of = triangle(rows, values)
    found = not_below_zero(of)
    whole, norm = nnls(rows, values)
    assert found.coefficients == pytest.approx(whole, abs=1e-8)
    assert found.rss == pytest.approx(norm**2, rel=1e-8)
    for index in range(width):
        low, high = profile_limits(of, found, index, 0.95)
        assert 0 <= low <= found.coefficients[index] + 1e-9
        assert found.coefficients[index] - 1e-9 <= high


def test_what_cannot_be_solved() -> None:
    with pytest.raises(ValueError, match="more rows"):
        triangle([[1.0, 2.0]], [1.0])
    with pytest.raises(ValueError, match="says nothing"):
        triangle([[1.0, 0.0]] * 5, [1.0] * 5)


def test_the_short_way_to_the_limits_is_the_long_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """Straight lines where nothing reaches a bound, the search elsewhere: both give the same limits."""
    rng = np.random.default_rng(3)
    cases = []
    for _ in range(60):
        rows = np.abs(rng.normal(0, 1, (int(rng.integers(8, 40)), 3)))
        of = triangle(rows, rows @ rng.normal(0.5, 1, 3) + rng.normal(0, 1, len(rows)))
        cases.append((of, not_below_zero(of)))
    short = [profile_limits(of, found, index, 0.95) for of, found in cases for index in range(3)]
    monkeypatch.setattr("recovery.rules.least_squares._straight", lambda *_: None)
    long = [profile_limits(of, found, index, 0.95) for of, found in cases for index in range(3)]
    assert np.allclose(short, long, atol=1e-8)
