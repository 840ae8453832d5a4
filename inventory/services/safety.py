"""Peroxide tests, signs seen, and the stored date of the next test.

`refresh_due` runs in the transaction of every change of fact; nothing else writes `next_test_due`.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from functools import lru_cache
from typing import Any, Literal, cast
from zoneinfo import ZoneInfo

from django.db import transaction
from django.db.models import F, QuerySet

from inventory.models import Container, Lab, Lot, LotParent, Observation, PeroxideTest, Solvent, User
from inventory.rules.errors import Conflict, InputError
from inventory.rules.peroxide import PeroxideClass, Reading, parse_reading, passes
from inventory.rules.policy_data import Origin, Policy
from inventory.rules.retest import ContainerFacts, Due, next_test
from inventory.services.events import record

# Worst first; the first one present is shown and opens an alert.
SIGNS = (
    "crystals",
    "viscous-layer",
    "cloudy",
    "cap-stuck",
    "odd-colour",
    "label-unreadable",
    "dates-doubtful",
)
MICRO = 1000


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


def reading_of(test: PeroxideTest) -> Reading:
    upper = None if test.upper_ug_per_l is None else Decimal(test.upper_ug_per_l) / MICRO
    return Reading(Decimal(test.lower_ug_per_l) / MICRO, upper, test.method, test.tested_on)


def standing_tests(lot_ids: list[int]) -> QuerySet[PeroxideTest]:
    """Tests of these lots that are neither withdrawn nor withdrawals, oldest first."""
    return PeroxideTest.objects.filter(
        lot_id__in=lot_ids, withdraws__isnull=True, withdrawn_by__isnull=True
    ).order_by("recorded_at", "id")


def deciding(tests: list[PeroxideTest], level_mg_per_l: Decimal) -> Reading | None:
    """The reading that counts: the last dated one, unless an undated one recorded since does not pass."""
    dated = [t for t in tests if t.tested_on is not None]
    last = max(dated, key=lambda t: (t.tested_on or date.min, t.pk), default=None)
    if last is not None:
        # Of two tests on one day the worse one counts: nothing says which came last.
        same_day = [reading_of(t) for t in dated if t.tested_on == last.tested_on]
        worst = _worst(same_day, level_mg_per_l)
        since = [reading_of(t) for t in tests if t.tested_on is None and t.pk > last.pk]
        bad = [r for r in since if not passes(r, level_mg_per_l)]
        return _worst(bad, level_mg_per_l) or worst
    return _worst([reading_of(t) for t in tests], level_mg_per_l)


def _worst(readings: list[Reading], level_mg_per_l: Decimal) -> Reading | None:
    return max(readings, key=lambda r: (not passes(r, level_mg_per_l), r.lower_mg_per_l), default=None)


def last_reading(container: Container, policy: Policy) -> Reading | None:
    """The container's own deciding reading of what is in it now, else a bad one it inherits with its lot."""
    if container.lot_id is None:
        return None
    level = policy.action_level_mg_per_l
    own = deciding(list(standing_tests([container.lot_id]).filter(container=container)), level)
    if own is not None:
        return own
    inherited = _inherited([container.lot_id], level)
    return _worst([r for r in inherited if not passes(r, level)], level)


def _inherited(lot_ids: list[int], level: Decimal) -> list[Reading]:
    """Deciding readings of these lots, and of what was blended into those never tested themselves."""
    found, seen, frontier = [], set(lot_ids), lot_ids
    while frontier:
        tests: dict[int, list[PeroxideTest]] = {}
        for test in standing_tests(frontier):
            tests.setdefault(test.lot_id, []).append(test)
        found += [r for group in tests.values() if (r := deciding(group, level)) is not None]
        parents = LotParent.objects.filter(
            lot_id__in=[pk for pk in frontier if pk not in tests], lot__origin=Lot.Origin.BLEND
        ).values_list("parent_id", flat=True)
        frontier = [pk for pk in set(parents) if pk not in seen]
        seen |= set(frontier)
    return found


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
        last_test=last_reading(container, policy),
        recorded_on=container.created_at.astimezone(ZoneInfo(container.lab.time_zone)).date(),
    )


def due_of(container: Container) -> Due | None:
    """The next test with its reasons, worked out from the facts as they stand."""
    policy = policy_of(container.lab)
    facts = facts_of(container, policy)
    return None if facts is None else next_test(facts, policy)


def refresh_due(*, container: Container, now: datetime) -> Due | None:
    """Work out and store when a container must next be tested. Only inside a transaction."""
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
        Observation.objects.filter(
            container=container, withdraws__isnull=True, withdrawn_by__isnull=True
        ).values_list("sign", flat=True)
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
        test = PeroxideTest.objects.create(
            lab=lab,
            container=container,
            lot_id=container.lot_id,
            method=method,
            lower_ug_per_l=int(reading.lower_mg_per_l * MICRO),
            upper_ug_per_l=None if upper is None else -int(-upper * MICRO // 1),
            as_entered=as_entered[:120],
            tested_on=tested_on,
            actor=actor,
            recorded_at=now,
            note=note,
        )
        due = refresh_due(container=container, now=now)
        _touch(container)
        _refresh_kin(container, now)
    return TestRecorded(test, due)


def _touch(container: Container) -> None:
    Container.objects.filter(pk=container.pk).update(version=F("version") + 1)


def _refresh_kin(container: Container, now: datetime) -> None:
    """Containers that share this lot, or hold a blend of it, may inherit the reading."""
    if container.lot_id is None:
        return
    lots = frontier = {container.lot_id}
    while frontier:
        frontier = (
            set(
                LotParent.objects.filter(parent_id__in=frontier, lot__origin="blend").values_list(
                    "lot_id", flat=True
                )
            )
            - lots
        )
        lots = lots | frontier
    kin = Container.objects.filter(lot_id__in=lots, discarded_at=None).exclude(pk=container.pk)
    for other in kin:
        refresh_due(container=other, now=now)


def test_withdraw(*, lab: Lab, actor: User, now: datetime, test: PeroxideTest, reason: str) -> PeroxideTest:
    """Take a wrongly recorded test back by a new row that names it."""
    if not reason.strip():
        raise InputError(
            "reason", "missing", "Withdrawing a test needs a reason.", "Say why it does not count."
        )
    if test.withdraws_id is not None or PeroxideTest.objects.filter(withdraws=test).exists():
        raise Conflict("test", "already-withdrawn", "This test has been withdrawn already.")
    with transaction.atomic():
        row = PeroxideTest.objects.create(
            lab=lab,
            container_id=test.container_id,
            lot_id=test.lot_id,
            method=test.method,
            lower_ug_per_l=test.lower_ug_per_l,
            upper_ug_per_l=test.upper_ug_per_l,
            as_entered=test.as_entered,
            tested_on=test.tested_on,
            actor=actor,
            recorded_at=now,
            withdraws=test,
            note=reason.strip(),
        )
        refresh_due(container=test.container, now=now)
        _touch(test.container)
        _refresh_kin(test.container, now)
    return row


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
        _touch(container)
    return row


def sign_withdraw(*, lab: Lab, actor: User, now: datetime, sign: Observation, reason: str) -> Observation:
    """Take a sign back by a new row that names it, with a reason."""
    if not reason.strip():
        raise InputError(
            "reason", "missing", "Withdrawing a sign needs a reason.", "Say what was found instead."
        )
    if sign.withdraws_id is not None or Observation.objects.filter(withdraws=sign).exists():
        raise Conflict("sign", "already-withdrawn", "This sign has been withdrawn already.")
    with transaction.atomic():
        row = Observation.objects.create(
            lab=lab,
            container_id=sign.container_id,
            sign=sign.sign,
            words=reason.strip()[:300],
            seen_on=now.astimezone(ZoneInfo(lab.time_zone)).date(),
            actor=actor,
            recorded_at=now,
            withdraws=sign,
        )
        refresh_due(container=sign.container, now=now)
        _touch(sign.container)
    return row


def policy_set(*, lab: Lab, actor: User, now: datetime, policy: Any) -> None:
    """Use another policy from now on and work out every due date again."""
    with transaction.atomic():
        data = {"from": lab.policy.key, "to": policy.key}
        Lab.objects.filter(pk=lab.pk).update(policy=policy)
        lab.policy = policy
        for container in Container.objects.filter(lab=lab, discarded_at=None, lot__isnull=False):
            refresh_due(container=container, now=now)
        record(lab=lab, actor=actor, now=now, verb="policy-set", subject=lab, data=data)
