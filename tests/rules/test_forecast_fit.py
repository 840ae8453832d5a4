"""The line through bounds, against least squares, published figures, scipy's censored fit and brute force."""

from __future__ import annotations

from math import inf, log, sqrt

import numpy as np
import pytest
from scipy import integrate, optimize, stats

from inventory.rules import censored
from inventory.rules.censored import Sample, fit, slope_limit, value_excluded, value_limit

# NIST StRD Norris: pairs of y and x; certified values of the line (several copies agree).
NORRIS = """
0.1,0.2 338.8,337.4 118.1,118.2 888.0,884.6 9.2,10.1 228.1,226.5 668.5,666.3 998.5,996.3 449.1,448.6
778.9,777.0 559.2,558.2 0.3,0.4 0.1,0.6 778.1,775.5 668.8,666.9 339.3,338.0 448.9,447.5 10.8,11.6
557.7,556.0 228.3,228.1 998.0,995.8 888.8,887.6 119.6,120.2 0.3,0.3 0.6,0.3 557.6,556.8 339.3,339.1
888.0,887.2 998.5,999.0 778.9,779.0 10.2,11.1 117.6,118.3 228.9,229.2 668.4,669.1 449.2,448.9
0.2,0.5
"""
B0, B1, RESIDUAL_SD = -0.262323073774029, 1.00211681802045, 0.884796396144373
B1_LIMITS = (1.001243, 1.002990)

# Strip steps over the days, as logarithms of mg/L: below 0.5, then 0.5, 2, 2, 5 and off scale.
DAYS = (0.0, 41.0, 98.0, 160.0, 214.0, 260.0)
LOWER = (-inf, log(0.25), log(1), log(1), log(sqrt(10)), log(25))
UPPER = (log(0.5), log(1.25), log(3.5), log(3.5), log(7.5), inf)
STRIPS = Sample(DAYS, LOWER, UPPER, 0.05)


def norris() -> Sample:
    pairs = [tuple(map(float, pair.split(","))) for pair in NORRIS.split()]
    y = tuple(pair[0] for pair in pairs)
    return Sample(tuple(pair[1] for pair in pairs), y, y, 1e-6)


def exact(seed: int, size: int) -> Sample:
    rng = np.random.default_rng(seed)
    x = np.sort(rng.uniform(0, 300, size))
    y = 0.3 + 0.01 * x + rng.normal(0, 0.5, size)
    return Sample(tuple(x), tuple(y), tuple(y), 1e-4)


def test_exact_values_give_the_certified_line() -> None:
    sample = norris()
    line = fit(sample)
    assert line.intercept == pytest.approx(B0, abs=1e-6)
    assert line.slope == pytest.approx(B1, rel=1e-9)
    # The likeliest scatter divides by n, the certified one by n - 2.
    assert line.sd * sqrt(len(sample) / (len(sample) - 2)) == pytest.approx(RESIDUAL_SD, rel=1e-6)


def test_exact_values_give_the_published_limits_of_the_slope() -> None:
    """With t(0.975, 34) = 2.03224."""
    limits = [slope_limit(norris(), confidence=0.975, side=side) for side in (-1, 1)]
    assert limits == pytest.approx(B1_LIMITS, abs=5e-7)


@pytest.mark.parametrize(("seed", "size"), [(1, 3), (2, 4), (3, 5), (4, 9), (5, 40)])
def test_exact_values_give_students_limits_in_small_samples_too(seed: int, size: int) -> None:
    """Against scipy.stats.linregress and the textbook prediction interval."""
    sample = exact(seed, size)
    x, y = np.array(sample.x), np.array(sample.lower)
    line = stats.linregress(x, y)
    t = stats.t.ppf(0.95, size - 2)
    got = fit(sample)
    assert (got.intercept, got.slope) == pytest.approx((line.intercept, line.slope), rel=1e-6)
    for side in (-1, 1):
        wanted = line.slope + side * t * line.stderr
        assert slope_limit(sample, confidence=0.95, side=side) == pytest.approx(wanted, rel=1e-5)
    s = sqrt(np.sum((y - line.intercept - line.slope * x) ** 2) / (size - 2))
    h = 1 + 1 / size + (400 - x.mean()) ** 2 / np.sum((x - x.mean()) ** 2)
    for side in (-1, 1):
        wanted = line.intercept + 400 * line.slope + side * t * s * sqrt(h)
        assert value_limit(sample, 400, confidence=0.95, side=side) == pytest.approx(wanted, rel=1e-5)


def test_bounds_without_a_slope_give_scipys_censored_fit() -> None:
    """scipy.stats.CensoredData with left-, right- and interval-censored and exact values at once."""
    rng = np.random.default_rng(7)
    values = rng.normal(3, 2, 60)
    low = np.where(values < 1, -inf, np.where(values > 5, 5, np.floor(values)))
    high = np.where(values < 1, 1, np.where(values > 5, inf, np.floor(values) + 1))
    low[:10], high[:10] = values[:10], values[:10]
    sample = Sample(tuple(range(60)), tuple(low), tuple(high), 1e-3)
    theirs = stats.norm.fit(stats.CensoredData(interval=np.column_stack([low, high])))
    line = fit(sample, sloped=False)
    assert (line.intercept, line.sd) == pytest.approx(theirs, rel=2e-4)


def integrated(sample: Sample, intercept: float, slope: float, sd: float) -> float:
    """The log-likelihood with each probability found by adding up the density."""
    total = 0.0
    for x, low, high in zip(sample.x, sample.lower, sample.upper, strict=True):
        mean = intercept + slope * x

        def density(value: float, mean: float = mean) -> float:
            return float(np.exp(-(((value - mean) / sd) ** 2) / 2) / (sd * sqrt(2 * np.pi)))

        if low == high:
            total += log(max(density(low), 1e-300))
        else:
            ends = max(low, mean - 40 * sd), min(high, mean + 40 * sd)
            middle = [mean] if ends[0] < mean < ends[1] else None
            chance = integrate.quad(density, *ends, points=middle)[0] if ends[0] < ends[1] else 0.0
            total += log(max(chance, 1e-300))
    return total


def by_brute_force(sample: Sample) -> float:
    """The highest log-likelihood that Nelder and Mead find, in other terms than ours."""

    def depth(terms: np.ndarray) -> float:
        return -integrated(
            sample, terms[0], terms[1] / 100, max(float(np.exp(min(terms[2], 20))), sample.sd_min)
        )

    starts = ([-1.5, 1.2, -1.0], [-1.0, 1.5, 0.0])
    options = {"xatol": 1e-7, "fatol": 1e-9}
    return -min(
        float(optimize.minimize(depth, start, method="Nelder-Mead", options=options).fun) for start in starts
    )


def test_bounds_have_the_likelihood_that_integration_gives() -> None:
    line = fit(STRIPS)
    assert integrated(STRIPS, line.intercept, line.slope, line.sd) == pytest.approx(
        line.log_likelihood, abs=1e-6
    )
    assert by_brute_force(STRIPS) == pytest.approx(line.log_likelihood, abs=1e-4)


def test_a_limit_lies_where_integration_says_the_likelihood_has_dropped_enough() -> None:
    """The cutoff worked out by hand: 7 log(1 + t²/4), t(0.95, 4) = 2.131847."""
    limit = value_limit(STRIPS, 300, confidence=0.95, side=1)
    line = fit(STRIPS, values_to_come=1)
    free = integrated(STRIPS, line.intercept, line.slope, line.sd) - log(line.sd) - log(2 * np.pi) / 2
    drop = 2 * (free - by_brute_force(STRIPS.with_value(300, limit)))
    assert drop == pytest.approx(7 * log(1 + 2.131847**2 / 4), abs=1e-3)
    assert not value_excluded(STRIPS, limit - 0.001, confidence=0.95)(300)
    assert value_excluded(STRIPS, limit + 0.001, confidence=0.95)(300)


def test_probabilities_far_out_in_either_tail_keep_their_digits() -> None:
    """Against the normal distribution's tail asymptotics as scipy carries them (logsf)."""
    chance = censored._log_chance(np.array([30.0, -31.0, -1.0]), np.array([31.0, -30.0, inf]))
    far = stats.norm.logsf(30) + np.log1p(-np.exp(stats.norm.logsf(31) - stats.norm.logsf(30)))
    assert chance == pytest.approx([far, far, stats.norm.logcdf(1)], rel=1e-12)


def test_the_scatter_is_never_less_than_the_least() -> None:
    """Wide bounds leave room for a line without any scatter."""
    line = fit(Sample((0.0, 1.0, 2.0, 3.0), (0.0, 1.0, 2.0, 3.0), (1.0, 2.0, 3.0, 4.0), 0.2))
    assert line.sd == pytest.approx(0.2)


def test_bounds_that_set_no_limit_have_none() -> None:
    """Three times below and then above: any steep line will do."""
    sample = Sample((0.0, 1.0, 2.0, 3.0), (-inf, -inf, -inf, 1.0), (0.0, 0.0, 0.0, inf), 0.2)
    assert slope_limit(sample, confidence=0.95, side=1) == inf
    assert slope_limit(sample, confidence=0.95, side=-1) < 1
