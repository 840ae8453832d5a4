"""What has left the house or is to: messages and their fate, as a list."""

from __future__ import annotations

from typing import Any

from django.db.models import Count, Q, QuerySet

from inventory.models import Delivery, Lab

_OPEN = Q(sent_at=None, failed_at=None, withdrawn_at=None)


def deliveries_of(
    *, lab: Lab, channel: str = "", webhook: int | None = None, before: int | None = None
) -> QuerySet[Delivery]:
    """Messages of a lab, the newest first. before: only those older than the one with this id."""
    given: dict[str, Any] = {"channel": channel or None, "webhook_id": webhook, "pk__lt": before}
    rows = Delivery.objects.filter(lab=lab, **{name: v for name, v in given.items() if v is not None})
    return rows.select_related("user", "webhook", "alert").order_by("-pk")


def delivery_counts(*, lab: Lab) -> dict[str, int]:
    """How many messages wait, and how many were given up."""
    counted: dict[str, int] = Delivery.objects.filter(lab=lab).aggregate(
        waiting=Count("pk", filter=_OPEN), failed=Count("pk", filter=Q(failed_at__isnull=False))
    )
    return counted
