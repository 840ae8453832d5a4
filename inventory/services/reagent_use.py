"""Which strips or solution a test was made with, and whether they were still good."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from inventory.models import Lab, Reagent
from inventory.rules.errors import Conflict, InputError
from inventory.rules.methods import METHODS
from inventory.rules.phrases import Phrase
from inventory.rules.reagent_life import expired_on, fits


def reagent_columns(
    reagent: Reagent | None, *, lab: Lab, method: str, tested_on: date | None, now: datetime
) -> dict[str, Any]:
    """`reagent` and `reagent_expired` of a test. None, as before lots were recorded: it is not known.

    Raises InputError when the reagent is of another lab or method; Conflict when it was not in use that day.
    """
    if reagent is None:
        return {"reagent": None, "reagent_expired": None}
    if reagent.lab_id != lab.pk:
        raise InputError("reagent", "unknown-reagent", Phrase("This lab has no such strips or solution."))
    if not fits(reagent.method, method):
        raise InputError(
            "reagent",
            "method-does-not-fit",
            Phrase("{name} is for: {method}.", name=reagent.name, method=METHODS[reagent.method].name),
            Phrase("Name strips or a solution of the method used."),
        )
    zone = ZoneInfo(lab.time_zone)
    today = now.astimezone(zone).date()
    _check_in_use(reagent, tested_on or today, zone)
    return {
        "reagent": reagent,
        "reagent_expired": expired_on(reagent.use_by_on, tested_on, recorded_on=today),
    }


def _check_in_use(reagent: Reagent, day: date, zone: ZoneInfo) -> None:
    if reagent.ended_at is not None and day > reagent.ended_at.astimezone(zone).date():
        raise Conflict(
            "reagent",
            "reagent-ended",
            Phrase("{name} was used up or thrown away before.", name=reagent.name),
            Phrase("Name another."),
        )
    if reagent.opened_on is not None and day < reagent.opened_on:
        raise Conflict(
            "reagent",
            "not-opened-then",
            Phrase(
                "{name} was opened on {opened_on}, after that test.",
                name=reagent.name,
                opened_on=reagent.opened_on,
            ),
            Phrase("Check the day of the test, or name the one used then."),
        )
