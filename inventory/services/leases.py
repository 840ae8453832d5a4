"""Rows that wait to be worked on: claimed for a lease by any number of workers, never by two at once.

A row has `due_at`, `attempts` and `created_at`. A claim moves `due_at` to the end of the lease; a worker that
dies lets it run out and the row comes back.
"""

from __future__ import annotations

import secrets
from datetime import datetime, timedelta
from typing import TypeVar

from django.db import connection, transaction
from django.db.models import F, Model, Q, QuerySet

M = TypeVar("M", bound=Model)
_random = secrets.SystemRandom()


def due(rows: QuerySet[M], *, now: datetime, held_max: timedelta) -> QuerySet[M]:
    """Those to be worked on now, among them those that a clock since set back has put off for too long.

    held_max: a row that has been tried is never put off for longer; if it seems so, the clock was set back.
    """
    stranded = Q(due_at__gt=now + held_max) & (Q(attempts__gt=0) | Q(due_at__lte=F("created_at")))
    return rows.filter(Q(due_at__lte=now) | stranded)


def claim(rows: QuerySet[M], *, limit: int, lease: timedelta, now: datetime, counted: bool = True) -> list[M]:
    """Take rows, longest due first; each is out of sight for `lease`. rows: what `due` gave.

    counted: taking is trying. A caller that takes several and tries one after the other counts by itself, or
    a crash at the first would use up an attempt of every one.
    """
    with transaction.atomic():
        wanted = rows.order_by("due_at", "pk")
        if connection.features.has_select_for_update_skip_locked:
            wanted = wanted.select_for_update(skip_locked=True)
        # SQLite needs no row locks: a transaction that writes is alone from its start.
        ids = list(wanted.values_list("pk", flat=True)[:limit])
        everything = rows.model._default_manager
        everything.filter(pk__in=ids).update(due_at=now + lease, attempts=F("attempts") + int(counted))
    return list(everything.filter(pk__in=ids).order_by("pk"))


def backoff(attempts: int, *, first: timedelta, most: timedelta) -> timedelta:
    """How long to wait after that many attempts: twice as long each time, ± 50 % so that they spread."""
    plain = min(first * (1 << min(max(attempts - 1, 0), 30)), most)
    spread: float = _random.uniform(0.5, 1.5)
    return plain * spread
