"""Who asks: a signed-in person (session, CSRF enforced) or a program with a token."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.contrib.auth.models import AnonymousUser
from django.db.models import OuterRef, Q, Subquery
from django.http import Http404
from django.utils import timezone
from rest_framework import exceptions
from rest_framework.authentication import BaseAuthentication, SessionAuthentication
from rest_framework.request import Request

from inventory.access import Caller, enter
from inventory.models import ApiToken, Membership, User

USE_NOTED_EVERY = timedelta(minutes=1)
PREFIX_LENGTH_MAX = 16


@dataclass(frozen=True)
class Grant:
    """A token that has been checked, with its owner's role in its lab ("" when no longer a member)."""

    token: ApiToken
    role: str


def token_find(secret: str) -> Grant | None:
    """The usable token behind a secret, with its person, lab, policy and role, in one query."""
    prefix = secret.partition(".")[0]
    if not prefix or len(prefix) > PREFIX_LENGTH_MAX or not secret.isascii() or "\x00" in secret:
        return None
    role = Membership.objects.filter(user_id=OuterRef("user_id"), lab_id=OuterRef("lab_id")).values("role")
    token = (
        ApiToken.objects.select_related("user", "lab__policy")
        .annotate(owner_role=Subquery(role[:1]))
        .filter(prefix=prefix, revoked=False)
        .first()
    )
    if token is None or not ApiToken.objects.key_generator.verify(secret, token.hashed_key):
        return None
    if token.has_expired or not token.user.is_active:
        return None
    return Grant(token, token.owner_role or "")


def note_use(token: ApiToken, now: datetime) -> None:
    """Keep when a token was last used, at most once a minute."""
    last = token.last_used_at
    if last is None or now - last >= USE_NOTED_EVERY:
        older = Q(last_used_at=None) | Q(last_used_at__lte=now - USE_NOTED_EVERY)
        ApiToken.objects.filter(older, pk=token.pk).update(last_used_at=now)


class TokenAuthentication(BaseAuthentication):
    """`Authorization: Bearer <token>`; a token that cannot be used is refused, never passed over."""

    realm = 'Bearer realm="stillkeep"'

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
        return self.realm


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
