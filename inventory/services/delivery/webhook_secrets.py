"""Secrets of webhooks: sealed in the database, and opened once for each run that signs with them.

One that no key of the site opens is never sent without: its messages count as failed, the page says so, and
they go out once it has a new secret.
"""

from __future__ import annotations

from datetime import datetime

from inventory.models import Webhook
from inventory.services.sealing import is_of_today, seal, unseal


def sealed_for(pk: int, secret: str) -> str:
    """How a secret of the webhook with this id lies in the database; it opens for no other."""
    return seal(secret, purpose=_purpose(pk))


def opened(pk: int, sealed: str) -> str | None:
    """The secret; None when no key of the site opens it."""
    return unseal(sealed, purpose=_purpose(pk))


def is_readable(webhook: Webhook) -> bool:
    """Whether messages to it can be signed."""
    return opened(webhook.pk, webhook.secret) is not None


def _purpose(pk: int) -> str:
    return f"webhook {pk}"


class Secrets:
    """What messages are signed with, for the length of one run: each secret is opened once."""

    def __init__(self) -> None:
        self._opened: dict[tuple[int, str], str | None] = {}

    def of(self, hook: Webhook, now: datetime) -> list[str]:
        """While a secret takes another's place, both; none when the one that holds cannot be read."""
        held = self._open(hook, "secret")
        if held is None:
            return []
        until = hook.secret_before_until
        before = self._open(hook, "secret_before") if until and now < until else None
        return [held] if before is None else [held, before]

    def _open(self, hook: Webhook, column: str) -> str | None:
        sealed = getattr(hook, column)
        known = (hook.pk, sealed)
        if known not in self._opened:
            secret = self._opened[known] = opened(*known)
            if secret is not None and not is_of_today(sealed, purpose=_purpose(hook.pk)):
                # Sealed anew, so that a former key of the site can be done without after a while.
                fresh = sealed_for(hook.pk, secret)
                Webhook.objects.filter(pk=hook.pk, **{column: sealed}).update(**{column: fresh})
        return self._opened[known]
