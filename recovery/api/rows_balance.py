"""From balances, predictions and fits to the plain values that go out."""

from __future__ import annotations

from collections.abc import Iterable
from math import ceil, isinf
from typing import Any

from inventory.api.quantities import millilitres, volume_out
from inventory.api.rows import solvent_ref
from recovery.api.rows_predicted import predicted_out
from recovery.rules.amounts import Combined
from recovery.rules.balance import Balance, significance
from recovery.rules.budget import text
from recovery.rules.predicted import Prediction
from recovery.rules.waterfall import Bar, Waterfall
from recovery.selectors.balances import RunBalance


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
