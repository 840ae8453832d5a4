"""Loss rates with intervals: against SciPy, a bootstrap, and how often the interval holds the truth."""

from __future__ import annotations

import random
import sys
from math import isclose
from statistics import NormalDist
from types import FrameType
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import betainc, stdtrit
from scipy.stats import bootstrap

from recovery.rules.rates import FEW_WORDS, RUNS_LEAST, Moments, loss_rate
from recovery.rules.student import t_quantile, t_within

# Charged and lost in mL: fat in biscuits, ten afternoons.
RUNS = [
    (200, 55), (150, 38), (180, 50), (220, 51), (160, 45),
    (190, 44), (170, 49), (210, 60), (150, 33), (200, 47),
]  # fmt: skip

FREEDOMS = [1, 2, 3, 4, 5, 8, 9, 34, 35, 120, 199, 200, 201, 202, 1001, 10_000, 99_999, 1_000_000]


@pytest.mark.parametrize("freedom", FREEDOMS)
@pytest.mark.parametrize("level", [0.5, 0.9, 0.95, 0.99, 0.999])
def test_student_against_scipy(freedom: int, level: float) -> None:
    t = t_quantile(level, freedom)
    assert isclose(t, float(stdtrit(freedom, (1 + level) / 2)), rel_tol=1e-11)
    assert isclose(t_within(t, freedom), level, rel_tol=1e-12)


@pytest.mark.parametrize("freedom", FREEDOMS)
def test_the_chance_within_against_scipy(freedom: int) -> None:
    """By the incomplete beta function: from nothing to what no float tells from certain."""
    for t in (0.0, 1e-9, 0.1, 0.7, 1.0, 1.96, 3.0, 5.0, 8.0, 11.9, 12.0, 40.0):
        expected = float(betainc(0.5, freedom / 2, t * t / (freedom + t * t)))
        assert isclose(t_within(t, freedom), expected, rel_tol=2e-13, abs_tol=1e-15), t


def test_many_degrees_of_freedom_lead_to_the_normal_distribution() -> None:
    """However many: the freedom of a budget has no bound."""
    for level in (0.6827, 0.95, 0.9973):
        normal = NormalDist().inv_cdf((1 + level) / 2)
        for freedom in (10**12, 10**15, 10**40, 10**300):
            assert isclose(t_quantile(level, freedom), normal, rel_tol=1e-11)


def test_a_million_degrees_of_freedom_are_not_summed_one_by_one() -> None:
    """Counted, not timed: lines that run for one quantile, which were some millions."""
    lines = 0

    def counted(_frame: FrameType, event: str, _more: Any) -> Any:
        nonlocal lines
        lines += event == "line"
        return counted

    held = sys.gettrace()
    sys.settrace(counted)
    try:
        t_quantile.__wrapped__(0.95, 1_000_000)
    finally:
        sys.settrace(held)
    assert lines < 50_000


def test_student_as_printed_beside_norris() -> None:
    """t(0.975, 34) = 2.03224, as used with the regression of NIST StRD Norris."""
    assert round(t_quantile(0.95, 34), 5) == 2.03224
    for level, freedom in ((0, 5), (1, 5), (0.95, 0)):
        with pytest.raises(ValueError, match="level"):
            t_quantile(level, freedom)


def test_the_bounds_are_where_fiellers_test_just_rejects() -> None:
    """At each bound R the mean of lost - R · charged is t standard errors from nothing."""
    rate = loss_rate(Moments.of(RUNS))
    charged, lost = np.array(RUNS, float).T
    assert rate.lower is not None
    assert rate.upper is not None
    assert rate.fraction == lost.sum() / charged.sum()
    for bound in (rate.lower, rate.upper):
        off = lost - bound * charged
        t = off.mean() / (off.std(ddof=1) / np.sqrt(len(off)))
        assert isclose(abs(t), stdtrit(9, 0.975), rel_tol=1e-9)


def test_against_a_bootstrap_and_the_linearised_error() -> None:
    charged, lost = np.array(RUNS, float).T
    rate = loss_rate(Moments.of(RUNS))
    drawn = bootstrap(
        (charged, lost),
        lambda c, y, axis=-1: y.sum(axis) / c.sum(axis),
        paired=True,
        n_resamples=4000,
        rng=np.random.default_rng(4),
    )
    low, high = drawn.confidence_interval
    assert rate.lower is not None
    assert rate.upper is not None
    assert rate.u is not None
    # A bootstrap of ten is known to be a little narrow: √(9/10) and normal in place of t.
    assert isclose(drawn.standard_error, rate.u, rel_tol=0.12)
    assert rate.lower < low + 0.002
    assert rate.upper > high - 0.002
    assert rate.upper - rate.lower < 1.6 * (high - low)
    residual = lost - rate.fraction * charged
    assert isclose(rate.u, np.sqrt(10 / 9 * (residual**2).sum()) / charged.sum(), rel_tol=1e-9)


def _proportional(dice: np.random.Generator, charged: np.ndarray) -> np.ndarray:
    return charged * dice.uniform(0.09, 0.45, charged.shape)


def _with_heel(dice: np.random.Generator, charged: np.ndarray) -> np.ndarray:
    return 15 + 0.18 * charged + 6 * dice.standard_normal(charged.shape)


@pytest.mark.parametrize("model", [_proportional, _with_heel])
@pytest.mark.parametrize("runs", [5, 8, 20])
def test_the_interval_holds_the_truth_as_often_as_it_says(model: object, runs: int) -> None:
    """Monte Carlo: 95 % of intervals hold the long-run rate, to within three of its own standard errors."""
    assert callable(model)
    dice = np.random.default_rng(runs)
    many = dice.uniform(60, 250, 1_000_000)
    truth = model(dice, many).sum() / many.sum()
    held, times = 0, 2000
    for charged in dice.uniform(60, 250, (times, runs)):
        rate = loss_rate(Moments.of(zip(charged, model(dice, charged), strict=True)))
        assert rate.lower is not None
        assert rate.upper is not None
        held += rate.lower <= truth <= rate.upper
    assert abs(held / times - 0.95) < 3 * np.sqrt(0.95 * 0.05 / times) + 0.003


def test_few_runs_give_no_interval_and_say_so() -> None:
    few = loss_rate(Moments.of(RUNS[: RUNS_LEAST - 1]))
    assert (few.why, few.lower, few.upper) == ("too-few-runs", None, None)
    assert few.fraction is not None
    assert "Fewer than 5 runs" in few.words
    some = loss_rate(Moments.of(RUNS[:RUNS_LEAST]))
    assert some.lower is not None
    assert some.words == FEW_WORDS
    assert loss_rate(Moments.of(RUNS)).words == ""


def test_nothing_charged_and_charges_too_unlike() -> None:
    none = loss_rate(Moments.of([(0, 0)] * 6))
    assert (none.fraction, none.why) == (None, "nothing-charged")
    assert loss_rate(Moments.of([])).why == "nothing-charged"
    unlike = loss_rate(Moments.of([(1, 1), (1, 0), (1, 1), (2, 0), (900, 300)]))
    assert (unlike.why, unlike.lower) == ("charges-too-unlike", None)
    assert unlike.u is not None


def test_a_negative_rate_is_kept() -> None:
    """More back than out is a finding, never rounded up to nothing."""
    rate = loss_rate(Moments.of([(100, -2), (120, -1), (90, -4), (100, 1), (80, -3)]))
    assert rate.fraction is not None
    assert rate.fraction < 0
    assert rate.lower is not None
    assert rate.lower < rate.fraction


pairs = st.lists(st.tuples(st.integers(50, 500), st.integers(-20, 200)), min_size=5, max_size=20)


@given(rows=pairs, scale=st.integers(1, 10_000))
def test_millilitres_or_microlitres_and_any_order(rows: list[tuple[int, int]], scale: int) -> None:
    rate = loss_rate(Moments.of(rows))
    shuffled = random.Random(1).sample(rows, len(rows))
    other = loss_rate(Moments.of((c * scale, y * scale) for c, y in shuffled))
    assert rate.why == other.why
    for name in ("fraction", "u", "lower", "upper"):
        one, two = getattr(rate, name), getattr(other, name)
        assert (one is None) == (two is None)
        assert one is None or isclose(one, two, rel_tol=1e-6, abs_tol=1e-6)


@given(charges=st.lists(st.integers(50, 500), min_size=5, max_size=20), percent=st.integers(0, 100))
def test_where_every_run_loses_the_same_share_there_is_no_doubt(charges: list[int], percent: int) -> None:
    rate = loss_rate(Moments.of((c, c * percent / 100) for c in charges))
    assert rate.fraction is not None
    assert isclose(rate.fraction, percent / 100, abs_tol=1e-12)
    if rate.lower is not None and rate.upper is not None:
        assert rate.upper - rate.lower < 1e-5
