"""Losses fitted to runs: enough of them or none, limits that hold, and what the fit cannot tell."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.stats import linregress
from scipy.stats import t as student

from inventory.rules.errors import Conflict
from recovery.rules.fitted import as_values, drivers_of, fit_of, fitted
from recovery.rules.fitting import Fit, fit_losses, runs_needed
from recovery.rules.predicted import Ask, Told, predict
from tests.recovery.rules.measured import properties

NAMES = ["run", "charged", "water-phase"]
TRUE = (4.0, 0.02, 1.0)


def runs(count: int, seed: int, true: tuple[float, ...] = TRUE, scatter: float = 3.0) -> tuple[Any, Any]:
    rng = np.random.default_rng(seed)
    rows = np.column_stack([np.ones(count), rng.uniform(100, 500, count), rng.uniform(0, 30, count)])
    return rows, rows @ true + rng.normal(0, scatter, count)


def refused(names: list[str], rows: Any, losses: Any) -> str:
    with pytest.raises(Conflict) as caught:
        fit_losses(names, rows, losses)
    return caught.value.code


def test_enough_runs_is_a_rule() -> None:
    assert [runs_needed(count) for count in (1, 2, 3)] == [12, 20, 30]
    rows, losses = runs(29, 1)
    assert refused(NAMES, rows, losses) == "too-few-runs"
    rows, losses = runs(30, 1)
    assert fit_losses(NAMES, rows, losses).runs == 30


def test_a_driver_that_hardly_ever_worked() -> None:
    rows, losses = runs(40, 2)
    rows[4:, 2] = 0
    assert refused(NAMES, rows, losses) == "driver-idle"


def test_drivers_that_went_together() -> None:
    rows, losses = runs(40, 3)
    rows[:, 2] = rows[:, 1] / 15 + np.linspace(0, 0.01, 40)
    with pytest.raises(Conflict) as caught:
        fit_losses(NAMES, rows, losses)
    assert caught.value.code == "drivers-alike"
    assert "“charged” and “water-phase”" in caught.value.detail


@pytest.mark.parametrize("true", [TRUE, (4.0, 0.0, 1.0), (0.0, 0.02, 0.0)])
def test_limits_hold_as_often_as_they_say(true: tuple[float, ...]) -> None:
    """95 % limits with the fewest runs allowed, coefficients at the bound among them."""
    held = np.zeros(3)
    for seed in range(300):
        found = fit_losses(NAMES, *runs(30, seed, true))
        held += [one.low <= value <= one.high for one, value in zip(found.coefficients, true, strict=True)]
    # 300 draws at 0.95: three standard deviations are 0.038
    assert (held / 300 > 0.95 - 0.038).all(), held / 300


def test_one_run_to_come_against_the_textbook() -> None:
    """Two coefficients far from nothing: s²·(1 + x'(X'X)⁻¹x), by scipy's line and the textbook formula."""
    rng = np.random.default_rng(5)
    x = rng.uniform(100, 500, 40)
    y = 5 + 0.1 * x + rng.normal(0, 2, 40)
    found = fit_losses(["run", "charged"], np.column_stack([np.ones(40), x]), y)  # type: ignore[arg-type]
    line = linregress(x, y)
    s = np.sqrt(((y - line.intercept - line.slope * x) ** 2).sum() / 38)
    u = s * np.sqrt(1 + 1 / 40 + (300 - x.mean()) ** 2 / ((x - x.mean()) ** 2).sum())
    assert found.predicted_ml({"run": 1, "charged": 300}) == pytest.approx(
        (line.intercept + line.slope * 300, u)
    )
    t = student.ppf(0.975, 38)
    slope = found.coefficients[1]
    assert (slope.low, slope.high) == pytest.approx(
        (line.slope - t * line.stderr, line.slope + t * line.stderr)
    )
    assert found.r_squared == pytest.approx(line.rvalue**2)


def test_the_statement_is_plain() -> None:
    rows, losses = runs(60, 8, (4.0, 0.0, 1.0))
    losses[7] += 60
    found = fit_losses(NAMES, rows, losses)
    said = " ".join(found.statement)
    assert "60 runs" in said and "residual standard deviation" in said and "R² =" in said
    cannot = " ".join(found.cannot)
    assert "the loss chart shows that" in cannot
    assert "standard deviations off: 1" in cannot
    assert "outside what the runs spanned: charged" in cannot


def test_nothing_told_from_nothing_keeps_an_upper_limit() -> None:
    found = next(
        fit
        for fit in (fit_losses(NAMES, *runs(40, seed, (4.0, 0.0, 1.0))) for seed in range(50))
        if fit.coefficients[1].sd is None
    )
    one = found.coefficients[1]
    assert one.value == one.low == 0
    assert one.high > 0
    assert any(text.startswith("charged: no loss was told from nothing") for text in found.cannot)


def test_the_same_runs_give_the_same_fit_in_any_order() -> None:
    rows, losses = runs(40, 9)
    order = np.random.default_rng(0).permutation(40)
    one, other = fit_losses(NAMES, rows, losses), fit_losses(NAMES, rows[order], losses[order])
    assert [c.value for c in one.coefficients] == pytest.approx([c.value for c in other.coefficients])
    assert [c.high for c in one.coefficients] == pytest.approx([c.high for c in other.coefficients])


def made() -> Fit:
    return fit_losses(NAMES, *runs(60, 10))


def test_a_fit_is_kept_as_plain_values() -> None:
    fit = made()
    assert fit_of(json.loads(json.dumps(as_values(fit)))) == fit


def of_run(**facts: float) -> Ask:
    told = {key.replace("_", "-"): Told(value) for key, value in facts.items()}
    return Ask(properties(), 300.0, 240.0, told)


def test_a_prediction_by_a_fit_names_it() -> None:
    of = of_run(water_volume=200.0, water_temperature=20.0)
    fit = made()
    found = fitted(of, fit, name="fit 7")
    assert found is not None
    assert found.fit == "fit 7"
    value, u = fit.predicted_ml(drivers_of(of))
    assert found.total_ul == pytest.approx(value * 1000, abs=3)
    assert found.u_total_ul == pytest.approx(u * 1000, abs=1)
    assert [one.state for one in found.terms] == ["fitted"] * 4
    # what was measured of the same losses is not counted again, what went into waste is another matter
    assert found.booked({"water-layer": 15_000, "waste-container": 9_000}).total_ul == found.total_ul - 15_000
    assert found.booked({"waste-container": 9_000}) == found


def test_the_driver_of_the_water_phase_is_its_prediction() -> None:
    for of in (
        of_run(water_volume=200.0),
        of_run(water_volume=300.0, water_phases=3.0, water_temperature=8.0),
    ):
        term = next(one for one in predict(of).terms if one.code == "water-phase")
        assert term.value_ul == round(drivers_of(of)["water-phase"] * 1000)


def test_a_run_whose_facts_are_not_told_is_not_predicted_by_a_fit() -> None:
    assert fitted(of_run(), made(), name="fit 7") is None


def test_outside_what_the_runs_spanned_is_said() -> None:
    of = replace(of_run(water_volume=200.0), charged_ml=5000.0)
    found = fitted(of, made(), name="fit 7")
    assert found is not None
    assert "charged" in found.terms[-1].assumptions[0]
