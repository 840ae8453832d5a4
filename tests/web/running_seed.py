"""Something on each page about people and running, for the tests that visit every page."""

from __future__ import annotations

from typing import Any

from django.utils import timezone

from inventory.models import Alert, Delivery, Job
from inventory.services import jobs, labs, stock_levels
from inventory.services.delivery import feeds, webhooks
from inventory.services.sweep import sweep
from tests import factories
from tests.factories import Club

PAGES = {
    "alerts": "alerts/",
    "alerts, none": "alerts/?which=over",
    "one alert": "alerts/{alert}/",
    "how I am told": "alert-settings/",
    "messages": "deliveries/",
    "programs that are told": "webhooks/",
    "change a program": "webhooks/{webhook}/",
    "feeds": "feeds/",
    "tokens": "tokens/",
    "the lab": "settings/",
    "people": "people/",
    "a person": "people/{person}/",
    "trail": "trail/",
    "failed jobs": "failed-jobs/",
    "status": "status/",
}


def running(at: Club) -> dict[str, Any]:
    """Names for the addresses of `PAGES`."""
    now = timezone.now()
    by: dict[str, Any] = {"lab": at.lab, "actor": at.supervisor, "now": now}
    level = stock_levels.stock_level_put(**by, solvent=factories.solvent("n-hexane"), minimum_ul=1_000_000)
    sweep(now=now, lab=at.lab)
    hook, _ = webhooks.webhook_add(**by, name="corridor board", url="https://hooks.example.org/a")
    message = webhooks.trial(**by, webhook=hook)
    Delivery.objects.filter(pk=message.pk).update(failed_at=now, last_error="The receiver answered 410.")
    feeds.feed_add(**by, kind="calendar", name="prep room")
    labs.token_create(**by, name="balance by the window", scope="log")
    labs.invitation_create(**by, role="member")
    jobs.enqueue(name="deliver", key="deliver@window", payload={}, due_at=now, now=now)
    Job.objects.filter(key="deliver@window").update(failed_at=now, last_error="TimeoutError: no answer")
    alert = Alert.objects.get(subject_kind="stocklevel", subject_id=level.pk)
    return {"webhook": hook.pk, "alert": alert.pk, "person": at.lab.memberships.get(user=at.member).pk}
