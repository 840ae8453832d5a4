"""Fits of losses: made when somebody asks, put into use by a decision, never by themselves."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from django.db import transaction

from inventory.models import Lab, Solvent, User
from inventory.rules.errors import Conflict, InputError
from inventory.rules.phrases import Phrase
from inventory.services.events import record
from recovery.models import Apparatus, LossFit, RunKind
from recovery.rules.fitted import as_values
from recovery.rules.fitting import DRIVERS, fit_losses
from recovery.rules.kept_phrases import KEPT, kept
from recovery.selectors.loss_fits import Basis, basis

IN_USE = Phrase("Fit {id} is in use.")
WAS_IN_USE = Phrase("Fit {id} was in use and ended.")


def fit_make(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    solvent: Solvent,
    kind: RunKind | None = None,
    apparatus: Apparatus | None = None,
    drivers: Sequence[str] = (),
) -> LossFit:
    """Fit the losses of a solvent in the lab's closed runs, of one kind or apparatus if told.

    drivers: keys of `DRIVERS`; none: as many as the runs can tell apart. Nothing changes by it until it is
    put into use. Raises InputError for an unknown driver; Conflict with the codes of `fit_losses` when the
    runs are too few or tell too little.
    """
    _check(drivers)
    found = basis(lab=lab, solvent=solvent, kind=kind, apparatus=apparatus, drivers=drivers)
    fit = fit_losses(found.design.names, found.design.rows, found.design.losses_ml)
    result = as_values(fit) | _basis_values(found)
    with transaction.atomic():
        row = LossFit.objects.create(
            lab=lab,
            solvent=solvent,
            kind=kind,
            apparatus=apparatus,
            runs=fit.runs,
            first_started_at=found.runs[0].started_at,
            last_started_at=found.runs[-1].started_at,
            result=result | {KEPT: kept(result)},
            actor=actor,
            made_at=now,
        )
        said = {"solvent": solvent.key, "runs": fit.runs, "drivers": list(found.design.names)}
        record(lab=lab, actor=actor, now=now, verb="loss-fit-made", subject=row, data=said)
    return row


def fit_adopt(*, lab: Lab, actor: User, now: datetime, fit: LossFit) -> LossFit:
    """Put a fit into use: predictions of such runs rest on it from now on, and name it.

    The one of the same solvent, kind and apparatus that was in use ends. Raises Conflict when this one is in
    use, or was.
    """
    with transaction.atomic():
        group = _locked_group(fit)
        held = group[fit.pk]
        if held.adopted_at is not None:
            words = IN_USE if held.ended_at is None else WAS_IN_USE
            raise Conflict(
                "fit",
                "fit-adopted",
                Phrase(words, id=held.pk),
                Phrase("Make a new one from the runs since."),
            )
        in_use = [row for row in group.values() if row.adopted_at is not None and row.ended_at is None]
        ended = [_ended(row, now) for row in in_use]
        held.adopted_at, held.adopted_by, held.version = now, actor, held.version + 1
        held.save(update_fields=["adopted_at", "adopted_by", "version"])
        said = {"in_place_of": ended}
        record(lab=lab, actor=actor, now=now, verb="loss-fit-adopted", subject=held, data=said)
    return held


def fit_end(*, lab: Lab, actor: User, now: datetime, fit: LossFit) -> LossFit:
    """Take a fit out of use: predictions rest on theory and assumptions again. Raises Conflict."""
    with transaction.atomic():
        held = _locked_group(fit)[fit.pk]
        if held.adopted_at is None or held.ended_at is not None:
            raise Conflict(
                "fit",
                "fit-not-in-use",
                Phrase("Fit {id} is not in use.", id=held.pk),
                Phrase("Only one in use can be ended."),
            )
        _ended(held, now)
        record(lab=lab, actor=actor, now=now, verb="loss-fit-ended", subject=held, data={})
    return held


def _locked_group(fit: LossFit) -> dict[int, LossFit]:
    """All fits of the same solvent, kind and apparatus, locked: of two put into use at once one waits."""
    same: Any = {name: getattr(fit, name) for name in ("lab_id", "solvent_id", "kind_id", "apparatus_id")}
    rows = LossFit.objects.filter(**same).select_for_update(of=("self",)).order_by("pk")
    return {row.pk: row for row in rows}


def _ended(row: LossFit, now: datetime) -> int:
    row.ended_at, row.version = now, row.version + 1
    row.save(update_fields=["ended_at", "version"])
    return row.pk


def _check(drivers: Sequence[str]) -> None:
    for index, name in enumerate(drivers):
        if name not in DRIVERS or name in drivers[:index]:
            code = "driver-twice" if name in DRIVERS else "unknown-driver"
            words = Phrase("“{name}” is named twice or not known.", name=str(name)[:40])
            raise InputError(
                f"drivers.{index}", code, words, Phrase("Use {known}, each once.", known=", ".join(DRIVERS))
            )


def _basis_values(found: Basis) -> dict[str, Any]:
    """Which runs it rests on, and what was left out."""
    return {
        "run_ids": [run.pk for run in found.runs],
        "closed_runs": found.closed,
        "since": None if found.since is None else found.since.isoformat(),
        "left_out": [{"driver": name, "reason": reason} for name, reason in found.design.left_out],
    }
