"""What the gate let through is written down with what it rested on."""

from __future__ import annotations

from dataclasses import asdict
from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import F

from inventory.models import Container, Lab, Movement, User
from inventory.rules.errors import Conflict
from inventory.rules.verdict import DistillingTerms, distilling_terms
from inventory.services.events import record
from inventory.services.ledger import Posted
from inventory.services.places import lock_runs
from inventory.services.readings import lock_containers
from inventory.services.safety import policy_of
from recovery.models import Clearance, Run
from recovery.rules.clearing import heel_ul
from recovery.services import gate
from recovery.services.gate import Judged, Ruling, Signature
from recovery.services.heel import is_former, never_to_dryness, rewrite_heel

CLEARED, OVERRIDDEN, DISTILS = "distilling-cleared", "distilling-overridden", "distilling-declared"


def admit(
    *, run: Run, container: Container, now: datetime, signature: Signature | None, late: bool
) -> tuple[Ruling, Signature | None] | None:
    """Let a charge into a run whose row is locked. Returns what to write of it, if anything.

    Raises Refusal (code distilling-not-cleared); Denied for a signature that is not theirs to give; Conflict
    when a former meets a run that is meant to go to dryness.
    """
    if container.lot is None or container.volume_ul == 0:
        return None  # nothing to judge: the booking says so
    if run.to_dryness and is_former(container.lot.solvent):
        raise never_to_dryness()
    if not run.distils:
        return None
    ruling = gate.ruling_on(run=run, container=container, now=now, lock=True)
    needed = gate.refuse_unless(ruling, lab=run.lab, signature=signature, late=late)
    if not needed and not is_former(container.lot.solvent):
        return None
    return ruling, signature if needed else None


def write_clearance(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    run: Run,
    ruling: Ruling,
    signature: Signature | None,
    posted: Posted,
) -> Clearance:
    """Keep what let a charge through, and the heel that it adds. Only inside the booking's transaction."""
    move = Movement.objects.select_related("lot__solvent").get(pk=posted.movement_ids[0])
    terms = distilling_terms(policy_of(Lab.objects.select_related("policy").get(pk=lab.pk)))
    row = _row(run, move, ruling.judged[0].container_id, ruling, terms, signature, actor, now)
    row.save(force_insert=True)
    rewrite_heel(run)
    _note(lab, actor, now, run, row)
    return row


def start_distilling(
    *, lab: Lab, actor: User, now: datetime, run: Run, signature: Signature | None = None
) -> Run:
    """Make a run that was not to distil one that does, when the gate lets through all that it holds.

    Raises Refusal as a charge does; Conflict when the run is closed or distils already.
    """
    with transaction.atomic():
        gate.hold(lab, run, ())
        lock_runs([run.place_id])
        held = Run.objects.select_for_update(of=("self",)).select_related("lab__policy").get(pk=run.pk)
        _check_may_start(held)
        charged = [move for move in gate.charges_of(held) if is_former(move.solvent)]
        lock_containers([m.source.container.pk for m in charged if hasattr(m.source, "container")])
        policy = policy_of(held.lab)
        ruling = Ruling(tuple(gate.judged_inside(held, charged, policy, now)))
        needed = gate.refuse_unless(ruling, lab=held.lab, signature=signature)
        signed = signature if needed else None
        rows = _rows(held, charged, ruling, distilling_terms(policy), signed, actor, now)
        Clearance.objects.bulk_create(rows)
        Run.objects.filter(pk=held.pk).update(distils=True, version=F("version") + 1)
        rewrite_heel(held)
        record(lab=lab, actor=actor, now=now, verb=DISTILS, subject=held, data={"charges": len(rows)})
        for row in rows:
            _note(lab, actor, now, held, row)
    held.refresh_from_db()
    return held


def _check_may_start(run: Run) -> None:
    if run.closed_at is not None:
        raise Conflict("run", "run-closed", f"Run {run.pk} is closed.", "Start a new run.")
    if run.distils:
        raise Conflict(
            "run", "distils-already", f"Run {run.pk} is one that distils.", "There is nothing to switch on."
        )


def _rows(
    run: Run,
    charged: list[Movement],
    ruling: Ruling,
    terms: DistillingTerms,
    signature: Signature | None,
    actor: User,
    now: datetime,
) -> list[Clearance]:
    """A clearance for each charge of which something is still in the run."""
    by_key = {(one.container_id, one.lot_id): one for one in ruling.judged}
    rows = []
    for move in charged:
        container = getattr(move.source, "container", None)
        one = by_key.get((container.pk if container else 0, move.lot_id))
        if one is not None and container is not None:
            own = signature if not one.allowed else None
            rows.append(_row(run, move, container.pk, Ruling((one,)), terms, own, actor, now))
    return rows


def _row(
    run: Run,
    move: Movement,
    container_id: int,
    ruling: Ruling,
    terms: DistillingTerms,
    signature: Signature | None,
    actor: User,
    now: datetime,
) -> Clearance:
    former = is_former(move.solvent)
    return Clearance(
        lab_id=run.lab_id,
        run=run,
        container_id=container_id,
        lot_id=move.lot_id,
        entry=move.entry,
        volume_ul=move.volume_ul,
        level=ruling.level,
        allowed=ruling.allowed,
        reasons=[_reason_out(one, reason) for one in ruling.judged for reason in one.reasons],
        test_id=ruling.judged[0].test_id,
        heel_percent=terms.heel_fraction * 100 if former else 0,
        heel_ul=heel_ul(move.volume_ul, terms.heel_fraction) if former else 0,
        heel_source=terms.heel_source if former else "",
        override_reason=signature.reason.strip() if signature else "",
        actor=actor,
        recorded_at=now,
    )


def _reason_out(one: Judged, reason: Any) -> dict[str, str]:
    """As kept: the reason, and the container and lot that it is of."""
    return {**asdict(reason), "container": str(one.container_id), "lot": str(one.lot_id), "label": one.code}


def _note(lab: Lab, actor: User, now: datetime, run: Run, row: Clearance) -> None:
    verb = OVERRIDDEN if row.override_reason else CLEARED
    data = {
        "clearance": row.pk,
        "container": row.container_id,
        "entry": str(row.entry),
        "level": row.level,
        "codes": [reason["code"] for reason in row.reasons if reason["level"] != "use"],
        "heel_ul": row.heel_ul,
    }
    if row.override_reason:
        data["reason"] = row.override_reason
    record(lab=lab, actor=actor, now=now, verb=verb, subject=run, data=data)
