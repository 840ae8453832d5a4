"""Predicted losses of one solvent in one run: each with formula, inputs, assumptions and sources.

A fact that was not told is never a silent zero: its term says so and has no value, or stands on a range
that is named as an assumption. Coefficients fitted from a lab's own runs take the place of the terms whose
drivers they use, once somebody has put them into use, and the prediction names the fit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot

from recovery.rules.predicted_terms import Ask, Input, Term, Told
from recovery.rules.predicted_vapour import open_vessels, past_the_condenser, venting
from recovery.rules.predicted_vessels import apparatus_hold_up, bed, heel, product, wetting
from recovery.rules.predicted_water import water_phase, water_taken_up

__all__ = ["Ask", "Input", "Prediction", "Term", "Told", "predict"]


@dataclass(frozen=True, slots=True)
class Prediction:
    """terms: in the order of a run. total_ul, u_total_ul: of the terms that count and have a value.

    missing: facts that would give a value to those that have none.
    """

    terms: tuple[Term, ...]
    total_ul: int
    u_total_ul: int
    missing: tuple[str, ...] = ()
    fit: str = ""

    def booked(self, places: Sequence[str]) -> Prediction:
        """The same without the terms of which a measured loss is booked to their place: none counts twice."""
        return totalled([term for term in self.terms if not term.place or term.place not in places], self.fit)


def predict(ask: Ask, *, setschenow_l_per_mol: float | None = None) -> Prediction:
    """All terms that belong to a run of its kind."""
    terms = (
        water_phase(ask, setschenow_l_per_mol=setschenow_l_per_mol),
        water_taken_up(ask),
        venting(ask),
        open_vessels(ask),
        past_the_condenser(ask),
        heel(ask),
        wetting(ask),
        apparatus_hold_up(ask),
        product(ask),
        bed(ask),
    )
    return totalled([term for term in terms if term is not None])


def totalled(terms: Sequence[Term], fit: str = "") -> Prediction:
    """Terms with their sum; uncertainties in quadrature (JCGM 100:2008 5.1.2)."""
    counted = [term for term in terms if term.counts and term.value_ul is not None]
    missing = dict.fromkeys(key for term in terms for key in term.missing)
    return Prediction(
        tuple(terms),
        sum(term.value_ul or 0 for term in counted),
        round(hypot(*(float(term.u_ul) for term in counted))),
        tuple(missing),
        fit,
    )
