"""Coefficients of losses from a lab's own closed runs, with limits, or a plain no.

loss of a run = sum of coefficient × driver + scatter, no coefficient below nothing: nothing makes solvent.
Drivers: one for each run, each mL charged, each mL that theory says the water keeps, and so on (`DRIVERS`).

Enough runs: at least RUNS_MIN, RUNS_PER_COEFFICIENT for each coefficient (common practice asks for ten),
each driver at work in DRIVER_RUNS_MIN runs, and drivers that can be told apart: a scaled condition number
of at most 30 (Belsley, Kuh and Welsch, Regression Diagnostics, 1980, from memory). Else `Conflict`, and
nothing is fitted.

Limits by turning the test round (`least_squares.profile_limits`), not by a bootstrap: see there why.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import sqrt
from typing import Any

from inventory.rules.errors import Conflict
from inventory.rules.phrases import Phrase
from recovery.rules.fact_words import named
from recovery.rules.least_squares import (
    CONDITION_MOST,
    Solution,
    Triangle,
    not_below_zero,
    profile_limits,
    triangle,
)
from recovery.rules.student import t_quantile

__all__ = ["DRIVERS", "Chosen", "Coefficient", "Driver", "Fit", "chosen", "fit_losses", "runs_needed"]

RUNS_MIN = 12
RUNS_PER_COEFFICIENT = 10
DRIVER_RUNS_MIN = 5
TOLD_SHARE = 0.75
LEVEL = 0.95
FAR = 4.0
METHOD = Phrase(
    "least squares with no coefficient below nothing (Lawson and Hanson 1974); limits: every value that "
    "raises the residual sum of squares, the other coefficients fitted anew, by no more than s²·t²"
)
R_SQUARED = Phrase("R² = {r_squared:.3f}: so much of the variation between runs goes along with the drivers")
R_SQUARED_FROM_NOTHING = Phrase(
    "R² = {r_squared:.3f}: so much of the losses, counted from nothing, goes along with the drivers"
)
WIDE = Phrase("which of two drivers that mostly went together took the loss: their limits are wide")
NO_ORDER = Phrase("when a loss began: the order of the runs is not used, the loss chart shows that")
NO_CAUSE = Phrase("what else changed together with a driver: going along with it is not being caused by it")


@dataclass(frozen=True, slots=True)
class Driver:
    """What a loss is taken to grow with. unit: of the coefficient. needs: run fields that must be told."""

    key: str
    words: str
    unit: str
    needs: tuple[str, ...] = ()


DRIVERS: dict[str, Driver] = {
    one.key: one
    for one in (
        Driver("run", Phrase("each run, however small"), "mL"),
        Driver("charged", Phrase("each mL charged"), "mL/mL"),
        Driver(
            "water-phase",
            Phrase("each mL that the water keeps by its solubility"),
            "mL/mL",
            ("water-volume",),
        ),
        Driver("take-over-time", Phrase("each minute of taking over"), "mL/min", ("take-over-time",)),
        Driver("transfers", Phrase("each transfer"), "mL", ("transfers",)),
        Driver(
            "open-vessels",
            Phrase("each mL that open vessels lose by theory"),
            "mL/mL",
            ("open-time", "open-area"),
        ),
    )
}


@dataclass(frozen=True, slots=True)
class Coefficient:
    """value in the driver's unit, between low and high (95 %). sd None: at nothing, where none is meant.

    driver_low, driver_high: between what the driver lay in the runs.
    """

    driver: str
    value: float
    sd: float | None
    low: float
    high: float
    driver_low: float
    driver_high: float


@dataclass(frozen=True, slots=True)
class Fit:
    """residual_sd in mL. centred: whether r_squared is about the mean (a coefficient for each run is among
    them) or about nothing. covariance: of the coefficients, in their order. cannot: what it does not tell."""

    coefficients: tuple[Coefficient, ...]
    runs: int
    dof: int
    residual_sd: float
    r_squared: float
    centred: bool
    condition: float
    covariance: tuple[tuple[float, ...], ...]
    statement: tuple[str, ...]
    cannot: tuple[str, ...]
    method: str = METHOD

    def predicted_ml(self, drivers: Mapping[str, float]) -> tuple[float, float]:
        """(loss of a run to come, its standard uncertainty) in mL: of the coefficients and of one run's
        scatter together. A coefficient at nothing counts with its upper limit over t.

        Raises KeyError when a driver is missing.
        """
        at = [drivers[one.driver] for one in self.coefficients]
        value = sum(one.value * x for one, x in zip(self.coefficients, at, strict=True))
        spread = sum(at[i] * at[j] * self.covariance[i][j] for i in range(len(at)) for j in range(len(at)))
        t = t_quantile(LEVEL, self.dof)
        spread += sum(
            (one.high / t * x) ** 2 for one, x in zip(self.coefficients, at, strict=True) if one.sd is None
        )
        return value, sqrt(spread + self.residual_sd**2)


def fit_losses(names: Sequence[str], rows: Sequence[Sequence[float]], losses_ml: Sequence[float]) -> Fit:
    """Fit losses in mL over drivers. rows: one for each run, in the order of `names` (keys of DRIVERS).

    Raises Conflict: too-few-runs, driver-idle, drivers-alike.
    """
    import numpy as np

    design, losses = np.asarray(rows, float), np.asarray(losses_ml, float)
    _enough(names, design)
    of = triangle(design, losses)
    if of.condition > CONDITION_MOST:
        one, other = _alike(names, of)
        raise Conflict(
            "drivers",
            "drivers-alike",
            Phrase(
                "“{one}” and “{other}” went up and down together in these runs: they cannot be told apart.",
                one=named(one),
                other=named(other),
            ),
            Phrase("Leave one of them out, or vary them."),
        )
    found = not_below_zero(of)
    coefficients = tuple(_coefficient(name, index, design, of, found) for index, name in enumerate(names))
    centred = "run" in names
    total = of.centred_ss if centred else of.raw_ss
    r_squared = 1 - found.rss / total if total else 0.0
    return Fit(
        coefficients,
        of.count,
        found.dof,
        found.sd,
        r_squared,
        centred,
        of.condition,
        tuple(tuple(float(x) for x in row) for row in found.covariance),
        _statement(of.count, found, r_squared, centred),
        _cannot(coefficients, of, found, losses - np.einsum("ij,j->i", design, found.coefficients)),
    )


@dataclass(frozen=True, slots=True)
class Chosen:
    """Drivers that can be fitted, the rows and losses of the runs that tell them, which runs these are, and
    why other drivers were left out: (driver, reason)."""

    names: tuple[str, ...]
    rows: tuple[tuple[float, ...], ...]
    losses_ml: tuple[float, ...]
    used: tuple[int, ...]
    left_out: tuple[tuple[str, str], ...] = ()


def chosen(
    runs: Sequence[Mapping[str, float]], losses_ml: Sequence[float], names: Sequence[str] = ()
) -> Chosen:
    """The drivers to fit: those named, or as many of DRIVERS as the runs can tell apart.

    runs: driver → value, only what was told. A run that does not tell a driver cannot count for it: with
    names, it is left out; without, a driver must be told in TOLD_SHARE of the runs.
    """
    if names:
        return _told_of(tuple(names), runs, losses_ml, ())
    kept: tuple[str, ...] = ("charged",)
    left_out: list[tuple[str, str]] = []
    for name in DRIVERS:
        if name in kept:
            continue
        reason = _hindrance((*kept, name), name, runs, losses_ml)
        if reason:
            left_out.append((name, reason))
        else:
            kept = (*kept, name)
    return _told_of(kept, runs, losses_ml, tuple(left_out))


def _told_of(
    names: tuple[str, ...],
    runs: Sequence[Mapping[str, float]],
    losses_ml: Sequence[float],
    left_out: tuple[tuple[str, str], ...],
) -> Chosen:
    used = tuple(i for i, run in enumerate(runs) if all(name in run for name in names))
    rows = tuple(tuple(runs[i][name] for name in names) for i in used)
    return Chosen(names, rows, tuple(losses_ml[i] for i in used), used, left_out)


def _hindrance(
    names: tuple[str, ...], new: str, runs: Sequence[Mapping[str, float]], losses_ml: Sequence[float]
) -> str:
    """Why a driver cannot be added to others; "" when it can."""
    told = sum(new in run for run in runs)
    if told < TOLD_SHARE * len(runs) or not runs:
        return Phrase("told in {told} of {runs} runs only", told=told, runs=len(runs))
    trial = _told_of(names, runs, losses_ml, ())
    if len(trial.rows) < runs_needed(len(names)):
        return Phrase(
            "{coefficients} coefficients take {runs} runs",
            coefficients=len(names),
            runs=runs_needed(len(names)),
        )
    if sum(row[-1] != 0 for row in trial.rows) < DRIVER_RUNS_MIN:
        return Phrase("above nothing in fewer than {runs} runs", runs=DRIVER_RUNS_MIN)
    if triangle(trial.rows, trial.losses_ml).condition > CONDITION_MOST:
        return Phrase("went up and down together with the others")
    return ""


def runs_needed(coefficients: int) -> int:
    """How many runs so many coefficients take."""
    return max(RUNS_MIN, RUNS_PER_COEFFICIENT * coefficients)


def _enough(names: Sequence[str], design: Any) -> None:
    needed = runs_needed(len(names))
    if len(design) < needed:
        raise Conflict(
            "runs",
            "too-few-runs",
            Phrase(
                "{runs} closed runs tell all that is needed; {coefficients} coefficients take {needed}.",
                runs=len(design),
                coefficients=len(names),
                needed=needed,
            ),
            Phrase("Log more runs, or ask for fewer drivers."),
        )
    for index, name in enumerate(names):
        at_work = int((design[:, index] != 0).sum())
        if at_work < DRIVER_RUNS_MIN:
            raise Conflict(
                "drivers",
                "driver-idle",
                Phrase(
                    "“{name}” is above nothing in {at_work} runs only, {needed} are needed.",
                    name=named(name),
                    at_work=at_work,
                    needed=DRIVER_RUNS_MIN,
                ),
                Phrase("Leave it out."),
            )


def _alike(names: Sequence[str], of: Triangle) -> tuple[str, str]:
    """The two drivers whose columns point most nearly the same way."""
    import numpy as np

    cosines = np.abs(of.upper.T @ of.upper) - np.eye(len(names))
    first, second = sorted(int(i) for i in np.unravel_index(int(cosines.argmax()), cosines.shape))
    return names[first], names[second]


def _coefficient(name: str, index: int, design: Any, of: Triangle, found: Solution) -> Coefficient:
    low, high = profile_limits(of, found, index, LEVEL)
    values = design[:, index]
    inside = bool(found.free[index])
    return Coefficient(
        name,
        float(found.coefficients[index]),
        float(found.sds[index]) if inside else None,
        low,
        high,
        float(values.min()),
        float(values.max()),
    )


def _statement(runs: int, found: Solution, r_squared: float, centred: bool) -> tuple[str, ...]:
    return (
        Phrase(
            "{runs} runs, coefficients above nothing: {above}, degrees of freedom: {freedom}",
            runs=runs,
            above=int(found.free.sum()),
            freedom=int(found.dof),
        ),
        Phrase(
            "residual standard deviation {sd:.3g} mL: one run in twenty lies more than about "
            "{twice:.2g} mL off",
            sd=float(found.sd),
            twice=2 * float(found.sd),
        ),
        Phrase(R_SQUARED if centred else R_SQUARED_FROM_NOTHING, r_squared=float(r_squared)),
    )


def _cannot(
    coefficients: Sequence[Coefficient], of: Triangle, found: Solution, residuals: Any
) -> tuple[str, ...]:
    said: list[str] = [
        Phrase(
            "{driver}: no loss was told from nothing; at most {high:.2g}",
            driver=named(one.driver),
            high=one.high,
        )
        for one in coefficients
        if one.sd is None
    ]
    spans = [_span(one) for one in coefficients if one.driver != "run"]
    if spans:
        said.append(
            Phrase("anything outside what the runs spanned: {spans}", spans=Phrase.joined(spans, ", "))
        )
    if of.condition > CONDITION_MOST / 3:
        said.append(WIDE)
    far = int((abs(residuals) > FAR * found.sd).sum()) if found.sd else 0
    if far:
        said.append(
            Phrase(
                "why so many runs lie more than {times:g} residual standard deviations off: {runs}",
                times=FAR,
                runs=far,
            )
        )
    return (*said, NO_ORDER, NO_CAUSE)


def _span(one: Coefficient) -> Phrase:
    return Phrase(
        "{driver} {low:.3g} to {high:.3g}",
        driver=named(one.driver),
        low=one.driver_low,
        high=one.driver_high,
    )
