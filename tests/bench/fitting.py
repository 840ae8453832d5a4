"""Losses fitted to runs, with limits and statement, beside numpy's least squares alone."""

from __future__ import annotations

from typing import Any

import numpy as np
from django.db import connection

from recovery.rules.fitting import Fit, fit_losses
from tests.bench.results import Result, ratio_at_most
from tests.bench.timing import Stopwatch, alternate

SIZES = {"small": (300, 1_000), "full": (1_000, 10_000, 100_000)}
ROUNDS = {"small": 5, "full": 15}
NAMES = ("charged", "run", "water-phase", "take-over-time", "transfers")
TRUE = (0.02, 4.0, 1.0, 0.05, 1.2)
GOAL_AT = 10_000


def measure(size: str) -> list[Result]:
    return [_measured(runs, ROUNDS[size]) for runs in SIZES[size]]


def _measured(runs: int, rounds: int) -> Result:
    rows, losses = _runs(runs)
    answers: dict[str, Any] = {}

    def floor(watch: Stopwatch) -> None:
        with watch.running():
            answers["floor"] = np.linalg.lstsq(rows, losses, rcond=None)[0]

    def ours(watch: Stopwatch) -> None:
        with watch.running():
            answers["ours"] = fit_losses(NAMES, rows, losses)

    pair = alternate(floor, ours, rounds=rounds)
    fit: Fit = answers["ours"]
    found = [one.value for one in fit.coefficients]
    assert np.allclose(found, answers["floor"], rtol=1e-8), "no bound was near, but the two differ"
    result = Result("fit of losses", connection.vendor, runs, "ms", pair.floor_ms, pair.ours_ms)
    return ratio_at_most(result, 20) if runs == GOAL_AT else result


def _runs(count: int) -> tuple[Any, Any]:
    """Drivers and losses of so many runs, with scatter of 4 mL."""
    rng = np.random.default_rng(count)
    rows = np.column_stack(
        [
            rng.uniform(100, 500, count),
            np.ones(count),
            rng.uniform(0, 30, count),
            rng.uniform(10, 90, count),
            rng.integers(1, 8, count),
        ]
    )
    return rows, rows @ TRUE + rng.normal(0, 4, count)
