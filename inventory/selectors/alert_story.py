"""What has come of an alert: who did what about it, and what was sent because of it."""

from __future__ import annotations

from django.db.models import QuerySet

from inventory.models import Alert, Delivery, Event


def history_of(alert: Alert) -> QuerySet[Event]:
    """What people did about it, in order."""
    return (
        Event.objects.filter(subject_kind="alert", subject_id=alert.pk).select_related("actor").order_by("pk")
    )


def fates_of(alert: Alert) -> dict[str, int]:
    """How many messages about it wait, were sent, or were given up or withdrawn unsent."""
    fates = Delivery.objects.filter(alert=alert).values_list("sent_at", "failed_at")
    sent = sum(sent_at is not None for sent_at, _ in fates)
    failed = sum(sent_at is None and failed_at is not None for sent_at, failed_at in fates)
    return {"waiting": len(fates) - sent - failed, "sent": sent, "failed": failed}
