"""Nothing is done twice: the first answer to a client-made key is kept and given again."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from django.db import IntegrityError, transaction

from inventory.models import Answer, User
from inventory.rules.errors import Conflict, InputError

KEY_LENGTH_MAX = 200
KEPT_FOR = timedelta(days=60)


@dataclass(frozen=True)
class Reply:
    """What was answered: HTTP status, JSON body and the headers worth repeating."""

    status: int
    body: Any
    headers: dict[str, str] = field(default_factory=dict)
    repeated: bool = False


def fingerprint(*parts: bytes) -> str:
    """Digest of method, address and body, by which two uses of one key are told apart."""
    digest = hashlib.sha256()
    for part in parts:
        digest.update(len(part).to_bytes(8, "big") + part)
    return digest.hexdigest()


def once(*, user: User, key: str, body_sha256: str, now: datetime, work: Callable[[], Reply]) -> Reply:
    """Do `work` in a transaction unless this person used the key before; then give the first answer again.

    The claim on the key and the work commit together, so a crash leaves neither. Two at once: the second
    waits for the first. Raises Conflict (409) when the key was used for another request.
    """
    if not key.strip() or len(key) > KEY_LENGTH_MAX or not key.isprintable():
        raise InputError(
            "Idempotency-Key",
            "bad-key",
            f"The key must be 1 to {KEY_LENGTH_MAX} printable characters.",
            "Use a fresh UUID for each thing you do.",
        )
    known = _earlier_answer(user, key, body_sha256)
    if known is not None:
        return known
    try:
        with transaction.atomic():
            with transaction.atomic():
                claim = Answer.objects.create(user=user, key=key, body_sha256=body_sha256, created_at=now)
            reply = work()
            Answer.objects.filter(pk=claim.pk).update(
                status=reply.status, body=reply.body, headers=reply.headers
            )
            return reply
    except IntegrityError:
        # Only a clash on the key is ours to answer; anything else is a fault and goes on up.
        known = _earlier_answer(user, key, body_sha256)
        if known is None:
            raise
        return known


def _earlier_answer(user: User, key: str, body_sha256: str) -> Reply | None:
    row = Answer.objects.filter(user=user, key=key).first()
    if row is None:
        return None
    if row.body_sha256 != body_sha256:
        raise Conflict(
            "Idempotency-Key",
            "key-used-before",
            "This key was used for another request.",
            "Use a fresh key for each thing you do; the same key only to repeat the very same request.",
        )
    return Reply(row.status, row.body, row.headers, repeated=True)


def prune(*, now: datetime) -> int:
    """Forget answers older than `KEPT_FOR`. Returns how many."""
    return Answer.objects.filter(created_at__lt=now - KEPT_FOR).delete()[0]
