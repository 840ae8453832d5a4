"""What was distilled although the gate forbade it: the lot carries who let it through when, and why.

Whatever was in the still may have come over, so that one charge under an override marks all that comes back,
of whatever solvent. The mark asks for a test (`rules.retest`), and goes along with pours and blends.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime
from typing import Any

from inventory.models import Container, Lab, Lot, Movement, User
from inventory.services.containers import day_in_lab
from inventory.services.events import record
from inventory.services.readings import blends_of, lock_containers
from inventory.services.refreshing import refresh_all
from recovery.models import Clearance, Run

RETURNED = "returned-under-override"


def standing_override(run: Run) -> dict[str, Any]:
    """As fields of a lot: whether a supervisor let any of what is in the still through, when and why."""
    charges = Movement.objects.filter(destination_id=run.place_id, kind="charge", reversed_by=None)
    signed = Clearance.objects.filter(run=run, entry__in=charges.values("entry")).exclude(override_reason="")
    rows = signed.order_by("id").values_list("recorded_at", "override_reason")
    return _fields([(day_in_lab(run.lab, at), reason) for at, reason in rows])


def charged_override(run: Run) -> dict[str, Any]:
    """The same of what comes back undistilled: it is as the worst that was charged, of whatever solvent."""
    charged = Movement.objects.filter(destination_id=run.place_id, kind="charge", reversed_by=None)
    lots = Lot.objects.filter(pk__in=charged.values("lot_id"), overridden_on__isnull=False).order_by("id")
    return _fields([(lot.overridden_on, lot.override_reason) for lot in lots if lot.overridden_on])


def _fields(found: Iterable[tuple[date, str]]) -> dict[str, Any]:
    days, reasons = [day for day, _ in found], dict.fromkeys(reason for _, reason in found if reason)
    return {"overridden_on": max(days, default=None), "override_reason": " / ".join(reasons)}


def note_return(*, lab: Lab, actor: User, now: datetime, run: Run, lot: Lot, container: Container) -> None:
    """Leave an event on the container into which something came back under an override."""
    if lot.overridden_on is not None:
        data = {
            "run": run.pk,
            "lot": lot.pk,
            "on": lot.overridden_on.isoformat(),
            "reason": lot.override_reason,
        }
        record(lab=lab, actor=actor, now=now, verb=RETURNED, subject=container, data=data)


def mark_returned(*, lab: Lab, actor: User, now: datetime, run: Run, charged_at: datetime) -> None:
    """Mark what had come back already when a charge under an override is told late. Inside its booking."""
    back = Movement.objects.filter(
        source_id=run.place_id, kind="return", reversed_by=None, happened_at__gte=charged_at
    )
    returned = set(back.filter(lot__origin=Lot.Origin.RECOVERED).values_list("lot_id", flat=True))
    if not returned:
        return
    lots = blends_of(*returned)
    Lot.objects.filter(pk__in=lots).update(**standing_override(run))
    held = Container.objects.filter(lot_id__in=lots, discarded_at=None)
    lock_containers(list(held.values_list("pk", flat=True)))
    kin = list(held.order_by("place_id"))
    refresh_all(kin, now)
    for lot in Lot.objects.filter(pk__in=lots):
        for container in kin:
            if container.lot_id == lot.pk:
                note_return(lab=lab, actor=actor, now=now, run=run, lot=lot, container=container)
