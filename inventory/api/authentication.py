"""Who asks: a signed-in person (session, CSRF enforced) or a program with a token."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, TypeVar

from django.contrib.auth.models import AnonymousUser
from django.db import connection
from django.db.models import Model, Q
from django.http import Http404
from django.utils import timezone
from rest_framework import exceptions
from rest_framework.authentication import BaseAuthentication, SessionAuthentication
from rest_framework.request import Request

from inventory.access import Caller, enter
from inventory.api.problems import CHALLENGE
from inventory.models import ApiToken, Lab, User

M = TypeVar("M", bound=Model)
USE_NOTED_EVERY = timedelta(minutes=1)
PREFIX_LENGTH_MAX = 16


@dataclass(frozen=True)
class Grant:
    """A token that has been checked, with its owner's role in its lab ("" when no longer a member)."""

    token: ApiToken
    role: str


# Every request of a program asks this, so it is one statement, written out: see `selectors.shelf`.
_LOOK_UP = """
SELECT t.id, t.prefix, t.hashed_key, t.name, t.scope, t.expiry_date, t.last_used_at, t.user_id, t.lab_id,
       u.id, u.username, u.first_name, u.last_name, u.is_active,
       l.id, l.slug, l.name, l.time_zone, l.due_soon_days, l.policy_id, m.role
FROM inventory_apitoken t
JOIN inventory_user u ON u.id = t.user_id
JOIN inventory_lab l ON l.id = t.lab_id
LEFT JOIN inventory_membership m ON m.user_id = t.user_id AND m.lab_id = t.lab_id
WHERE t.prefix = %s AND NOT t.revoked
"""
_FIELDS: dict[type[Model], tuple[str, ...]] = {
    ApiToken: (
        "id", "prefix", "hashed_key", "name", "scope", "expiry_date", "last_used_at", "user_id", "lab_id",
    ),
    User: ("id", "username", "first_name", "last_name", "is_active"),
    Lab: ("id", "slug", "name", "time_zone", "due_soon_days", "policy_id"),
}  # fmt: skip


def _loaded(kind: type[M], values: Sequence[Any], **more: Any) -> M:
    """A record with only these columns read; the others load when they are asked for."""
    found = dict(zip(_FIELDS[kind], values, strict=True)) | more
    names = [field.attname for field in kind._meta.concrete_fields if field.attname in found]
    return kind.from_db("default", names, [found[name] for name in names])


def _aware(value: Any) -> datetime | None:
    """A moment as the driver gives it, in UTC: SQLite's come without a zone."""
    if value is None:
        return None
    found = datetime.fromisoformat(value) if isinstance(value, str) else value
    assert isinstance(found, datetime)
    return found if found.tzinfo else found.replace(tzinfo=UTC)


def token_find(secret: str) -> Grant | None:
    """The usable token behind a secret, with its person, lab and role, in one query."""
    prefix = secret.partition(".")[0]
    if not prefix or len(prefix) > PREFIX_LENGTH_MAX or not secret.isascii() or "\x00" in secret:
        return None
    with connection.cursor() as cursor:
        cursor.execute(_LOOK_UP, [prefix])
        row = cursor.fetchone()
    if row is None or not ApiToken.objects.key_generator.verify(secret, row[2]):
        return None
    moments = {"expiry_date": _aware(row[5]), "last_used_at": _aware(row[6])}
    token = _loaded(ApiToken, row[:9], **moments, revoked=False)
    token.user, token.lab = _loaded(User, row[9:14]), _loaded(Lab, row[14:20])
    if token.has_expired or not token.user.is_active:
        return None
    return Grant(token, row[20] or "")


def note_use(token: ApiToken, now: datetime) -> None:
    """Keep when a token was last used, at most once a minute."""
    last = token.last_used_at
    if last is None or now - last >= USE_NOTED_EVERY:
        older = Q(last_used_at=None) | Q(last_used_at__lte=now - USE_NOTED_EVERY)
        ApiToken.objects.filter(older, pk=token.pk).update(last_used_at=now)


class TokenAuthentication(BaseAuthentication):
    """`Authorization: Bearer <token>`; a token that cannot be used is refused, never passed over."""

    def authenticate(self, request: Request) -> tuple[User, Grant] | None:
        scheme, _, secret = request.headers.get("Authorization", "").partition(" ")
        if scheme.lower() != "bearer":
            return None
        grant = token_find(secret.strip())
        if grant is None:
            raise exceptions.AuthenticationFailed("This token is not known, has ended or was revoked.")
        note_use(grant.token, timezone.now())
        return grant.token.user, grant

    def authenticate_header(self, request: Request) -> str:
        return CHALLENGE


class PersonAuthentication(SessionAuthentication):
    """The session of the pages; every write needs the CSRF token too."""


def caller_for(user: User | AnonymousUser, grant: Any, slug: str) -> Caller:
    """Let whoever asks into a lab, or raise 404. A token opens only the lab it was made for."""
    if not isinstance(grant, Grant):
        return enter(user, slug)
    lab = grant.token.lab
    if lab.slug != slug or not grant.role:
        raise Http404
    return Caller(user=grant.token.user, lab=lab, role=grant.role, token=grant.token)
