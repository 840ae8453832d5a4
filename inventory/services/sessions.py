"""Where people are signed in: kept beside the session, listed to them, and ended by them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from django.contrib.sessions.models import Session
from django.db import IntegrityError, transaction
from django.db.models import QuerySet

from inventory.models import SignedIn, User
from inventory.rules.devices import device_words

AGENT_MAX = 300


@dataclass(frozen=True)
class Place:
    """A browser in which the person is signed in; browser and system empty when not known."""

    id: int
    browser: str
    system: str
    started_at: datetime
    seen_at: datetime
    is_this: bool


def seen(*, user: User, now: datetime, session_key: str, agent: str) -> None:
    """Note that a session is in use, and whose it is."""
    if SignedIn.objects.filter(session_id=session_key, user=user).update(seen_at=now):
        return
    values = {"user": user, "agent": agent[:AGENT_MAX], "started_at": now, "seen_at": now}
    try:
        with transaction.atomic():
            SignedIn.objects.update_or_create(session_id=session_key, defaults=values)
    except IntegrityError:
        return  # the session was ended this very moment


def places_of(*, user: User, now: datetime, session_key: str) -> list[Place]:
    """Every browser whose session still stands, this one first, then the one seen last."""
    rows = SignedIn.objects.filter(user=user, session__expire_date__gt=now)
    places = [
        Place(row.pk, *device_words(row.agent), row.started_at, row.seen_at, row.session_id == session_key)
        for row in rows.order_by("-seen_at", "-pk")
    ]
    return sorted(places, key=lambda place: not place.is_this)


def end(*, user: User, place: int, but: str = "") -> int:
    """End one session of this person; none when it has ended, is another person's or has the key `but`."""
    return _end(Session.objects.filter(signed_in__user=user, signed_in__pk=place).exclude(session_key=but))


def end_all(*, user: User, but: str = "") -> int:
    """End every session of this person, except the one with the key `but`. Returns how many."""
    return _end(Session.objects.filter(signed_in__user=user).exclude(session_key=but))


def _end(sessions: QuerySet[Session]) -> int:
    keys = list(sessions.values_list("session_key", flat=True))
    Session.objects.filter(session_key__in=keys).delete()
    return len(keys)


def prune(*, now: datetime) -> int:
    """Forget sessions that have run out. Returns how many rows went."""
    return Session.objects.filter(expire_date__lt=now).delete()[0]
