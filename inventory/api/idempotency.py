"""Idempotency-Key on every POST and PATCH: the same request again gives the first answer again."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from django.http import HttpRequest, HttpResponse

from inventory.api.replies import dumps, etag_of, reply
from inventory.models import User
from inventory.rules.errors import InputError
from inventory.services.once import Reply, fingerprint, once

KEY_HEADER = "Idempotency-Key"


@dataclass(frozen=True)
class Done:
    """What a write answers. `once_only` fields go out with the first answer and are kept nowhere."""

    body: Any
    status: int = 201
    headers: Mapping[str, str] = field(default_factory=dict)
    once_only: Mapping[str, str] = field(default_factory=dict)


def changed(body: Any) -> Done:
    """What a PATCH answers: the record as it is now, with its entity tag."""
    return Done(body, 200, {"ETag": etag_of(dumps(body))})


def do_once(
    request: HttpRequest, user: User, raw: bytes, now: datetime, work: Callable[[], Done]
) -> HttpResponse:
    """Do `work` under the key of the request, or repeat the answer that it got before.

    Raises InputError when the key is missing (400), Conflict when it was used for another request (409).
    """
    key = request.headers.get(KEY_HEADER, "")
    if not key:
        raise InputError(
            KEY_HEADER,
            "key-missing",
            "Every write needs a key, so that a repeated request is not carried out twice.",
            "Send a fresh UUID in the header Idempotency-Key, the same one when you repeat.",
        )
    first: list[Done] = []

    def kept() -> Reply:
        done = work()
        first.append(done)
        # Kept as text, so that a repeated answer has the same bytes on every database.
        return Reply(done.status, dumps(done.body).decode(), dict(done.headers))

    digest = fingerprint((request.method or "").encode(), request.path.encode(), raw)
    given = once(user=user, key=key, body_sha256=digest, now=now, work=kept)
    content = given.body.encode()
    if not given.repeated and first[-1].once_only:
        content = dumps({**first[-1].body, **first[-1].once_only})
    response = reply(content, given.status)
    for name, value in given.headers.items():
        response[name] = value
    if given.repeated:
        response["Idempotency-Replayed"] = "true"
    return response
