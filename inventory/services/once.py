"""Nothing is done twice: the first answer to a client-made key is kept and given again."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from django.db import connection, transaction

from inventory.models import Answer, User
from inventory.rules.errors import Conflict, InputError
from inventory.rules.phrases import Phrase

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
            Phrase(
                "The key must be 1 to {key_length_max} printable characters.", key_length_max=KEY_LENGTH_MAX
            ),
            Phrase("Use a fresh UUID for each thing you do."),
        )
    with transaction.atomic():
        claim_id = _claim(user, key, body_sha256, now)
        if claim_id is not None:
            reply = work()
            _keep(claim_id, reply)
            return reply
        known = _earlier_answer(user, key, body_sha256)
    if known is None:
        raise RuntimeError("a key was taken, but its answer is gone: it was pruned this very moment")
    return known


def _claim(user: User, key: str, body_sha256: str, now: datetime) -> int | None:
    """The id of a new row for the key; None when it was used, after waiting for whoever is using it now."""
    with connection.cursor() as cursor:
        cursor.execute(
            "INSERT INTO inventory_answer (user_id, key, body_sha256, status, headers, created_at) "
            "VALUES (%s, %s, %s, 0, '{}', %s) ON CONFLICT (user_id, key) DO NOTHING RETURNING id",
            [user.pk, key, body_sha256, connection.ops.adapt_datetimefield_value(now)],
        )
        row = cursor.fetchone()
    return None if row is None else row[0]


def _keep(claim_id: int, reply: Reply) -> None:
    as_json = connection.ops.adapt_json_value
    body = None if reply.body is None else as_json(reply.body, None)
    with connection.cursor() as cursor:
        cursor.execute(
            "UPDATE inventory_answer SET status = %s, body = %s, headers = %s WHERE id = %s",
            [reply.status, body, as_json(reply.headers, None), claim_id],
        )


def _earlier_answer(user: User, key: str, body_sha256: str) -> Reply | None:
    row = Answer.objects.filter(user=user, key=key).first()
    if row is None:
        return None
    if row.body_sha256 != body_sha256:
        raise Conflict(
            "Idempotency-Key",
            "key-used-before",
            Phrase("This key was used for another request."),
            Phrase(
                "Use a fresh key for each thing you do; the same key only to repeat the very same request."
            ),
        )
    return Reply(row.status, row.body, row.headers, repeated=True)


def words_of(*, user: User, key: str) -> str | None:
    """What a page answered to a key of this person; None where nothing was carried out under it."""
    row = Answer.objects.filter(user=user, key=key[:KEY_LENGTH_MAX]).exclude(status=0).first()
    return None if row is None or not isinstance(row.body, dict) else str(row.body.get("words", ""))


def prune(*, now: datetime) -> int:
    """Forget answers older than `KEPT_FOR`. Returns how many."""
    return Answer.objects.filter(created_at__lt=now - KEPT_FOR).delete()[0]
