"""Who is to be told of an alert: one row for each receiver, made once when it opens, escalates and closes.

One statement for mail and one for webhooks turns a batch of alerts into messages, and the same transaction
notes that they have been planned. An alert that no transaction got round to is found by the next one.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.conf import settings
from django.db import connection, transaction
from django.db.models import Q

from inventory.models import Alert, Delivery, Lab
from inventory.services.delivery import planning_sql as sql

ALERTS_PER_BATCH = 2000
Part = tuple[int, int]


@dataclass(frozen=True)
class Stage:
    """One thing that happens to an alert. noted: the column that says it has been planned."""

    event: str
    waiting: Q
    noted: str


OPENED = Stage("opened", Q(planned_at=None), "planned_at")
ESCALATED = Stage(
    "escalated", Q(escalated_at__isnull=False, escalation_planned_at=None), "escalation_planned_at"
)
CLOSED = Stage("closed", Q(closed_at__isnull=False, closing_planned_at=None), "closing_planned_at")
STAGES = (OPENED, ESCALATED, CLOSED)


def plan_deliveries(*, now: datetime, part: Part | None = None, lab: Lab | None = None) -> int:
    """Make the messages for what has happened to alerts since it was last called. Returns how many.

    part: only labs with ids from the first to the second; lab: only this one. Any number of callers at once
    share the work. Who has no address, or nobody may mail, gets nothing, and the alert counts as planned.
    """
    made = 0
    for stage in STAGES:
        waiting = Alert.objects.filter(stage.waiting)
        if part is not None:
            waiting = waiting.filter(lab_id__gte=part[0], lab_id__lte=part[1])
        if lab is not None:
            waiting = waiting.filter(lab=lab)
        while waiting.exists():
            taken, rows = _plan_batch(stage, waiting, now)
            made += rows
            if not taken:
                break  # another caller has the rest in hand
    return made


def _plan_batch(stage: Stage, waiting: Any, now: datetime) -> tuple[int, int]:
    """Plan some alerts. Returns how many, and how many messages they came to."""
    with transaction.atomic(), connection.cursor() as cursor:
        rows = waiting.order_by("pk")
        if connection.features.has_select_for_update_skip_locked:
            rows = rows.select_for_update(skip_locked=True, no_key=True)
        ids = list(rows.values_list("pk", flat=True)[:ALERTS_PER_BATCH])
        if not ids:
            return 0, 0
        made = 0
        for statement in _statements(stage):
            cursor.execute(statement, sql.values(stage.event, now) | {"ids": sql.ids_value(ids)})
            made += cursor.rowcount
        Alert.objects.filter(pk__in=ids).update(**{stage.noted: now})
    return len(ids), made


def _statements(stage: Stage) -> list[str]:
    found = [sql.webhook_sql(stage.event)]
    if settings.STILLKEEP_SENDS_MAIL and stage is OPENED:
        found += [sql.mail_sql(), sql.summary_sql()]
    elif settings.STILLKEEP_SENDS_MAIL and stage is ESCALATED:
        found.append(sql.escalation_sql())
    return found


def waiting_count(*, most: int = 10_000) -> int:
    """How many messages wait to be sent, counted up to `most`."""
    waiting = Delivery.objects.filter(sent_at=None, failed_at=None, withdrawn_at=None)
    return waiting.order_by()[:most].count()
