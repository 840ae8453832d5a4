"""Peroxide tests, signs seen, and the stored date of the next test.

`refresh_due` runs in the transaction of every change of fact; nothing else writes `next_test_due`.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from datetime import date, datetime
from functools import lru_cache
from typing import Any, Literal, cast
from zoneinfo import ZoneInfo

from django.db import connection, transaction
from django.db.models import F

from inventory.models import Container, Lab, Lot, Observation, PeroxideTest, Solvent, User
from inventory.rules.errors import Conflict, InputError
from inventory.rules.outcomes import action_level
from inventory.rules.peroxide import PeroxideClass, Reading, parse_reading
from inventory.rules.policy_data import Origin, Policy
from inventory.rules.retest import ContainerFacts, Due, next_test
from inventory.rules.signs import SIGNS
from inventory.services.events import record
from inventory.services.readings import (
    UG_PER_MG,
    blends_of,
    last_reading,
    lock_containers,
    no_id,
    reading_of,
    standing_tests,
)

__all__ = ["SIGNS", "TestRecorded", "class_for_safety", "counts_open_since", "due_of", "facts_of"]
__all__ += ["first_opened_on", "hold_rules", "last_reading", "lock_kin", "refresh_all", "refresh_lab"]
__all__ += ["observe", "policy_of", "policy_set", "reading_of", "refresh_due"]
__all__ += ["standing_tests", "test_record", "touch", "worst_sign"]


@lru_cache(maxsize=64)
def _policy_from(text: str) -> Policy:
    return Policy.from_json(json.loads(text))


def policy_of(lab: Lab) -> Policy:
    """The lab's retest policy as the rules read it."""
    return _policy_from(json.dumps(lab.policy.body, sort_keys=True))


def class_for_safety(solvent: Solvent) -> PeroxideClass:
    """A solvent that nobody has confirmed is handled as if its class were not known."""
    if solvent.state == Solvent.State.UNCONFIRMED:
        return "unknown"
    return cast(PeroxideClass, solvent.peroxide_class)


def facts_of(container: Container, policy: Policy) -> ContainerFacts | None:
    """What the retest rules need to know; None for a container that never held anything."""
    lot = container.lot
    if lot is None:
        return None
    not_known = lot.origin == Lot.Origin.NOT_KNOWN
    return ContainerFacts(
        peroxide_class=class_for_safety(lot.solvent),
        # An unknown origin may be a distillate, so a claimed inhibitor is not believed.
        inhibited=None if not_known else lot.inhibited,
        origin=cast(Origin, "purchased" if not_known else lot.origin),
        opened=cast(Literal["unopened", "opened", "unknown"], container.opened),
        opened_on=container.opened_on,
        received_on=container.received_on,
        made_on=lot.made_on,
        expiry_on=lot.expiry_on,
        last_test=last_reading(container, action_level(policy, lot.solvent.density_20c_kg_m3)),
        recorded_on=container.created_at.astimezone(ZoneInfo(container.lab.time_zone)).date(),
    )


def due_of(container: Container) -> Due | None:
    """The next test with its reasons, worked out from the facts as they stand."""
    policy = policy_of(container.lab)
    facts = facts_of(container, policy)
    return None if facts is None else next_test(facts, policy)


def counts_open_since(container: Container, *, day: date | None = None) -> date | None:
    """The day from which what is in a container counts as open; None: not known. day: when a sealed one is.

    One that was overdue while still sealed counts from its receipt, and one that was tested from its test,
    or pouring would make it young.
    """
    policy = policy_of(container.lab)
    facts = facts_of(container, policy)
    if facts is None:
        return container.opened_on
    if facts.opened == "unopened" and day is not None:
        facts = replace(facts, opened="opened", opened_on=first_opened_on(container, day))
    if facts.opened_on is None:
        return None
    days = [facts.opened_on]
    overdue = any(reason.code == "opened-when-overdue" for reason in next_test(facts, policy).reasons)
    if overdue and facts.received_on:
        days.append(facts.received_on)
    tested_on = facts.last_test and facts.last_test.tested_on
    if tested_on and (facts.received_on is None or tested_on >= facts.received_on):
        days.append(tested_on)
    return min(days)


def first_opened_on(container: Container, day: date) -> date | None:
    """The day of opening of a sealed container that was open by `day`.

    None when a test on an unknown day may have opened it before.
    """
    undated = standing_tests([container.lot_id] if container.lot_id else [])
    return None if undated.filter(container=container, tested_on=None).exists() else day


def refresh_due(*, container: Container, now: datetime) -> Due | None:
    """Work out and store when a container must next be tested. Only inside a transaction."""
    # Locked before it is read: facts that change meanwhile would leave a date that fits neither state.
    lock_containers([container.pk])
    held = Container.objects.select_related("lab__policy", "lot__solvent").get(pk=container.pk)
    due = due_of(held)
    stored = {
        "next_test_due": due and due.on,
        "due_code": due.code if due else "not-a-former",
        "due_words": due.words if due else "",
        "worst_sign": worst_sign(held),
    }
    Container.objects.filter(pk=held.pk).update(**stored)
    for name, value in stored.items():
        setattr(container, name, value)
    return due


def worst_sign(container: Container) -> str:
    """The worst sign that has been seen on a container and not withdrawn."""
    seen = set(
        Observation.objects.alias(takes_back=no_id("withdraws_id"))
        .filter(container=container, takes_back=0, withdrawn_by__isnull=True)
        .values_list("sign", flat=True)
    )
    return next((sign for sign in SIGNS if sign in seen), "")


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
) -> TestRecorded:
    """Record a peroxide test of what is in a container. An undated test may harm but never help.

    Raises InputError for an unreadable result or a future date; Conflict for an empty container.
    """
    if container.lot_id is None:
        raise Conflict("container", "container-empty", f"{container.code} never held anything to test.")
    if tested_on is not None and tested_on > now.astimezone(ZoneInfo(lab.time_zone)).date():
        raise InputError("tested_on", "in-the-future", "That day has not come yet.", "Check the date.")
    if isinstance(reading, str):
        as_entered = as_entered or reading
        reading = parse_reading(reading, method=method, tested_on=tested_on)
    upper = reading.upper_mg_per_l
    with transaction.atomic():
        kin = lock_kin(container.lot_id, container)
        if not Container.objects.filter(pk=container.pk, lot_id=container.lot_id).exists():
            raise Conflict(
                "container",
                "contents-changed",
                f"What is in {container.code} changed in the meantime.",
                "Look at it again, then repeat.",
            )
        test = PeroxideTest.objects.create(
            lab=lab,
            container=container,
            lot_id=container.lot_id,
            method=method,
            lower_ug_per_l=int(reading.lower_mg_per_l * UG_PER_MG),
            upper_ug_per_l=None if upper is None else -int(-upper * UG_PER_MG // 1),
            as_entered=as_entered[:120],
            tested_on=tested_on,
            actor=actor,
            recorded_at=now,
            note=note,
        )
        due = refresh_due(container=container, now=now)
        touch(container)
        refresh_all(kin, now)
    return TestRecorded(test, due)


def touch(container: Container) -> None:
    """Tell clients that hold the older state. Only inside a transaction."""
    Container.objects.filter(pk=container.pk).update(version=F("version") + 1)


def lock_kin(lot_id: int, container: Container) -> list[Container]:
    """Lock a container and all that hold the lot or a blend of it; returns those others, still in use."""
    kin = Container.objects.filter(lot_id__in=blends_of(lot_id), discarded_at=None).exclude(pk=container.pk)
    others = list(kin.order_by("place_id"))
    lock_containers([container.pk, *(other.pk for other in others)])
    return others


def refresh_all(containers: list[Container], now: datetime) -> None:
    """`refresh_due` of each, in the order given."""
    for container in containers:
        refresh_due(container=container, now=now)


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
    """Record a sign seen on a container; it stands until a steward withdraws it."""
    if sign not in SIGNS:
        raise InputError("sign", "unknown-sign", f"“{sign}” is not a known sign.", f"Use {', '.join(SIGNS)}.")
    today = now.astimezone(ZoneInfo(lab.time_zone)).date()
    if seen_on is not None and seen_on > today:
        raise InputError("seen_on", "in-the-future", "That day has not come yet.", "Check the date.")
    with transaction.atomic():
        row = Observation.objects.create(
            lab=lab,
            container=container,
            sign=sign,
            words=words[:300],
            seen_on=seen_on or today,
            actor=actor,
            recorded_at=now,
        )
        refresh_due(container=container, now=now)
        touch(container)
    return row


def policy_set(*, lab: Lab, actor: User, now: datetime, policy: Any, reason: str) -> None:
    """Use another policy from now on and work out every due date again. Who, when and why stay on record."""
    if not reason.strip():
        raise InputError(
            "reason", "missing", "Another policy needs a reason.", "Say why it fits this lab better."
        )
    with transaction.atomic():
        data = {"from": lab.policy.key, "to": policy.key, "reason": reason.strip()}
        Lab.objects.filter(pk=lab.pk).update(policy=policy)
        lab.policy = policy
        refresh_lab(lab=lab, now=now)
        record(lab=lab, actor=actor, now=now, verb="policy-set", subject=lab, data=data)


def hold_rules(lab: Lab, solvent: Solvent) -> None:
    """Keep policy and class as they are until the transaction ends, before anything else is locked.

    A change of either works out the dates of all containers it can see, and a new one it cannot see yet.
    """
    if connection.vendor != "postgresql":
        return  # SQLite: a transaction holds the one write lock from its start
    with connection.cursor() as cursor:
        cursor.execute("SELECT 1 FROM inventory_lab WHERE id = %s FOR SHARE", [lab.pk])
        cursor.execute("SELECT 1 FROM inventory_solvent WHERE id = %s FOR SHARE", [solvent.pk])


def refresh_lab(*, lab: Lab, now: datetime) -> None:
    """Work out every due date of a lab again. Empty containers too: one may be filled at this moment."""
    refresh_all(list(Container.objects.filter(lab=lab, discarded_at=None).order_by("place_id")), now)
