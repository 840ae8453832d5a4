"""The way to webhooks for the length of one run: frozen body, signature, one attempt, and what it means."""

from __future__ import annotations

import json
from datetime import datetime

from inventory.models import Delivery
from inventory.rules.webhook_signing import headers
from inventory.services.delivery.content import event_body
from inventory.services.delivery.fate import Fate, later, never, sent, withdrawn
from inventory.services.delivery.posting import Blocked, Reply, Unreachable, post
from inventory.services.delivery.webhook_keeping import HELD, UNREADABLE, note_readable, note_unreadable
from inventory.services.delivery.webhook_secrets import Secrets

# Told to wait, or to come back: every other answer of 400 to 499 stands for good.
TRY_AGAIN = {408, 425, 429}


class WebhookRoute:
    """Remembers who did not answer, so that one silent receiver does not hold up all the others."""

    def __init__(self) -> None:
        self._silent: dict[int, str] = {}
        self._secrets = Secrets()

    def send(self, row: Delivery, now: datetime) -> Fate:
        """One attempt at one message."""
        hook = row.webhook
        if hook is None or hook.ended_at is not None:
            return withdrawn("The webhook has ended.")
        if hook.held_at is not None:
            return never(HELD)
        if hook.pk in self._silent:
            return later(self._silent[hook.pk])
        secrets = self._secrets.of(hook, now)
        if not secrets:
            note_unreadable(webhook=hook, now=now)
            return never(UNREADABLE)
        if hook.unreadable_at is not None:
            note_readable(webhook=hook, now=now)
        body = frozen_body(row)
        signed = headers(secrets, row.message_id, int(now.timestamp()), body)
        kind = {"Content-Type": "application/json", "User-Agent": "Stillkeep"}
        try:
            return judged(post(hook.url, body, {**kind, **signed}))
        except Blocked as error:
            return never(str(error))
        except Unreachable as error:
            self._silent[hook.pk] = str(error)
            return later(str(error))


def frozen_body(row: Delivery) -> bytes:
    """The bytes of a message: worked out for the first attempt, the same in every later one."""
    if "body" not in row.payload:
        row.payload = {**row.payload, "body": event_body(row)}
        Delivery.objects.filter(pk=row.pk).update(payload=row.payload)
    return json.dumps(row.payload["body"], sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()


def judged(reply: Reply) -> Fate:
    """What a status means."""
    status = reply.status
    if 200 <= status <= 299:
        return sent()
    said = f"The receiver answered {status}."
    if 300 <= status <= 399:
        return later(f"{said} Redirects are not followed: give the webhook its new address.")
    if status == 410:
        return never(f"{said} It wants no more messages: end the webhook.")
    if 400 <= status <= 499 and status not in TRY_AGAIN:
        return never(said)
    return later(said, reply.wait)
