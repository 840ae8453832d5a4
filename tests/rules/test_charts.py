"""Control charts against the printed examples of the NIST/SEMATECH e-Handbook and published run lengths."""

from __future__ import annotations

import random
from math import exp, inf, isclose, sqrt
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from recovery.rules.charts import (
    D2,
    E2,
    capped,
    change_point,
    cusum,
    ewma,
    individuals,
    moving_ranges,
)

# NIST/SEMATECH 6.3.2.2, the ten flow rates of a chemical process.
FLOWS = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
# NIST/SEMATECH 6.3.2.4: twenty values, and the EWMA printed beside them.
EWMA_VALUES = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, *FLOWS]
EWMA_PRINTED = [
    50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
    50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
]  # fmt: skip
# NIST/SEMATECH 6.3.2.3 (from memory): means of samples about 325, k 0.3175, h 4.1959, and both printed sums.
CUSUM_VALUES = [
    324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
    324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
]  # fmt: skip
CUSUM_HIGH = [0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04]
CUSUM_LOW = [0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31, 0, 0, 0, 0, 0, 0, 0, 0, 0]


def test_individuals_and_moving_range_of_the_handbook() -> None:
    chart = individuals(FLOWS)
    assert isclose(chart.centre, 50.81, abs_tol=1e-9)
    assert round(chart.range_mean, 4) == 1.8778
    assert round(chart.upper, 4) == 55.8041
    assert round(chart.lower, 4) == 45.8159
    assert round(chart.range_upper, 3) == 6.135
    assert not [value for value in FLOWS if not chart.lower <= value <= chart.upper]
    assert max(moving_ranges(FLOWS)) < chart.range_upper


@pytest.mark.parametrize(
    ("values", "mean"),
    [
        ([10000001.0, 10000003.0, 10000002.0], 10000002.0),
        ([1.2, *[1.1, 1.3] * 500], 1.2),
        ([1000000.2, *[1000000.1, 1000000.3] * 500], 1000000.2),
        ([10000000.2, *[10000000.1, 10000000.3] * 500], 10000000.2),
    ],
)
def test_the_centre_is_the_certified_mean(values: list[float], mean: float) -> None:
    """NIST StRD univariate, NumAcc1 to NumAcc4 (data and certified means from memory)."""
    chart = individuals(values)
    assert isclose(chart.centre, mean, rel_tol=1e-15)
    if len(values) > 3:
        # Steps of 0.1 once and 0.2 ever after.
        assert isclose(chart.range_mean, (0.1 + 999 * 0.2) / 1000, rel_tol=1e-7)


def test_the_constants_are_those_of_normal_values() -> None:
    """d2 of two values is 2/√π, D4 is 1 + 3 d3/d2 with d3 = √(2 - 4/π), E2 is printed as 2.66 (Pyzdek)."""
    d2, d3 = 2 / sqrt(3.141592653589793), sqrt(2 - 4 / 3.141592653589793)
    assert round(d2, 3) == D2
    assert round(E2, 2) == 2.66
    assert round(1 + 3 * d3 / d2, 3) == 3.267


def test_ewma_of_the_handbook() -> None:
    how: Any = {"centre": 50.0, "sigma": 2.0539, "weight": 0.3, "width": 3.0}
    bands = ewma(EWMA_VALUES, **how, exact=False)
    assert [round(band.value, 2) for band in bands] == pytest.approx(EWMA_PRINTED, abs=0.0051)
    assert round(bands[-1].upper, 4) == 52.5884
    # Printed 47.4115; cut off there, as 50 less the same reach is 47.41157.
    assert round(bands[-1].lower, 4) in (47.4115, 47.4116)
    assert not any(band.beyond for band in bands)
    opening = ewma(EWMA_VALUES, **how)
    assert isclose(opening[0].upper, 50 + 3 * 2.0539 * 0.3)
    assert [band.value for band in opening] == [band.value for band in bands]
    assert isclose(opening[-1].upper, bands[-1].upper, rel_tol=1e-6)


def test_cusum_of_the_handbook() -> None:
    sums = cusum(CUSUM_VALUES, centre=325, allowance=0.3175)
    # The printed columns round at every step.
    assert [one.high for one in sums] == pytest.approx(CUSUM_HIGH, abs=0.021)
    assert [one.low for one in sums] == pytest.approx(CUSUM_LOW, abs=0.021)
    assert [index + 1 for index, one in enumerate(sums) if one.high > 4.1959] == list(range(14, 21))


def test_a_cap_keeps_one_wild_value_from_being_a_change() -> None:
    how: Any = {"centre": 0.0, "sigma": 1.0, "weight": 0.2, "width": 4.66}
    assert ewma([50.0], **how)[0].beyond == 1
    assert ewma([50.0], **how, cap=4.0)[0].beyond == 0
    assert ewma([50.0] * 3, **how, cap=4.0)[-1].beyond == 1
    assert ewma([-50.0] * 3, **how, cap=4.0)[-1].beyond == -1
    assert (capped(5, 1, 2), capped(-5, 1, 2), capped(2, 1, 2), capped(9, 1, inf)) == (3, -1, 2, 9)


def test_the_least_spread_holds_where_all_values_are_alike() -> None:
    assert individuals([5.0, 5.0, 5.0]).upper == 5.0
    floor = individuals([5.0, 5.0, 5.0], sigma_least=0.5)
    assert (floor.sigma, floor.lower, floor.upper) == (0.5, 3.5, 6.5)
    assert isclose(floor.range_upper, 3.267 * 0.5 * D2)
    with pytest.raises(ValueError, match="two values"):
        individuals([5.0])


def test_the_change_point_of_a_clean_step() -> None:
    values = [0.0] * 7 + [1.0] * 5
    assert change_point(values, centre=0.0) == 7
    assert change_point([-v for v in values], centre=0.0) == 7
    assert change_point([-1.0, -1.0, -1.0, 1.0, 1.0], centre=0.0, side=1) == 3
    with pytest.raises(ValueError, match="one value"):
        change_point([], centre=0.0)


def test_the_change_point_finds_where_scattering_values_step() -> None:
    """A step of three sigma: the estimate is off by one run at most nearly always."""
    dice = random.Random(8)
    near = 0
    for _ in range(300):
        values = [dice.gauss(0, 1) for _ in range(20)] + [dice.gauss(3, 1) for _ in range(10)]
        near += abs(change_point(values, centre=0.0) - 20) <= 1
    assert near > 280


numbers = st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=30)


@given(values=numbers, scale=st.floats(0.01, 100), shift=st.floats(-100, 100))
def test_charts_keep_the_unit_of_their_values(values: list[float], scale: float, shift: float) -> None:
    """Fractions or percents, mL or L: the same picture."""
    one, other = individuals(values), individuals([scale * v + shift for v in values])
    assert isclose(other.upper, scale * one.upper + shift, rel_tol=1e-6, abs_tol=1e-6)
    assert isclose(other.range_upper, scale * one.range_upper, rel_tol=1e-6, abs_tol=1e-6)
    plain = ewma(values, centre=0.0, sigma=1.0, weight=0.2)
    scaled = ewma([scale * v for v in values], centre=0.0, sigma=scale, weight=0.2)
    for a, b in zip(plain, scaled, strict=True):
        assert isclose(b.value, scale * a.value, rel_tol=1e-6, abs_tol=1e-6)
        assert isclose(b.upper, scale * a.upper, rel_tol=1e-9)


@given(values=numbers)
def test_sums_mirror_each_other(values: list[float]) -> None:
    up = cusum(values, centre=0.0, allowance=0.5)
    down = cusum([-v for v in values], centre=0.0, allowance=0.5)
    assert [one.high for one in up] == [one.low for one in down]
    assert all(one.high >= 0 and one.low >= 0 for one in up)


def test_run_length_of_the_ewma_is_the_published_one() -> None:
    """Lucas and Saccucci 1990: weight 0.2, width 2.962, long-run limits: 500 values between false alarms."""
    dice, lengths = random.Random(11), []
    limit = 2.962 * sqrt(0.2 / 1.8)
    for _ in range(500):
        z, n = 0.0, 0
        while abs(z) <= limit:
            # The step that `ewma` takes, held to it below; a list for each of 250 000 values would be slow.
            z, n = z + 0.2 * (dice.gauss(0, 1) - z), n + 1
        lengths.append(n)
    mean = sum(lengths) / len(lengths)
    assert abs(mean - 500) < 3 * 500 / sqrt(len(lengths))
    bands = ewma([1.0, -2.0], centre=0.0, sigma=1.0, weight=0.2, width=2.962, exact=False)
    assert isclose(bands[1].value, 0.2 * -2.0 + 0.8 * 0.2)
    assert isclose(bands[1].upper, limit)


def test_run_length_of_the_cusum_is_the_published_one() -> None:
    """k 0.5, h 5, both sides: 465 (Hawkins and Olwell 1998, from memory); by Siegmund's formula 469."""
    b = 5 + 1.166
    siegmund = (exp(b) - b - 1) / (2 * 0.25) / 2
    assert round(siegmund) == 469
    dice, lengths = random.Random(12), []
    for _ in range(400):
        values: list[float] = []
        while True:
            values += [dice.gauss(0, 1) for _ in range(200)]
            sums = cusum(values, centre=0.0, allowance=0.5)
            first = next((i for i, one in enumerate(sums) if max(one.high, one.low) > 5), None)
            if first is not None:
                lengths.append(first + 1)
                break
    mean = sum(lengths) / len(lengths)
    assert abs(mean - 465) < 3 * 465 / sqrt(len(lengths))
