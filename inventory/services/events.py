"""The audit trail: written in the transaction of the change it tells of."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from django.db import models

from inventory.models import Event, Lab, User


def record(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    verb: str,
    subject: models.Model,
    data: Mapping[str, Any] | None = None,
) -> Event:
    """Note who did what to which record. `data` must be JSON-able."""
    return Event.objects.create(
        lab=lab,
        actor=actor,
        at=now,
        verb=verb,
        subject_kind=subject._meta.model_name or "",
        subject_id=subject.pk,
        data=dict(data or {}),
    )
