"""Webhooks of a lab: made, changed, given a new secret, tried out, ended. All of it leaves an event."""

from __future__ import annotations

import secrets
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

from django.db import transaction

from inventory.models import Delivery, Lab, User, Webhook
from inventory.rules.errors import Conflict, InputError
from inventory.rules.phrases import Phrase
from inventory.rules.webhook_signing import new_secret
from inventory.services.delivery.delivering import deliver_soon
from inventory.services.delivery.posting import address_check
from inventory.services.delivery.webhook_keeping import send_what_waited
from inventory.services.delivery.webhook_secrets import is_readable, sealed_for
from inventory.services.events import record
from inventory.services.watches import rules

# The old secret signs as well for so long, so that a receiver may change over without losing a message.
BOTH_SECRETS_FOR = timedelta(hours=24)
WEBHOOKS_MAX = 20


def webhook_add(
    *, lab: Lab, actor: User, now: datetime, name: str, url: str, listens: Sequence[str] = ()
) -> tuple[Webhook, str]:
    """Make a webhook. Returns it with its secret, which is shown this once.

    listens: keys of alert rules; none: all. Raises InputError naming name, url or rules; Conflict when the
    lab has too many.
    """
    address_check(url)
    secret = new_secret()
    with transaction.atomic():
        standing = Webhook.objects.filter(lab=lab, ended_at=None).count()
        if standing >= WEBHOOKS_MAX:
            raise Conflict(
                "",
                "too-many",
                Phrase("A lab has at most {webhooks_max} webhooks.", webhooks_max=WEBHOOKS_MAX),
                Phrase("End one first."),
            )
        hook = Webhook.objects.create(
            lab=lab, name=_name(name), url=url, rules=_rules(listens), actor=actor, created_at=now
        )  # fmt: skip
        hook.secret = sealed_for(hook.pk, secret)
        hook.save(update_fields=["secret"])
        record(lab=lab, actor=actor, now=now, verb="webhook-added", subject=hook, data=_facts(hook))
    return hook, secret


def webhook_edit(
    *, lab: Lab, actor: User, now: datetime, webhook: Webhook, changes: Mapping[str, Any]
) -> Webhook:
    """Change name, url or rules of one that stands. Raises InputError naming the field; Conflict if ended."""
    _standing(webhook)
    if "url" in changes:
        address_check(changes["url"])
    with transaction.atomic():
        held = Webhook.objects.select_for_update().get(pk=webhook.pk)
        before = _facts(held)
        held.name = _name(changes.get("name", held.name))
        held.url = changes.get("url", held.url)
        held.rules = _rules(changes["rules"]) if "rules" in changes else held.rules
        held.version += 1
        held.save(update_fields=["name", "url", "rules", "version"])
        data = {"before": before, "after": _facts(held)}
        record(lab=lab, actor=actor, now=now, verb="webhook-edited", subject=held, data=data)
    return held


def secret_rotate(*, lab: Lab, actor: User, now: datetime, webhook: Webhook) -> tuple[Webhook, str]:
    """Give a webhook a new secret. For a day messages carry signatures of both.

    Where the earlier one could not be read there is nothing to sign with beside it; what could not be sent
    for want of it goes out.
    """
    _standing(webhook)
    secret = new_secret()
    with transaction.atomic():
        held = Webhook.objects.select_for_update().get(pk=webhook.pk)
        both = is_readable(held)
        held.secret_before = held.secret if both else ""
        held.secret_before_until = now + BOTH_SECRETS_FOR if both else None
        held.secret, held.unreadable_at = sealed_for(held.pk, secret), None
        held.version += 1
        held.save(
            update_fields=["secret", "secret_before", "secret_before_until", "unreadable_at", "version"]
        )
        record(lab=lab, actor=actor, now=now, verb="webhook-secret-changed", subject=held)
        send_what_waited(webhook=held, now=now)
    return held, secret


def take_over(*, lab: Lab, actor: User, now: datetime, webhook: Webhook) -> Webhook:
    """Answer for a webhook that is held; what came up meanwhile is sent.

    Its secret stays, and is known to whoever made it. Raises Conflict when it has ended or is not held.
    """
    _standing(webhook)
    with transaction.atomic():
        held = Webhook.objects.select_for_update(of=("self",)).select_related("actor").get(pk=webhook.pk)
        if held.held_at is None:
            raise Conflict("webhook", "not-held", Phrase("Somebody answers for this program already."))
        data = {**_facts(held), "from": held.actor.username, "to": actor.username}
        held.actor, held.held_at, held.held_because = actor, None, ""
        held.version += 1
        held.save(update_fields=["actor", "held_at", "held_because", "version"])
        record(lab=lab, actor=actor, now=now, verb="webhook-taken-over", subject=held, data=data)
        if send_what_waited(webhook=held, now=now):
            deliver_soon(now=now)
    return held


def webhook_end(*, lab: Lab, actor: User, now: datetime, webhook: Webhook) -> Webhook:
    """Send it nothing more; what still waits for it is withdrawn when its turn comes."""
    _standing(webhook)
    with transaction.atomic():
        Webhook.objects.filter(pk=webhook.pk).update(ended_at=now)
        record(lab=lab, actor=actor, now=now, verb="webhook-ended", subject=webhook, data=_facts(webhook))
    webhook.ended_at = now
    return webhook


def trial(*, lab: Lab, actor: User, now: datetime, webhook: Webhook) -> Delivery:
    """Send a trial message: a row like any other, sent as soon as a worker is free.

    Raises Conflict for one that has ended, or that waits for a supervisor to take it over.
    """
    _standing(webhook)
    if webhook.held_at is not None:
        raise Conflict(
            "webhook",
            "waits",
            Phrase("Nothing is sent to this program until a supervisor takes it over."),
            Phrase("Take it over first."),
        )
    mark = secrets.token_hex(8)
    with transaction.atomic():
        row = Delivery.objects.create(
            lab=lab, channel="webhook", key=f"trial:{mark}", message_id=f"msg_{mark}_trial", webhook=webhook,
            payload={"event": "trial"}, created_at=now, due_at=now,
        )  # fmt: skip
        record(lab=lab, actor=actor, now=now, verb="webhook-tried", subject=webhook)
        deliver_soon(now=now)
    return row


def _standing(webhook: Webhook) -> None:
    if webhook.ended_at is not None:
        raise Conflict("webhook", "ended", Phrase("This webhook has ended."), Phrase("Make another one."))


def _name(text: str) -> str:
    if not text.strip():
        raise InputError(
            "name", "missing", Phrase("A webhook needs a name."), Phrase("Name the program that listens.")
        )
    return text.strip()


def _rules(listens: Sequence[str]) -> list[str]:
    known = {rule.key for rule in rules()}
    unknown = sorted(set(listens) - known)
    if unknown:
        raise InputError(
            "rules",
            "unknown-rule",
            Phrase("“{unknown}” is no rule that opens alerts.", unknown=unknown[0]),
            Phrase("Known: {known}.", known=", ".join(sorted(known))),
        )
    return sorted(set(listens))


def _facts(hook: Webhook) -> dict[str, Any]:
    """What an event tells of a webhook; the address without what may be a secret in it."""
    return {"name": hook.name, "url": hook.url.partition("?")[0], "rules": hook.rules}
