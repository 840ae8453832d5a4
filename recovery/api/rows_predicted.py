"""Predicted losses as plain values, of a run that was done and of one that is planned."""

from __future__ import annotations

from typing import Any

from inventory.api.quantities import volume_out
from recovery.models import LossFit
from recovery.rules.budget import text
from recovery.rules.predicted import Prediction, Term
from recovery.selectors.balances import fit_name


def predicted_out(of: Prediction, fit: LossFit | None) -> dict[str, Any]:
    return {
        "terms": [_term(term) for term in of.terms],
        "total": volume_out(of.total_ul, of.u_total_ul),
        "missing": list(of.missing),
        "fit": None if fit is None else fit_ref(fit),
    }


def fit_ref(fit: LossFit) -> dict[str, Any]:
    """Which fit, since when in use, and by whose word."""
    return {
        "id": str(fit.pk),
        "words": fit_name(fit),
        "made_at": fit.made_at,
        "adopted_at": fit.adopted_at,
        "adopted_by": None if fit.adopted_by is None else fit.adopted_by.username,
    }


def _term(term: Term) -> dict[str, Any]:
    return {
        "code": term.code,
        "words": term.words,
        "state": term.state,
        "amount": None if term.value_ul is None else volume_out(term.value_ul, term.u_ul),
        "counts": term.counts,
        "formula": term.formula,
        "inputs": [
            {
                "name": one.name,
                "value": text(one.value),
                "uncertainty": text(one.u, digits=2),
                "unit": one.unit,
                "told": one.told,
            }
            for one in term.inputs
        ],
        "assumptions": list(term.assumptions),
        "sources": list(term.sources),
        "missing": list(term.missing),
    }
