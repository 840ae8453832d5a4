"""A container is set aside: nothing is done with it until a supervisor lifts that, with a reason."""

from __future__ import annotations

from datetime import datetime

from django.db import transaction
from django.db.models import F

from inventory.models import Container, Lab, User
from inventory.rules.errors import Conflict, InputError
from inventory.rules.giving_reasons import checked_reason
from inventory.rules.phrases import Phrase
from inventory.services.events import record
from inventory.services.loosening import signed
from inventory.services.refreshing import refresh_due

REASON_MAX = 300


def set_aside(*, lab: Lab, actor: User, now: datetime, container: Container, reason: str) -> Container:
    """Nothing is drawn from it, distilled or opened from now on; tightening is free. Raises Conflict."""
    _check_reason(reason, Phrase("Setting a container aside"))
    with transaction.atomic():
        held = _locked(container)
        if held.quarantined_at is not None:
            raise Conflict(
                "container", "already-set-aside", Phrase("{code} is barred from use already.", code=held.code)
            )
        _write(held, now, reason.strip()[:REASON_MAX])
        refresh_due(container=held, now=now)
        data = {"reason": reason.strip()}
        record(lab=lab, actor=actor, now=now, verb="quarantined", subject=held, data=data)
    return held


def release(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    container: Container,
    reason: str,
    may_loosen: bool = False,
) -> Container:
    """It is judged by its other facts again. Raises Denied without a supervisor's signature, Conflict."""
    reason = checked_reason(reason, what=Phrase("Lifting it needs a reason."))
    with transaction.atomic():
        held = _locked(container)
        if held.quarantined_at is None:
            raise Conflict(
                "container", "not-set-aside", Phrase("{code} is not barred from use.", code=held.code)
            )
        with signed(
            [held],
            lab=lab,
            actor=actor,
            now=now,
            what=Phrase("Lifting a quarantine"),
            may_loosen=may_loosen,
            reason=reason,
            always=True,
        ):
            data = {"since": held.quarantined_at.isoformat(), "was": held.quarantine_reason}
            _write(held, None, "")
            refresh_due(container=held, now=now)
            data["reason"] = reason.strip()
            record(lab=lab, actor=actor, now=now, verb="released", subject=held, data=data)
    return held


def follow(*, giver: Container, taker: Container, lab: Lab, actor: User, now: datetime) -> None:
    """What comes out of a container that is set aside takes that along. Only with the taker's row locked."""
    if giver.quarantined_at is None or taker.quarantined_at is not None:
        return
    _write(taker, now, giver.quarantine_reason)
    refresh_due(container=taker, now=now)
    data = {"reason": giver.quarantine_reason, "from": giver.code}
    record(lab=lab, actor=actor, now=now, verb="quarantined", subject=taker, data=data)


def _check_reason(reason: str, what: str) -> None:
    if not reason.strip():
        raise InputError(
            "reason",
            "missing",
            Phrase("{what} needs a reason.", what=what),
            Phrase("Say what is the matter."),
        )


def _locked(container: Container) -> Container:
    held = Container.objects.select_for_update(of=("self",)).select_related("lab").get(pk=container.pk)
    if held.discarded_at is not None:
        raise Conflict(
            "container", "container-discarded", Phrase("{code} has been discarded.", code=held.code)
        )
    return held


def _write(held: Container, at: datetime | None, reason: str) -> None:
    held.quarantined_at, held.quarantine_reason = at, reason
    Container.objects.filter(pk=held.pk).update(
        quarantined_at=at, quarantine_reason=reason, version=F("version") + 1
    )
