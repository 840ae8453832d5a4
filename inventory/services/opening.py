"""The day a container was opened is told, perhaps long afterwards."""

from __future__ import annotations

from datetime import date, datetime

from django.db import transaction

from inventory.models import Container, Movement, User
from inventory.rules.errors import Conflict, InputError
from inventory.rules.phrases import Phrase
from inventory.services.containers import day_in_lab, set_opened
from inventory.services.facts import first_opened_on
from inventory.services.loosening import signed
from inventory.services.readings import NOT_MIXED_IN, standing_tests

# Movements into a container that bring only what its own record tells of.
OWN_CONTENT = (*NOT_MIXED_IN, "reversal")


def mark_opened(
    *,
    container: Container,
    actor: User,
    now: datetime,
    opened_on: date | None,
    may_loosen: bool = False,
    reason: str = "",
) -> Container:
    """Note that a container was opened; the retest clock of an opened container starts.

    opened_on None means the day is not known, which is handled as the worst case. A container
    recorded with an unknown opening cannot be opened for the first time after that day, and a day
    told for it that makes the next test later needs `may_loosen` and a reason.
    """
    today = day_in_lab(container.lab, now)
    if opened_on is not None and opened_on > today:
        raise InputError(
            "opened_on", "in-the-future", Phrase("That day has not come yet."), Phrase("Check the date.")
        )
    if opened_on and container.received_on and opened_on < container.received_on:
        raise InputError(
            "opened_on",
            "before-receipt",
            Phrase("It was received later than that."),
            Phrase("Check the date."),
        )
    with transaction.atomic():
        held = Container.objects.select_for_update(of=("self",)).select_related("lab").get(pk=container.pk)
        _check_open_to_it(held, opened_on)
        if held.opened == Container.Opened.UNOPENED:
            day = None if opened_on is None else first_opened_on(held, opened_on)
            set_opened(held, actor=actor, now=now, opened_on=day)
        else:
            with signed(
                [held],
                lab=held.lab,
                actor=actor,
                now=now,
                what=Phrase("A day told for an opening that was not known"),
                may_loosen=may_loosen,
                reason=reason,
            ):
                set_opened(held, actor=actor, now=now, opened_on=opened_on)
    held.refresh_from_db()
    return held


def _check_open_to_it(held: Container, opened_on: date | None) -> None:
    if held.opened == Container.Opened.OPENED and held.opened_on is not None:
        raise Conflict(
            "opened_on",
            "already-opened",
            Phrase("{code} was opened on {opened_on}.", code=held.code, opened_on=held.opened_on.isoformat()),
            Phrase(
                "A steward corrects a wrong date with a reason; a supervisor, when it makes the next "
                "test later."
            ),
        )
    if held.discarded_at is not None:
        raise Conflict(
            "container", "container-discarded", Phrase("{code} has been discarded.", code=held.code)
        )
    _check_opening_fits(held, opened_on)


def _check_opening_fits(held: Container, opened_on: date | None) -> None:
    """Refuse an opening that is later than what is in the container may have been open."""
    known_by = day_in_lab(held.lab, held.created_at)
    poured_in = Movement.objects.filter(destination_id=held.place_id).exclude(kind__in=OWN_CONTENT)
    if held.opened == Container.Opened.UNOPENED:
        undated = standing_tests([held.lot_id] if held.lot_id else []).filter(container=held, tested_on=None)
        first = undated.first()
        if first is None or opened_on is None:
            return
        known_by = day_in_lab(held.lab, first.recorded_at)
    elif poured_in.exists():
        # The day that is not known is that of another bottle, perhaps long before this one was recorded.
        raise _opening_not_known(held, Phrase("What was poured into it may have been open for longer."))
    if (opened_on or known_by) > known_by:
        raise _opening_not_known(
            held, Phrase("It may have been open since before {known_by}.", known_by=known_by.isoformat())
        )


def _opening_not_known(held: Container, why: str) -> Conflict:
    return Conflict(
        "opened_on",
        "opening-not-known",
        Phrase("{code} cannot be opened for the first time then. {why}", code=held.code, why=why),
        Phrase("Give the earlier day if you know it, or test it: a passed test starts the clock anew."),
    )
