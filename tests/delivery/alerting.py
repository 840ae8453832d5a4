"""Labs with alerts and people with addresses, for the tests of delivery."""

from __future__ import annotations

from collections import Counter
from datetime import datetime, timedelta
from typing import Any

from inventory.models import Alert, Delivery, User
from inventory.services.delivery import outbox
from inventory.services.delivery.planning import plan_deliveries
from tests.factories import NOW, Club, club, stocked


def reachable(at: Club, *roles: str) -> None:
    """Give the people in these roles (all, unless named) a confirmed address: role@example.org."""
    for role in roles or tuple(at.people):
        person, address = at.people[role], f"{role}@example.org"
        person.email = person.mail_confirmed = address
        User.objects.filter(pk=person.pk).update(email=address, mail_confirmed=address)


def alerting(name: str = "Biscuit Club", *, now: datetime = NOW) -> Club:
    """A lab whose people all have addresses."""
    at = club(name, now=now)
    reachable(at)
    return at


def alert(at: Club, rule: str = "sign-seen", *, now: datetime = NOW, **facts: Any) -> Alert:
    """An open alert on a bottle of its own."""
    bottle = stocked(at, "diethyl-ether", now=now, received_on=now.date())
    return Alert.objects.create(
        lab=at.lab, rule=rule, subject_kind="container", subject_id=bottle.pk, opened_at=now, **facts
    )


def planned(now: datetime = NOW) -> list[str]:
    """Plan, and give the keys of all messages with what they are about left out."""
    plan_deliveries(now=now)
    return keys()


def keys() -> list[str]:
    rows = Delivery.objects.select_related("user", "webhook").order_by("pk")
    return [
        f"{row.channel} {row.payload['event']} {row.user.email.split('@')[0] if row.user else 'webhook'}"
        for row in rows
    ]


def delivered(now: datetime = NOW, **options: Any) -> Counter[str]:
    """Plan and send at a standing clock."""
    plan_deliveries(now=now)
    return Counter({end: n for end, n in outbox.deliver(now=lambda: now, **options).items() if n})


def close(found: Alert, *, now: datetime = NOW + timedelta(hours=1), cured_by: str = "tested") -> None:
    Alert.objects.filter(pk=found.pk).update(closed_at=now, cured_by=cured_by)
