"""A test or a sign that should not stand is taken back by a new row that names it.

Taking back a sign, or a test that does not pass, is a supervisor's to sign for: it was the record that kept
people away. A slip of the finger is anyone's own to mend while nothing has come of it.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from django.db import IntegrityError, transaction
from django.db.models import Q, QuerySet

from inventory.models import Container, Event, Lab, Movement, Observation, PeroxideTest, User
from inventory.rules.deciding import Judge
from inventory.rules.errors import Conflict, InputError
from inventory.rules.outcomes import passes_levels
from inventory.rules.phrases import Phrase
from inventory.services.facts import policy_of
from inventory.services.loosening import signed
from inventory.services.readings import LIQUID_SIGNS, reading_of
from inventory.services.refreshing import lock_kin, refresh_all, refresh_due, touch

SLIP = timedelta(minutes=15)
Row = PeroxideTest | Observation


def test_withdraw(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    test: PeroxideTest,
    reason: str,
    may_loosen: bool = False,
) -> PeroxideTest:
    """Take a wrongly recorded test back. Raises Denied where that needs a supervisor's signature."""
    _check_reason(reason, Phrase("Withdrawing a test needs a reason."))
    spent = Conflict("test", "already-withdrawn", Phrase("This test has been withdrawn already."))
    if test.withdraws_id is not None or PeroxideTest.objects.filter(withdraws=test).exists():
        raise spent
    policy, density, reading = policy_of(lab), test.lot.solvent.density_20c_kg_m3, reading_of(test)
    # One that lets people draw may still be what keeps them from distilling.
    passed = Judge(policy, density).passes(reading) and passes_levels(reading, policy, density, "distil")
    with transaction.atomic():
        # Its lot may have moved on since: those that hold it now are kin, whatever this container holds.
        kin = lock_kin(test.lot_id, test.container)
        with _answered_for(test, kin, actor, now, reason, may_loosen, always=not passed):
            row = PeroxideTest(
                lab=lab,
                container_id=test.container_id,
                lot_id=test.lot_id,
                method=test.method,
                lower_ug_per_l=test.lower_ug_per_l,
                upper_ug_per_l=test.upper_ug_per_l,
                as_entered=test.as_entered,
                tested_on=test.tested_on,
                reagent_id=test.reagent_id,
                reagent_expired=test.reagent_expired,
                actor=actor,
                recorded_at=now,
                withdraws=test,
                note=reason.strip(),
            )
            _insert_once(row, spent)
            refresh_due(container=test.container, now=now)
            touch(test.container)
            refresh_all(kin, now)
    return row


def sign_withdraw(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    sign: Observation,
    reason: str,
    may_loosen: bool = False,
) -> Observation:
    """Take a sign back. Raises Denied where that needs a supervisor's signature."""
    _check_reason(reason, Phrase("Withdrawing a sign needs a reason."))
    spent = Conflict("sign", "already-withdrawn", Phrase("This sign has been withdrawn already."))
    if sign.withdraws_id is not None or Observation.objects.filter(withdraws=sign).exists():
        raise spent
    with transaction.atomic():
        kin = lock_kin(_lots_with(sign), sign.container)
        with _answered_for(sign, kin, actor, now, reason, may_loosen, always=True):
            row = Observation(
                lab=lab,
                container_id=sign.container_id,
                lot_id=sign.lot_id,
                sign=sign.sign,
                words=reason.strip()[:300],
                seen_on=now.astimezone(ZoneInfo(lab.time_zone)).date(),
                actor=actor,
                recorded_at=now,
                withdraws=sign,
            )
            _insert_once(row, spent)
            refresh_due(container=sign.container, now=now)
            touch(sign.container)
            refresh_all(kin, now)
    return row


def _lots_with(sign: Observation) -> set[int]:
    """Lots that took a sign of the liquid along: the one it was seen in, and what was poured out since."""
    if sign.sign not in LIQUID_SIGNS:
        return set()
    poured = Movement.objects.filter(
        source_id=sign.container.place_id, kind="pour", recorded_at__gte=sign.recorded_at
    )
    found = set(poured.values_list("lot_id", flat=True))
    return found if sign.lot_id is None else found | {sign.lot_id}


def _check_reason(reason: str, detail: str) -> None:
    if not reason.strip():
        raise InputError(
            "reason",
            "missing",
            detail,
            Phrase("Say why it does not count."),
        )


def _insert_once(row: Row, spent: Conflict) -> None:
    """Save a withdrawal; another one that came first is a conflict, not a fault."""
    try:
        with transaction.atomic():
            row.save(force_insert=True)
    except IntegrityError as error:
        raise spent from error


@contextmanager
def _answered_for(
    row: Row,
    kin: list[Container],
    actor: User,
    now: datetime,
    reason: str,
    may_loosen: bool,
    *,
    always: bool,
) -> Iterator[None]:
    """As `signed`, unless the row is this person's slip of the finger."""
    if _is_slip(row, actor, now):
        yield
        return
    what = Phrase("Withdrawing a sign")
    if isinstance(row, PeroxideTest):
        what = Phrase("Withdrawing a test")
    with signed(
        [row.container, *kin],
        lab=row.lab,
        actor=actor,
        now=now,
        what=what,
        may_loosen=may_loosen,
        reason=reason,
        always=always,
    ):
        yield


def _is_slip(row: Row, actor: User, now: datetime) -> bool:
    """Recorded by the same person a moment ago, and nothing else has been recorded of the container since.

    So what stands after the withdrawal is what stood before the row, and nothing milder.
    """
    if row.actor_id != actor.pk or not timedelta(0) <= now - row.recorded_at <= SLIP:
        return False
    return not any(found.exists() for found in _since(row))


def _since(
    row: Row,
) -> list[QuerySet[PeroxideTest] | QuerySet[Observation] | QuerySet[Movement] | QuerySet[Event]]:
    place, start = row.container.place_id, row.recorded_at
    tests = PeroxideTest.objects.filter(container_id=row.container_id, recorded_at__gte=start)
    signs = Observation.objects.filter(container_id=row.container_id, recorded_at__gte=start)
    return [
        tests.exclude(pk=row.pk) if isinstance(row, PeroxideTest) else tests,
        signs.exclude(pk=row.pk) if isinstance(row, Observation) else signs,
        Movement.objects.filter(Q(source_id=place) | Q(destination_id=place), recorded_at__gte=start),
        Event.objects.filter(
            Q(subject_kind="container", subject_id=row.container_id)
            | Q(subject_kind="lab", subject_id=row.lab_id),
            at__gte=start,
        ),
    ]
