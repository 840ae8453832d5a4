"""The balance of a run: what went where with which uncertainty, what was predicted, what is not explained."""

from __future__ import annotations

from collections.abc import Iterable
from math import ceil, isinf
from typing import Any

from django.http import HttpResponse

from inventory.api.base import Contract
from inventory.api.quantities import millilitres, volume_out
from inventory.api.rows import solvent_ref
from recovery.api.runs import RunView
from recovery.api.shapes_balance import RunBalanceShape
from recovery.models import LossFit, Run
from recovery.rules.amounts import Combined
from recovery.rules.balance import Balance, significance
from recovery.rules.budget import text
from recovery.rules.predicted import Prediction, Term
from recovery.rules.waterfall import Bar, Waterfall
from recovery.selectors.balances import RunBalance, fit_name, run_balances


class RunBalances(RunView):
    """Charged, returned, held and wasted with their uncertainties, predicted losses, and the rest.

    Worked out from the records when asked for. One entry for each solvent that was in the run.
    """

    contracts = {
        "GET": Contract(
            "runs.read",
            RunBalanceShape,
            "Balance of a run",
            words="Every amount is at 20 °C with its standard uncertainty (k = 1). What lies within U = k·u "
            "is no finding; more back than out is one, with its significance. A predicted loss for which "
            "too little was told has no amount: it is never taken for nothing.",
        )
    }

    def get(self, request: Any, lab: str, run: str) -> HttpResponse:
        self.query  # noqa: B018 - refuses parameters
        found = self.caller.by_id(Run.objects.select_related("kind"), run)
        rows = run_balances(lab=self.caller.lab, run=found)
        return self.listing({"run": str(found.pk), "results": [balance_out(row) for row in rows]})


def balance_out(row: RunBalance) -> dict[str, Any]:
    """One solvent of a run."""
    of = row.balance
    names = ("charged", "returned", "water", "solvent_returned", "held", "lost")
    return {
        "solvent": solvent_ref(row.solvent.pk, row.solvent.key, row.solvent.name),
        **{name: amount_out(getattr(of, name)) for name in names},
        "named": [
            {"kind": one.code, "words": one.words, "amount": amount_out(one.amount)} for one in of.named
        ],
        "unexplained": remainder_out(of.unexplained, of.code, of.words),
        "predicted": predicted_out(row.prediction, row.fit),
        "waterfall": waterfall_out(row.waterfall),
        "assumptions": list(of.notes),
        "sources": _sources(of, row.prediction),
    }


def amount_out(found: Combined) -> dict[str, str | None]:
    return volume_out(found.volume_ul, ceil(found.u_ul))


def remainder_out(found: Combined, code: str, words: str) -> dict[str, Any]:
    """A remainder with all that says whether it means anything."""
    z, p = significance(found)
    return {
        "amount": amount_out(found),
        "expanded": millilitres(ceil(found.expanded_ul)),
        "k": text(found.k),
        "degrees_of_freedom": None if isinf(found.dof) else text(found.dof),
        "z": None if z is None else text(z),
        "p": None if p is None else text(p),
        "code": code,
        "words": words,
    }


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


def waterfall_out(of: Waterfall) -> dict[str, Any]:
    return {
        "bars": [_bar(bar) for bar in of.bars],
        "unexplained": remainder_out(of.unexplained, of.code, of.words),
        "notes": list(of.notes),
    }


def _bar(bar: Bar) -> dict[str, Any]:
    return {
        "code": bar.code,
        "words": bar.words,
        "role": bar.role,
        "state": bar.state,
        "amount": volume_out(bar.value_ul, bar.u_ul),
        "begins": volume_out(bar.begins_ul),
        "ends": volume_out(bar.ends_ul),
        "note": bar.note,
    }


def _sources(of: Balance, predicted: Prediction) -> list[str]:
    every: Iterable[str] = (*of.sources, *(source for term in predicted.terms for source in term.sources))
    return list(dict.fromkeys(every))
