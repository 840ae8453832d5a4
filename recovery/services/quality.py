"""Quality checks of what is in a container: recorded once, compared at once, taken back by a newer row."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from django.db import transaction

from inventory.models import Container, Lab, Lot, Solvent, User
from inventory.rules.errors import Conflict, InputError
from inventory.rules.phrases import Phrase
from inventory.services.events import record
from inventory.services.measuring import moment
from recovery.models import QualityCheck, Run
from recovery.rules.quality import Range, corrected, outcome, plain, reference, short
from recovery.rules.quality_data import UNITS
from recovery.rules.quality_entry import CheckRead, read_check
from recovery.selectors.quality import as_range, limits_for, sample_of, standing

ENTERED = ("value", "low", "high", "temperature", "pressure")


def check_record(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    container: Container,
    what: str,
    entered: Mapping[str, Any],
    run: Run | None = None,
    happened_at: datetime | None = None,
    note: str = "",
) -> QualityCheck:
    """Record a property of what is in a container and hold it against its reference of today.

    entered: of `ENTERED`. It counts for the lot, wherever that stands. It says nothing of peroxides and
    changes no verdict. Raises InputError naming the part, Conflict for a container that is empty.
    """
    read = read_check(what, **{name: entered.get(name) for name in ENTERED})
    with transaction.atomic():
        held, lot = _filled(container)
        happened = moment(now, happened_at, held)
        row = _row(lab, held, lot, read)
        row.run, row.happened_at, row.note = run, happened, note.strip()
        row.actor, row.recorded_at = actor, now
        row.save(force_insert=True)
        said = {"check": row.pk, "what": what, "outcome": row.outcome}
        record(lab=lab, actor=actor, now=now, verb="quality-checked", subject=held, data=said)
    return row


def _filled(container: Container) -> tuple[Container, Lot]:
    """The row, kept as it is, and its lot. Raises Conflict when nothing is in it."""
    held = Container.objects.select_for_update(of=("self",)).select_related("lab").get(pk=container.pk)
    if held.lot_id is None or held.volume_ul == 0:
        words = Phrase("{code} is empty by the records: nothing in it could be checked.", code=held.code)
        raise Conflict("container", "container-empty", words, Phrase("Count it first."))
    return held, Lot.objects.select_related("solvent").get(pk=held.lot_id)


def held_to_in_general(lab: Lab, solvent: Solvent, what: str) -> Range | None:
    """The lab's own limit for all uses, else the shipped reference."""
    own = limits_for(standing(lab), solvent.pk, "").get(what)
    if own is not None:
        return as_range(own)
    return reference(what, sample_of(solvent))  # type: ignore[arg-type]  # read_check knows it


def _row(lab: Lab, container: Container, lot: Lot, read: CheckRead) -> QualityCheck:
    entered = read.entered
    found = corrected(entered, sample_of(lot.solvent))
    held_to = held_to_in_general(lab, lot.solvent, entered.what)
    return QualityCheck(
        lab=lab,
        container=container,
        lot=lot,
        what=entered.what,
        low=short(entered.low),
        high=short(entered.high),
        u_value=short(entered.u),
        unit=UNITS[entered.what],
        temperature_c=entered.temperature_c,
        as_entered=read.as_entered,
        reference=plain(held_to, found),
        outcome=outcome(found, held_to),
    )


def check_withdraw(*, lab: Lab, actor: User, now: datetime, check: QualityCheck, reason: str) -> QualityCheck:
    """Take a check back by a newer row that names it. Raises InputError, Conflict when that was done."""
    if not reason.strip():
        raise InputError(
            "reason", "missing", Phrase("Taking a check back needs a reason."), Phrase("Say what was wrong.")
        )
    with transaction.atomic():
        list(Container.objects.select_for_update(of=("self",)).filter(pk=check.container_id))
        if check.withdraws_id is not None:
            raise Conflict(
                "check",
                "is-a-withdrawal",
                Phrase("A withdrawal is not withdrawn."),
                Phrase("Record it anew."),
            )
        if QualityCheck.objects.filter(withdraws=check).exists():
            raise Conflict("check", "withdrawn-before", Phrase("This check was taken back already."))
        row = QualityCheck.objects.get(pk=check.pk)
        row.pk, row.withdraws, row.note = None, check, reason.strip()
        row.actor, row.recorded_at = actor, now
        row.save(force_insert=True)
        said = {"check": check.pk, "what": check.what, "reason": reason.strip()}
        verb = "quality-check-withdrawn"
        record(lab=lab, actor=actor, now=now, verb=verb, subject=check.container, data=said)
    return row
