"""What the gate let through is written down with what it rested on."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import F

from inventory.models import Container, Lab, Movement, Solvent, User
from inventory.rules.errors import Conflict
from inventory.rules.phrases import Phrase
from inventory.rules.verdict import DistillingTerms, distilling_terms
from inventory.services.events import record
from inventory.services.ledger import Posted
from inventory.services.places import lock_runs
from inventory.services.safety import policy_of
from recovery.models import Clearance, Run
from recovery.rules.clearing import heel_ul
from recovery.services import gate
from recovery.services.gate import Charged, Judged, Ruling, Signature
from recovery.services.heel import add_heel, is_former, never_to_dryness, rewrite_heel
from recovery.services.under_override import mark_returned

CLEARED, OVERRIDDEN, DISTILS = "distilling-cleared", "distilling-overridden", "distilling-declared"


@dataclass(frozen=True)
class Admitted:
    """What is to be written of a charge that was let in. signature: None where it was not needed."""

    ruling: Ruling
    signature: Signature | None
    former: bool


def admit(
    *, run: Run, container: Container, now: datetime, signature: Signature | None, late: bool
) -> Admitted | None:
    """Let a charge into a run whose row is locked. Returns what to write of it, if anything.

    Raises Refusal (code distilling-not-cleared); Denied for a signature that is not theirs to give; Conflict
    when a former meets a run that is meant to go to dryness.
    """
    if container.lot is None or container.volume_ul == 0:
        return None  # nothing to judge: the booking says so
    # Read again: its class may have changed before it was held.
    former = is_former(Solvent.objects.defer("facts").get(pk=container.lot.solvent_id))
    if run.to_dryness and former:
        raise never_to_dryness()
    if not run.distils:
        return None
    ruling = gate.ruling_on(run=run, container=container, now=now, lock=True)
    needed = gate.refuse_unless(ruling, lab=run.lab, signature=signature, late=late)
    return Admitted(ruling, signature if needed else None, former) if needed or former else None


def write_clearance(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    run: Run,
    admitted: Admitted,
    posted: Posted,
) -> Clearance:
    """Keep what let a charge through, and the heel that it adds. Only inside the booking's transaction."""
    columns = ("id", "entry", "lot_id", "solvent_id", "volume_ul", "source__container__id")
    charge = Charged(*Movement.objects.values_list(*columns).get(pk=posted.movement_ids[0]))
    terms = distilling_terms(policy_of(run.lab))
    signature, former = admitted.signature, admitted.former
    row = _row(run, charge, admitted.ruling, terms, signature, actor, now, former=former)
    row.save(force_insert=True)
    add_heel(run, row)
    if row.override_reason:
        happened_at = Movement.objects.values_list("happened_at", flat=True).get(pk=posted.movement_ids[0])
        mark_returned(lab=lab, actor=actor, now=now, run=run, charged_at=happened_at)
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
        charged = gate.charges_inside(held)
        ruling = gate.ruling_on(run=held, container=None, now=now, lock=True)
        needed = gate.refuse_unless(ruling, lab=held.lab, signature=signature, field="")
        signed = signature if needed else None
        rows = _rows(held, charged, ruling, distilling_terms(policy_of(held.lab)), signed, actor, now)
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
        raise Conflict(
            "run", "run-closed", Phrase("Run {id} is closed.", id=run.pk), Phrase("Start a new run.")
        )
    if run.distils:
        raise Conflict(
            "run",
            "distils-already",
            Phrase("Run {id} is one that distils.", id=run.pk),
            Phrase("There is nothing to switch on."),
        )


def _rows(
    run: Run,
    charged: list[Charged],
    ruling: Ruling,
    terms: DistillingTerms,
    signature: Signature | None,
    actor: User,
    now: datetime,
) -> list[Clearance]:
    """A clearance for each charge of which something is still in the run."""
    by_key = {(one.container_id, one.lot_id): one for one in ruling.judged}
    rows = []
    for charge in charged:
        one = by_key[charge.key]
        if charge.container_id:
            own = None if one.allowed else signature
            rows.append(_row(run, charge, Ruling((one,)), terms, own, actor, now, former=True))
    return rows


def _row(
    run: Run,
    charge: Charged,
    ruling: Ruling,
    terms: DistillingTerms,
    signature: Signature | None,
    actor: User,
    now: datetime,
    *,
    former: bool,
) -> Clearance:
    return Clearance(
        lab_id=run.lab_id,
        run=run,
        container_id=charge.container_id,
        lot_id=charge.lot_id,
        entry=charge.entry,
        volume_ul=charge.volume_ul,
        level=ruling.level,
        allowed=ruling.allowed,
        reasons=[_reason_out(one, reason) for one in ruling.judged for reason in one.reasons],
        test_id=ruling.judged[0].test_id,
        heel_percent=terms.heel_fraction * 100 if former else 0,
        heel_ul=heel_ul(charge.volume_ul, terms.heel_fraction) if former else 0,
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
