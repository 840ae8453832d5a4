"""Runs: solvent is charged, distilled back, and what is missing at the close is named."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, datetime
from typing import Any

from django.db import transaction
from django.db.models import F, Min, Q, Sum

from inventory.models import (
    Container,
    Lab,
    Lot,
    LotParent,
    Movement,
    Place,
    PlaceKind,
    Solvent,
    User,
)
from inventory.rules.errors import Conflict, InputError
from inventory.services import ledger
from inventory.services.containers import day_in_lab
from inventory.services.events import record
from inventory.services.facts import containers_with, counts_open_since
from inventory.services.ledger import Posted, month_in_lab
from inventory.services.measuring import CLOCK_SLACK, measured, moment
from inventory.services.places import lock_runs, lock_wastes
from inventory.services.pouring import Inflow
from inventory.services.quarantine import follow
from inventory.services.storage import NO_OVERRIDE, Override
from inventory.services.volumes import Amount, draw, put_in
from inventory.services.waste_filling import settle
from recovery.models import Run, RunSum
from recovery.rules.shares import split_in_proportion
from recovery.services import gate
from recovery.services.clearances import admit, write_clearance
from recovery.services.gate import Signature
from recovery.services.heel import note_heel, note_uncleared, refuse_to_dryness
from recovery.services.run_losses import Loss, named_lines, only_solvent, remainder_lines, run_end
from recovery.services.sums import MORE_BACK, note_more_back

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
    distils: bool = True,
    to_dryness: bool = False,
) -> Run:
    """Open a run. It needs a purpose; the operator is the actor unless another is named.

    distils: solvent is distilled or concentrated in it, the worse, so taken so unless told; what is charged
    then passes the gate. to_dryness: meant to be taken to dryness, so that no former may be charged.
    """
    purpose = " ".join(purpose.split())
    if not purpose or len(purpose) > 120:
        raise InputError(
            "purpose", "missing", "A run needs a purpose of at most 120 characters.", "Say what it is for."
        )
    started = moment(now, started_at, field="started_at")
    name = " ".join(operator_name.split())[:80]
    if operator is None and not name:
        operator = actor
    said = {"purpose": purpose} | ({} if distils else {"distils": False})
    with transaction.atomic():
        run = Run.objects.create(
            lab=lab,
            place=Place.objects.create(lab=lab, kind=PlaceKind.RUN),
            purpose=purpose,
            operator_name=name or (operator.display_name if operator else ""),
            operator=operator,
            started_at=started,
            month=month_in_lab(lab, started),
            remarks=remarks,
            findings=list(findings),
            distils=distils,
            to_dryness=to_dryness,
            actor=actor,
            created_at=now,
        )
        record(lab=lab, actor=actor, now=now, verb="run-started", subject=run, data=said)
    return run


def _open_run(run: Run) -> Run:
    """The run's row, locked for this transaction. Raises Conflict when it is closed."""
    lock_runs([run.place_id])
    held = Run.objects.select_for_update(of=("self",)).select_related("lab").get(pk=run.pk)
    if held.closed_at is not None:
        raise Conflict(
            "run", "run-closed", f"Run {held.pk} is closed.", "Start a new run, or reverse what was wrong."
        )
    return held


def _moment_in(run: Run, now: datetime, happened_at: datetime | None, *containers: Container) -> datetime:
    """When it happened in a run and to containers: not before the run started."""
    happened = moment(now, happened_at, *containers)
    if happened < run.started_at - CLOCK_SLACK:
        raise InputError(
            "happened_at", "before-start", f"Run {run.pk} had not started then.", "Check the date and time."
        )
    return min(max(happened, run.started_at), now)


def _after_last_use(run: Run, happened: datetime) -> datetime:
    """A run is closed after all that moved in or out of it. Raises InputError when it was used later."""
    used = Movement.objects.filter(Q(source_id=run.place_id) | Q(destination_id=run.place_id))
    rows = used.values_list("happened_at", "reversal_of_id", "reversed_by")
    standing = [at for at, reverses, reversed_by in rows if reverses is None and reversed_by is None]
    last = max(standing, default=happened)
    if last > happened + CLOCK_SLACK:
        raise InputError(
            "happened_at", "used-since", f"Run {run.pk} was used after that.", "Check the date and time."
        )
    return max(last, happened)


def _touch(run: Run) -> None:
    Run.objects.filter(pk=run.pk).update(version=F("version") + 1)


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
    the past: no gate and no clearance. Raises Refusal (code distilling-not-cleared) and what `draw` raises.
    """
    happened = _moment_in(run, now, happened_at, container)
    with transaction.atomic():
        if container.lot is not None and not as_history:
            gate.hold(lab, run, [container.lot.solvent])
        held = _open_run(run)
        let_in = None
        if not as_history:
            late = happened < now - CLOCK_SLACK
            let_in = admit(run=held, container=container, now=now, signature=signature, late=late)
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
        _touch(held)
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
) -> Posted:
    """Put distilled-back solvent into a container: a new lot, uninhibited, with a retest clock of its own.

    Its parents are the lots charged, in proportion. What came back is booked as it came: more than went out,
    so much that the heel cannot have been kept, or from a run that was not to distil, become findings.
    From one that was not to distil it is as bad as what was charged, and set aside if that is.
    to_dryness: what is left is to go to dryness; Conflict when a former was charged.
    """
    happened = _moment_in(run, now, happened_at, container)
    with transaction.atomic():
        held = _open_run(run)
        if to_dryness:
            refuse_to_dryness(held)
        kind = solvent or only_solvent(held)
        volume = measured(amount, kind)
        lot = _recovered_lot(held, kind, volume.volume_ul, happened, now)
        inflow = Inflow(
            kind="return",
            lot=lot,
            source=run_end(held),
            volume_ul=volume.volume_ul,
            u_volume_ul=volume.u_volume_ul,
            as_entered=volume.as_entered,
            opened_on=day_in_lab(lab, happened) if held.distils else _open_since(held, kind),
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
            _set_aside_with(held, kind, container, lab=lab, actor=actor, now=now)
        note_more_back(held)
        note_heel(held)
        note_uncleared(held)
        _touch(held)
    return posted


def _earliest_expiry(lot_ids: Iterable[int]) -> date | None:
    first: date | None = Lot.objects.filter(pk__in=lot_ids).aggregate(first=Min("expiry_on"))["first"]
    return first


def _set_aside_with(
    run: Run, solvent: Solvent, taker: Container, *, lab: Lab, actor: User, now: datetime
) -> None:
    """Undistilled it is what it was: out of a container that is set aside, it stays set aside."""
    giver = Container.objects.filter(
        place__outgoing__destination_id=run.place_id,
        place__outgoing__solvent=solvent,
        place__outgoing__kind="charge",
        place__outgoing__reversed_by=None,
        quarantined_at__isnull=False,
    ).first()
    if giver is not None:
        held = Container.objects.select_related("lab").get(pk=taker.pk)
        follow(giver=giver, taker=held, lab=lab, actor=actor, now=now)


def _open_since(run: Run, solvent: Solvent) -> date | None:
    """Undistilled it is as old as the oldest bottle it came from; one refilled since tells no day."""
    rows = Movement.objects.filter(
        destination_id=run.place_id, solvent=solvent, kind="charge", reversed_by=None
    ).values_list("source__container__id", "lot_id")
    pairs = set(rows)
    held = {c.pk: c for c in containers_with([pk for pk, _ in pairs if pk])}
    days = [
        counts_open_since(held[pk]) if pk in held and held[pk].lot_id == lot_id else None
        for pk, lot_id in pairs
    ]
    return min((d for d in days if d), default=None) if None not in days else None


def _recovered_lot(run: Run, solvent: Solvent, volume_ul: int, happened: datetime, now: datetime) -> Lot:
    charged = (
        Movement.objects.filter(destination_id=run.place_id, solvent=solvent, kind="charge", reversed_by=None)
        .values("lot_id")
        .annotate(total=Sum("volume_ul"))
        .order_by("lot_id")
    )
    parents = {row["lot_id"]: row["total"] for row in charged}
    if not parents:
        raise Conflict(
            "run",
            "nothing-charged",
            f"No {solvent.name} was charged to this run.",
            "Book the charge first, or name the solvent that came back.",
        )
    times = Lot.objects.filter(pk__in=parents).order_by("-times_distilled").first()
    lot = Lot.objects.create(
        lab_id=run.lab_id,
        solvent=solvent,
        origin=Lot.Origin.RECOVERED if run.distils else Lot.Origin.BLEND,
        expiry_on=None if run.distils else _earliest_expiry(parents),
        inhibited=False,
        made_on=day_in_lab(run.lab, happened),
        times_distilled=(times.times_distilled if times else 0) + int(run.distils),
        created_at=now,
    )
    shares = split_in_proportion(volume_ul, list(parents.values()))
    LotParent.objects.bulk_create(
        [
            LotParent(lot=lot, parent_id=parent_id, volume_ul=share)
            for parent_id, share in zip(parents, shares, strict=True)
            if share > 0
        ]
    )
    return lot


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
    happened = _moment_in(run, now, happened_at)
    with transaction.atomic():
        held = _open_run(run)
        if to_dryness:
            refuse_to_dryness(held)
        if happened < now:
            happened = _after_last_use(held, happened)
        left = dict(RunSum.objects.filter(run=held).values_list("solvent_id", "held_ul"))
        by: Any = {"lab": lab, "actor": actor, "now": now}
        lock_wastes([loss.waste.place_id for loss in losses if loss.waste is not None])
        lines = named_lines(held, losses, left, by) + remainder_lines(held, left)
        if lines:
            ledger.post(**by, happened_at=happened, lines=lines, holds={})
        for loss in losses:
            if loss.waste is not None:
                settle(**by, waste=loss.waste, happened_at=happened, override=loss.override)
        note_heel(held)
        note_uncleared(held)
        Run.objects.filter(pk=held.pk).update(closed_at=happened, version=F("version") + 1)
        data = {"lost_ul": {str(s): ul for s, ul in _lost(held)}}
        record(lab=lab, actor=actor, now=now, verb="run-closed", subject=held, data=data)
    held.refresh_from_db()
    return held


def _lost(run: Run) -> list[tuple[int, int]]:
    return list(RunSum.objects.filter(run=run).values_list("solvent_id", "lost_ul"))
