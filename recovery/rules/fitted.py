"""Predictions with coefficients that were fitted, and a fit as plain values to keep."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from inventory.rules.phrases import Phrase
from recovery.rules.fact_words import named_all
from recovery.rules.fitting import DRIVERS, LEVEL, METHOD, Coefficient, Fit
from recovery.rules.predicted import Ask, Input, Prediction, Term
from recovery.rules.predicted_vapour import open_vessels
from recovery.rules.predicted_water import kept_ml
from recovery.rules.student import t_quantile

__all__ = ["as_values", "drivers_of", "fit_of", "fitted"]


def drivers_of(ask: Ask) -> dict[str, float]:
    """Driver → its value in a run, in mL, min or a number; only those whose facts were told."""
    found = {"run": 1.0, "charged": ask.charged_ml}
    for key in ("take-over-time", "transfers"):
        told = ask.told(key)
        if told is not None and key in ask.facts:
            found[key] = told[0]
    kept = kept_ml(ask) if _needs_told(ask, "water-phase") else None
    if kept is not None:
        found["water-phase"] = kept
    term = open_vessels(ask) if _needs_told(ask, "open-vessels") else None
    if term is not None and term.value_ul is not None:
        found["open-vessels"] = term.value_ul / 1000
    return found


def _needs_told(ask: Ask, driver: str) -> bool:
    return all(need in ask.facts for need in DRIVERS[driver].needs)


def fitted(ask: Ask, fit: Fit, *, name: str) -> Prediction | None:
    """The prediction by a fit, which takes the place of all others; None when a driver was not told.

    name: of the fit, for people. The uncertainty of the whole is that of one run to come: coefficients with
    their covariance, and the scatter.
    """
    drivers = drivers_of(ask)
    if any(one.driver not in drivers for one in fit.coefficients):
        return None
    terms = [_term(one, drivers[one.driver], fit, name) for one in fit.coefficients]
    outside = [
        one.driver for one in fit.coefficients if not one.driver_low <= drivers[one.driver] <= one.driver_high
    ]
    terms.append(_scatter(fit, outside))
    _, u_ml = fit.predicted_ml(drivers)
    total_ul = sum(term.value_ul or 0 for term in terms)
    return Prediction(tuple(terms), total_ul, round(u_ml * 1000), (), name)


def _term(one: Coefficient, driver: float, fit: Fit, name: str) -> Term:
    kind = DRIVERS[one.driver]
    t = t_quantile(LEVEL, fit.dof)
    u = one.sd if one.sd is not None else one.high / t
    return Term(
        one.driver,
        kind.words,
        "fitted",
        round(one.value * driver * 1000),
        round(u * driver * 1000),
        Phrase("coefficient × driver"),
        (Input("coefficient", one.value, u, kind.unit), Input(one.driver, driver, 0.0, "1")),
        (Phrase("this run loses as the {runs} runs of the fit did", runs=fit.runs),),
        (name,),
    )


def _scatter(fit: Fit, outside: list[str]) -> Term:
    """One run's scatter: no loss, only uncertainty."""
    words = Phrase("outside what the runs of the fit spanned: {drivers}", drivers=named_all(outside))
    beyond = (words,) if outside else ()
    return Term(
        "scatter",
        Phrase("scatter of single runs around the fit"),
        "fitted",
        0,
        round(fit.residual_sd * 1000),
        Phrase("residual standard deviation"),
        assumptions=beyond,
        counts=False,
    )


def as_values(fit: Fit) -> dict[str, Any]:
    """A fit as plain JSON values."""
    kept = asdict(fit)
    for one in kept["coefficients"]:
        driver = DRIVERS[one["driver"]]
        one["words"], one["unit"] = driver.words, driver.unit
    return kept


def fit_of(kept: Mapping[str, Any]) -> Fit:
    """The fit that `as_values` made values of."""
    names = ("driver", "value", "sd", "low", "high", "driver_low", "driver_high")
    return Fit(
        coefficients=tuple(
            Coefficient(**{name: one[name] for name in names}) for one in kept["coefficients"]
        ),
        runs=kept["runs"],
        dof=kept["dof"],
        residual_sd=kept["residual_sd"],
        r_squared=kept["r_squared"],
        centred=kept["centred"],
        condition=kept["condition"],
        covariance=tuple(tuple(row) for row in kept["covariance"]),
        statement=tuple(kept["statement"]),
        cannot=tuple(kept["cannot"]),
        method=kept.get("method", METHOD),
    )
