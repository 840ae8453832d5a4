"""Webhooks that are told of nothing for a while: nobody answers for them, or their secret cannot be read.

Whoever made one chose where alerts go and knows its secret. When they supervise the lab no more, it is held
until another supervisor takes it over. What comes up meanwhile counts as failed, so that it is on record, and
goes out when the webhook is taken over or has a secret again.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from django.db import transaction
from django.db.models import Exists, OuterRef, QuerySet

from inventory.models import Delivery, Lab, Membership, User, Webhook
from inventory.rules.phrases import Phrase
from inventory.services.delivery.notices import program_tell
from inventory.services.events import record

HELD = "Nothing is sent to this program until a supervisor takes it over."
UNREADABLE = (
    "The secret of this program cannot be read, as the key of this server was changed: give it a new one."
)


def why_held(webhook: Webhook) -> Phrase | None:
    """In words, what became of whoever answered for it; None when it is not held."""
    name = webhook.actor.display_name
    words: Mapping[str, Phrase] = {
        "left": Phrase("{name} answered for it and has left the lab.", name=name),
        "role": Phrase("{name} answered for it and supervises the lab no more.", name=name),
        "inactive": Phrase("{name} answered for it and cannot sign in any more.", name=name),
    }
    return words.get(webhook.held_because)


def hold_those_of(*, lab: Lab, person: User, actor: User, now: datetime, because: str) -> int:
    """Hold what somebody answers for who supervises no more. because: `left` or `role`. Returns how many."""
    hooks = _sending().filter(lab=lab, actor=person).select_related("lab", "actor")
    return sum(_hold(hook, actor, now, because) for hook in hooks)


def hold_unanswered(*, now: datetime) -> int:
    """Hold every webhook that nobody answers for, however that came about. Returns how many."""
    here = Membership.objects.filter(lab=OuterRef("lab"), user=OuterRef("actor"))
    answered = Exists(here.filter(role="supervisor", user__is_active=True))
    rows = _sending().exclude(answered).annotate(is_member=Exists(here)).select_related("lab", "actor")
    held = 0
    for hook in rows.order_by("pk"):
        gone = "role" if hook.is_member else "left"
        held += _hold(hook, hook.actor, now, gone if hook.actor.is_active else "inactive")
    return held


def _sending() -> QuerySet[Webhook]:
    return Webhook.objects.filter(ended_at=None, held_at=None)


def _hold(hook: Webhook, actor: User, now: datetime, because: str) -> int:
    with transaction.atomic():
        if not _sending().filter(pk=hook.pk).update(held_at=now, held_because=because):
            return 0
        data = {"name": hook.name, "because": because, "user": hook.actor.username}
        record(lab=hook.lab, actor=actor, now=now, verb="webhook-held", subject=hook, data=data)
        program_tell(hook=hook, what="webhook-waits", now=now)
    return 1


def send_what_waited(*, webhook: Webhook, now: datetime) -> int:
    """Send what could not be sent, once nothing stands in its way. Returns how many messages that is."""
    if webhook.held_at is not None or webhook.unreadable_at is not None:
        return 0
    failed = Delivery.objects.filter(webhook=webhook, sent_at=None, last_error__in=(HELD, UNREADABLE))
    return failed.exclude(failed_at=None).update(failed_at=None, attempts=0, due_at=now, last_error="")


def note_unreadable(*, webhook: Webhook, now: datetime) -> None:
    """Remember that no key of the site opens its secret, and tell whoever may give it a new one, once."""
    with transaction.atomic():
        if Webhook.objects.filter(pk=webhook.pk, unreadable_at=None).update(unreadable_at=now):
            program_tell(hook=webhook, what="webhook-unreadable", now=now)


def note_readable(*, webhook: Webhook, now: datetime) -> None:
    """The former key is known again: nothing was lost."""
    Webhook.objects.filter(pk=webhook.pk).update(unreadable_at=None)
    webhook.unreadable_at = None
    send_what_waited(webhook=webhook, now=now)
