"""What is recorded of a container itself is put right: its size and weight, its dates, a wrong discard."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
from typing import Any

from django.db import transaction
from django.db.models import F

from inventory.models import Container, Lab, Movement, User
from inventory.rules.errors import Conflict, InputError
from inventory.rules.phrases import Phrase
from inventory.services import safety
from inventory.services.containers import (
    ATMOSPHERES,
    CLOSURES,
    day_in_lab,
    move_opening_back,
    poured_into,
)
from inventory.services.events import record
from inventory.services.loosening import signed

NEED_REASON = ("capacity_ul", "received_on", "opened_on")
FIELDS = ("tare_mg", "material", "atmosphere", "closure", "note", *NEED_REASON)
# As they are called where people see them.
SHOWN = {"tare_mg": Phrase("tare"), "capacity_ul": Phrase("capacity")}
# Movements out of a container that open nothing.
NOT_DRAWN = ("count", "weigh", "discard", "blend", "reversal", "receive")


def correct(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    container: Container,
    changes: Mapping[str, Any],
    reason: str = "",
    may_loosen: bool = False,
) -> Container:
    """Change what is given of `FIELDS`; both states are kept in an event.

    Raises InputError naming the field; Conflict when the records forbid it; Denied when a date, an atmosphere
    or a closure makes a verdict milder and `may_loosen` is not given.
    """
    with transaction.atomic():
        held = _locked(container)
        changed = {name: changes[name] for name in FIELDS if name in changes}
        changed = {name: value for name, value in changed.items() if value != getattr(held, name)}
        if not changed:
            return held
        _check_allowed(held, changed, reason)
        _check_dates(held, changed, day_in_lab(lab, now))
        before = {name: getattr(held, name) for name in changed}
        with signed(
            [held],
            lab=lab,
            actor=actor,
            now=now,
            what=Phrase("A correction"),
            may_loosen=may_loosen,
            reason=reason,
        ):
            _write(held, changed)
            safety.refresh_due(container=held, now=now)
            data = {"before": _plain(before), "after": _plain(changed), "reason": reason.strip()}
            record(lab=lab, actor=actor, now=now, verb="corrected", subject=held, data=data)
            if "received_on" in changed or "opened_on" in changed:
                _pass_on(held, actor, now)
    return held


def discard_undo(*, lab: Lab, actor: User, now: datetime, container: Container, reason: str) -> Container:
    """An empty container that was discarded by mistake stands on the shelf again.

    One that left with content comes back by the reversal of that entry. Raises Conflict, InputError.
    """
    if not reason.strip():
        raise InputError(
            "reason",
            "missing",
            Phrase("Taking a discard back needs a reason."),
            Phrase("Say what was wrong."),
        )
    with transaction.atomic():
        held = _locked(container)
        if held.discarded_at is None:
            return held
        left = Movement.objects.filter(source_id=held.place_id, kind="discard", reversed_by=None).first()
        if left is not None:
            raise Conflict(
                "discarded",
                "discarded-with-content",
                Phrase("{code} was discarded with what was in it.", code=held.code),
                Phrase("Reverse the entry {entry}: its content comes back with it.", entry=left.entry),
            )
        reopen(held, actor=actor, now=now, reason=reason)
    return held


def reopen(held: Container, *, actor: User, now: datetime, reason: str) -> None:
    """Clear the discard of a locked container. Only inside a transaction."""
    data = {"discarded_at": held.discarded_at and held.discarded_at.isoformat(), "reason": reason.strip()}
    held.discarded_at = None
    Container.objects.filter(pk=held.pk).update(discarded_at=None, version=F("version") + 1)
    record(lab=held.lab, actor=actor, now=now, verb="discard-undone", subject=held, data=data)
    safety.refresh_due(container=held, now=now)


def _locked(container: Container) -> Container:
    return Container.objects.select_for_update(of=("self",)).select_related("lab").get(pk=container.pk)


def _check_allowed(held: Container, changed: Mapping[str, Any], reason: str) -> None:
    if held.discarded_at is not None:
        raise Conflict(
            "container",
            "container-discarded",
            Phrase("{code} has been discarded.", code=held.code),
            Phrase("Take the discard back first, if it was a mistake."),
        )
    asking = next((name for name in NEED_REASON if name in changed), None)
    if asking and not reason.strip():
        shown = SHOWN.get(asking, asking)
        raise InputError(
            "reason",
            "missing",
            Phrase("Another {shown} needs a reason.", shown=shown),
            Phrase("Say how it is known."),
        )
    if changed.get("atmosphere", held.atmosphere) not in ATMOSPHERES:
        raise InputError(
            "atmosphere",
            "unknown-choice",
            Phrase("Say {known} or unknown.", known=", ".join(ATMOSPHERES[:-1])),
        )
    if changed.get("closure", held.closure) not in CLOSURES:
        raise InputError(
            "closure", "unknown-choice", Phrase("Say {known} or unknown.", known=", ".join(CLOSURES[:-1]))
        )
    size_ul = changed.get("capacity_ul", held.capacity_ul)
    if size_ul <= 0:
        raise InputError("capacity", "not-positive", Phrase("The container needs a size above zero."))
    if size_ul < held.volume_ul:
        raise Conflict(
            "capacity",
            "below-content",
            Phrase(
                "{code} holds {volume_ml:g} mL by the records, more than that.",
                code=held.code,
                volume_ml=held.volume_ul / 1000,
            ),
            Phrase("Check the size, or count the container first."),
        )


def _check_dates(held: Container, changed: Mapping[str, Any], today: date) -> None:
    """Refuse days that cannot be, or that movements of what is in it now speak against."""
    given = {name: changed[name] for name in ("received_on", "opened_on") if changed.get(name)}
    for name, day in given.items():
        if day > today:
            raise InputError(
                name, "in-the-future", Phrase("{day} has not come yet.", day=day), Phrase("Check the date.")
            )
    if "opened_on" in changed and held.opened != Container.Opened.OPENED:
        raise InputError(
            "opened_on",
            "not-opened",
            Phrase("{code} is not recorded as opened.", code=held.code),
            Phrase("Note its opening instead."),
        )
    received_on, opened_on = (changed.get(n, getattr(held, n)) for n in ("received_on", "opened_on"))
    if given and received_on and opened_on and opened_on < received_on:
        raise InputError(
            next(iter(given)),
            "before-receipt",
            Phrase("It would be opened before receipt."),
            Phrase("Check both dates."),
        )
    drawn_on = _first_drawn_on(held) if given else None
    for name, day in given.items():
        if drawn_on is not None and day > drawn_on:
            raise Conflict(
                name,
                "drawn-before",
                Phrase(
                    "Solvent was taken out of {code} on {drawn_on} already.",
                    code=held.code,
                    drawn_on=drawn_on,
                ),
                Phrase("Give an earlier day, or reverse that entry first."),
            )


def _first_drawn_on(held: Container) -> date | None:
    """The day of the first movement that took some of what is in it now; None: none did."""
    if held.lot_id is None:
        return None
    taken = Movement.objects.filter(source_id=held.place_id, lot_id=held.lot_id, reversed_by=None)
    first = taken.exclude(kind__in=NOT_DRAWN).order_by("happened_at").first()
    return None if first is None else day_in_lab(held.lab, first.happened_at)


def _write(held: Container, changed: Mapping[str, Any]) -> None:
    for name, value in changed.items():
        setattr(held, name, value)
    held.version += 1
    held.save(update_fields=[*changed, "version"])


def _pass_on(held: Container, actor: User, now: datetime) -> None:
    """What was poured from it is at least as old as it is: an earlier day follows the liquid."""
    if held.opened == Container.Opened.UNOPENED:
        return
    since = safety.counts_open_since(held)
    for taker in poured_into(held):
        if taker.opened_on is not None and (since is None or taker.opened_on > since):
            move_opening_back(taker, actor=actor, now=now, day=since)


def _plain(facts: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value.isoformat() if isinstance(value, date) else value for name, value in facts.items()}
