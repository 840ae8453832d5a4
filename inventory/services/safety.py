"""Peroxide tests and signs seen; each works out again what follows of every container that it bears on."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.db import connection, transaction

from inventory.models import Container, Lab, Observation, PeroxideTest, Reagent, Solvent, User
from inventory.rules.errors import Conflict, InputError
from inventory.rules.outcomes import passes_levels
from inventory.rules.peroxide import Reading, parse_reading
from inventory.rules.phrases import Phrase
from inventory.rules.retest import Due
from inventory.rules.signs import SIGNS
from inventory.services.facts import (
    class_for_safety,
    counts_open_since,
    due_of,
    facts_of,
    facts_of_many,
    first_opened_on,
    policy_of,
)
from inventory.services.readings import LIQUID_SIGNS, UG_PER_MG, reading_of, standing_tests
from inventory.services.reagent_use import reagent_columns
from inventory.services.refreshing import (
    lock_kin,
    refresh_all,
    refresh_due,
    refresh_lab,
    refresh_many,
    touch,
)

__all__ = ["SIGNS", "TestRecorded", "class_for_safety", "counts_open_since", "due_of", "facts_of"]
__all__ += ["facts_of_many", "first_opened_on", "hold_rules", "lock_kin", "observe", "policy_of"]
__all__ += ["reading_of", "refresh_all", "refresh_due", "refresh_lab", "refresh_many"]
__all__ += ["standing_tests", "test_record", "touch"]


@dataclass(frozen=True)
class TestRecorded:
    test: PeroxideTest
    due: Due | None


def test_record(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    container: Container,
    reading: str | Reading,
    method: str,
    tested_on: date | None,
    as_entered: str = "",
    note: str = "",
    reagent: Reagent | None = None,
    working: Mapping[str, Any] | None = None,
) -> TestRecorded:
    """Record a peroxide test of what is in a container. An undated test may harm but never help.

    reagent: the strips or solution used; one past its date makes the test one that may harm but never help.
    working: what a titration was worked out from. Raises InputError for an unreadable result or a future
    date; Conflict for an empty container.
    """
    if container.lot_id is None:
        raise Conflict(
            "container", "container-empty", Phrase("{code} never held anything to test.", code=container.code)
        )
    if tested_on is not None and tested_on > now.astimezone(ZoneInfo(lab.time_zone)).date():
        raise InputError(
            "tested_on", "in-the-future", Phrase("That day has not come yet."), Phrase("Check the date.")
        )
    if isinstance(reading, str):
        as_entered = as_entered or reading
        density = None if container.lot is None else container.lot.solvent.density_20c_kg_m3
        reading = parse_reading(reading, method=method, tested_on=tested_on, density_20c_kg_m3=density)
    made_with = reagent_columns(reagent, lab=lab, method=method, tested_on=tested_on, now=now)
    upper = reading.upper_mg_per_l
    with transaction.atomic():
        kin = lock_kin(container.lot_id, container)
        _check_holds_still(container, container.lot_id)
        _check_filled(container, reading)
        test = PeroxideTest.objects.create(
            lab=lab,
            container=container,
            lot_id=container.lot_id,
            method=method,
            lower_ug_per_l=int(reading.lower_mg_per_l * UG_PER_MG),
            upper_ug_per_l=None if upper is None else math.ceil(upper * UG_PER_MG),
            as_entered=as_entered[:120],
            tested_on=tested_on,
            actor=actor,
            recorded_at=now,
            note=note,
            working=dict(working or {}),
            **made_with,
        )
        due = refresh_due(container=container, now=now)
        touch(container)
        refresh_all(kin, now)
    return TestRecorded(test, due)


def _check_filled(container: Container, reading: Reading) -> None:
    """A good test of an empty container would speak for what dried in it. Only with the row locked."""
    if Container.objects.filter(pk=container.pk, volume_ul=0).exists():
        solvent = Solvent.objects.get(lots__containers=container)
        density = solvent.density_20c_kg_m3
        if passes_levels(reading, policy_of(container.lab), density):
            raise Conflict(
                "container",
                "container-empty",
                Phrase("{code} is empty by the records: nothing in it could be tested.", code=container.code),
                Phrase("Count it first if something is in it; a bad result is taken even so."),
            )


def observe(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    container: Container,
    sign: str,
    words: str = "",
    seen_on: date | None = None,
) -> Observation:
    """Record a sign seen on a container; it stands until a steward withdraws it.

    A sign of the liquid counts wherever that has gone or goes from there.
    """
    if sign not in SIGNS:
        raise InputError(
            "sign",
            "unknown-sign",
            Phrase("“{sign}” is not a known sign.", sign=sign),
            Phrase("Use {known}.", known=", ".join(SIGNS)),
        )
    today = now.astimezone(ZoneInfo(lab.time_zone)).date()
    if seen_on is not None and seen_on > today:
        raise InputError(
            "seen_on", "in-the-future", Phrase("That day has not come yet."), Phrase("Check the date.")
        )
    with transaction.atomic():
        lot_id = _lot_now(container)
        liquid = [lot_id] if sign in LIQUID_SIGNS and lot_id is not None else []
        kin = lock_kin(liquid, container)
        _check_holds_still(container, lot_id)
        row = Observation.objects.create(
            lab=lab,
            container=container,
            lot_id=lot_id,
            sign=sign,
            words=words[:300],
            seen_on=seen_on or today,
            actor=actor,
            recorded_at=now,
        )
        refresh_due(container=container, now=now)
        touch(container)
        refresh_all(kin, now)
    return row


def _lot_now(container: Container) -> int | None:
    return Container.objects.values_list("lot_id", flat=True).get(pk=container.pk)


def _check_holds_still(container: Container, lot_id: int | None) -> None:
    """Refuse when what is in a locked container is no longer what the caller looked at."""
    if _lot_now(container) != lot_id:
        raise Conflict(
            "container",
            "contents-changed",
            Phrase("What is in {code} changed in the meantime.", code=container.code),
            Phrase("Look at it again, then repeat."),
        )


def hold_rules(lab: Lab, solvent: Solvent) -> None:
    """Keep policy and class as they are until the transaction ends, before anything else is locked.

    A change of either works out the dates of all containers it can see, and a new one it cannot see yet.
    """
    if connection.vendor != "postgresql":
        return  # SQLite: a transaction holds the one write lock from its start
    with connection.cursor() as cursor:
        cursor.execute("SELECT 1 FROM inventory_lab WHERE id = %s FOR SHARE", [lab.pk])
        cursor.execute("SELECT 1 FROM inventory_solvent WHERE id = %s FOR SHARE", [solvent.pk])
