"""Runs: solvent is charged, distilled back, and what is missing at the close is named."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import F

from inventory.models import (
    Container,
    Lab,
    Location,
    Place,
    PlaceKind,
    Solvent,
    User,
)
from inventory.rules.errors import InputError
from inventory.rules.phrases import Phrase
from inventory.services import ledger
from inventory.services.containers import day_in_lab
from inventory.services.events import record
from inventory.services.ledger import Posted, month_in_lab
from inventory.services.measuring import CLOCK_SLACK, measured, moment
from inventory.services.places import lock_wastes
from inventory.services.pouring import Inflow
from inventory.services.storage import NO_OVERRIDE, Override
from inventory.services.volumes import Amount, draw, put_in
from inventory.services.waste_filling import settle
from recovery.models import Apparatus, Run, RunKind, RunSum
from recovery.services import gate
from recovery.services.clearances import admit, write_clearance
from recovery.services.gate import Signature
from recovery.services.heel import note_heel, note_uncleared, refuse_to_dryness
from recovery.services.recovered import hold_bottles, open_since, recovered_lot, set_aside_with
from recovery.services.return_states import state_write
from recovery.services.run_details import set_apparatus
from recovery.services.run_hooks import settled
from recovery.services.run_losses import Loss, named_lines, only_solvent, remainder_lines, run_end
from recovery.services.run_state import after_last_use, begin, moment_in, open_run, touch
from recovery.services.sums import MORE_BACK, note_more_back
from recovery.services.times_distilled import admit_times, note_often
from recovery.services.under_override import note_return

__all__ = ["MORE_BACK", "Loss", "Signature", "charge", "give_back", "run_close", "run_start"]


def run_start(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    purpose: str,
    operator_name: str = "",
    operator: User | None = None,
    started_at: datetime | None = None,
    remarks: str = "",
    findings: Sequence[str] = (),
    distils: bool | None = None,
    to_dryness: bool = False,
    kind: RunKind | None = None,
    location: Location | None = None,
    apparatus: Sequence[Apparatus] = (),
    plan: Mapping[str, Any] | None = None,
) -> Run:
    """Open a run. It needs a purpose; the operator is the actor unless another is named.

    distils: solvent is distilled or concentrated in it; None: as its kind says, and without a kind it does,
    the worse. What is charged then passes the gate. to_dryness: meant to be taken to dryness, so that no
    former may be charged. location: the room. plan: it is a draft, which the first charge starts.
    """
    started = moment(now, started_at, field="started_at")
    name = " ".join(operator_name.split())[:80]
    if operator is None and not name:
        operator = actor
    if distils is None:
        distils = kind is None or kind.distils
    said = {"purpose": _purpose(purpose)} | ({} if distils else {"distils": False})
    with transaction.atomic():
        run = Run.objects.create(
            lab=lab,
            place=Place.objects.create(lab=lab, kind=PlaceKind.RUN),
            purpose=said["purpose"],
            operator_name=name or (operator.display_name if operator else ""),
            operator=operator,
            started_at=started,
            month=month_in_lab(lab, started),
            remarks=remarks,
            findings=list(findings),
            distils=distils,
            to_dryness=to_dryness,
            kind=kind,
            location=location,
            is_draft=plan is not None,
            plan=None if plan is None else dict(plan),
            actor=actor,
            created_at=now,
        )
        if apparatus:
            set_apparatus(run, apparatus)
        verb = "run-started" if plan is None else "run-drafted"
        record(lab=lab, actor=actor, now=now, verb=verb, subject=run, data=said | _kind_said(kind))
    return run


def _purpose(text: str) -> str:
    purpose = " ".join(text.split())
    if not purpose or len(purpose) > 120:
        raise InputError(
            "purpose",
            "missing",
            Phrase("A run needs a purpose of at most 120 characters."),
            Phrase("Say what it is for."),
        )
    return purpose


def _kind_said(kind: RunKind | None) -> dict[str, str]:
    return {} if kind is None else {"kind": kind.key}


def charge(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    run: Run,
    container: Container,
    amount: Amount,
    happened_at: datetime | None = None,
    note: str = "",
    signature: Signature | None = None,
    as_history: bool = False,
) -> Posted:
    """Take solvent out of a container into an open run. One that distils takes what the gate lets through.

    signature: a supervisor's, for what it does not. as_history: from a run log that is brought in, which is
    the past: no gate and no clearance. Raises Refusal (codes distilling-not-cleared, distilled-too-often) and
    what `draw` raises.
    """
    with transaction.atomic():
        if container.lot is not None and not as_history:
            gate.hold(lab, run, [container.lot.solvent])
        held = open_run(run)
        happened = moment_in(held, now, happened_at, container)
        if held.is_draft:
            begin(held, actor=actor, now=now, happened=happened)
        let_in = None
        if not as_history:
            late = happened < now - CLOCK_SLACK
            let_in = admit(run=held, container=container, now=now, signature=signature, late=late)
            if container.lot is not None:
                here: dict[str, Any] = {"lab": lab, "actor": actor, "now": now, "run": held}
                admit_times(**here, lot=container.lot, signature=signature)
        posted = draw(
            lab=lab,
            actor=actor,
            now=now,
            container=container,
            amount=amount,
            destination=run_end(held),
            happened_at=happened,
            kind="charge",
            note=note,
        )
        if let_in is not None:
            by: dict[str, Any] = {"lab": lab, "actor": actor, "now": now}
            write_clearance(**by, run=held, admitted=let_in, posted=posted)
        if not as_history:
            note_often(held)
        touch(held)
    return posted


def give_back(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    run: Run,
    container: Container,
    amount: Amount,
    solvent: Solvent | None = None,
    happened_at: datetime | None = None,
    note: str = "",
    to_dryness: bool = False,
    override: Override = NO_OVERRIDE,
    state: str = "",
    drying_agent: str = "",
) -> Posted:
    """Put distilled-back solvent into a container: a new lot, uninhibited, with a retest clock of its own.

    Its parents are the lots charged, in proportion. What came back is booked as it came: more than went out,
    so much that the heel cannot have been kept, or from a run that was not to distil, become findings.
    From one that was not to distil it is as bad as what was charged, and set aside if that is.
    to_dryness: what is left is to go to dryness; Conflict when a former was charged. state: "wet" or "dried"
    if that is known already, with the drying agent; it may be told later.
    """
    happened = moment_in(run, now, happened_at, container)
    with transaction.atomic():
        held = open_run(run)
        if to_dryness:
            refuse_to_dryness(held)
        if not held.distils:
            hold_bottles(held, container)
        kind = solvent or only_solvent(held)
        volume = measured(amount, kind)
        lot = recovered_lot(held, kind, volume.volume_ul, happened, now)
        inflow = Inflow(
            kind="return",
            lot=lot,
            source=run_end(held),
            volume_ul=volume.volume_ul,
            u_volume_ul=volume.u_volume_ul,
            as_entered=volume.as_entered,
            opened_on=day_in_lab(lab, happened) if held.distils else open_since(held, kind),
            note=note,
        )
        posted = put_in(
            lab=lab,
            actor=actor,
            now=now,
            happened_at=happened,
            into=container,
            inflow=inflow,
            override=override,
        )
        if not held.distils:
            set_aside_with(held, container, lab=lab, actor=actor, now=now)
        note_return(lab=lab, actor=actor, now=now, run=held, lot=lot, container=container)
        if state or drying_agent:
            state_write(held, posted.entry, state, drying_agent, actor=actor, now=now)
        note_more_back(held)
        note_heel(held)
        note_uncleared(held)
        note_often(held)
        touch(held)
    return posted


def run_close(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    run: Run,
    losses: Sequence[Loss] = (),
    happened_at: datetime | None = None,
    to_dryness: bool = False,
) -> Run:
    """Close a run. What is left in it goes to the losses named, the rest to "unaccounted".

    to_dryness: what is left is to go to dryness; Conflict when a former was charged. Raises InputError when
    more is named than is left, or the run was used after that time.
    """
    happened = moment_in(run, now, happened_at)
    with transaction.atomic():
        held = open_run(run)
        if to_dryness:
            refuse_to_dryness(held)
        if happened < now:
            happened = after_last_use(held, happened)
        left = dict(RunSum.objects.filter(run=held).values_list("solvent_id", "held_ul"))
        by: Any = {"lab": lab, "actor": actor, "now": now}
        lock_wastes([loss.waste.place_id for loss in losses if loss.waste is not None])
        lines = named_lines(held, losses, left, by) + remainder_lines(held, left)
        entry = ledger.post(**by, happened_at=happened, lines=lines, holds={}).entry if lines else None
        for loss in losses:
            if loss.waste is not None:
                settle(**by, waste=loss.waste, happened_at=happened, override=loss.override)
        note_heel(held)
        note_uncleared(held)
        Run.objects.filter(pk=held.pk).update(
            closed_at=happened, closing_entry=entry, version=F("version") + 1
        )
        lost = {str(s): ul for s, ul in _lost(held)}
        data = {"lost_ul": lost, "entry": None if entry is None else str(entry)}
        record(lab=lab, actor=actor, now=now, verb="run-closed", subject=held, data=data)
        held.refresh_from_db()
        settled.send(sender=run_close, lab=lab, run=held, now=now, why="closed")
    return held


def _lost(run: Run) -> list[tuple[int, int]]:
    return list(RunSum.objects.filter(run=run).values_list("solvent_id", "lost_ul"))
