"""The one door: every object is reached through a caller who is known in its lab. A stranger gets 404."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeVar
from uuid import UUID

from django.contrib.auth.models import AnonymousUser
from django.db.models import Model, QuerySet
from django.http import Http404

from inventory.models import ApiToken, Lab, Membership, User
from inventory.rules.errors import Denied
from inventory.rules.phrases import Phrase
from inventory.rules.roles import SCOPE_PERMISSIONS, allowed

M = TypeVar("M", bound=Model)
LARGEST_ID = 2**63 - 1


@dataclass(frozen=True)
class Caller:
    """A person in a lab, perhaps through a program's token, and what they may do there."""

    user: User
    lab: Lab
    role: str
    token: ApiToken | None = None

    @property
    def permissions(self) -> frozenset[str]:
        return allowed(self.role, self.token.scope if self.token else None)

    def may(self, permission: str) -> bool:
        return permission in self.permissions

    def require(self, permission: str) -> None:
        """Raises Denied (403) when the caller, known here, may not do this."""
        if self.may(permission):
            return
        if self.token and permission in allowed(self.role, None):
            wide = any(permission in held for held in SCOPE_PERMISSIONS.values())
            raise Denied(
                "",
                "scope-too-narrow",
                Phrase("A token with scope “{scope}” may not do this.", scope=self.token.scope),
                Phrase("Use a token with a wider scope.")
                if wide
                else Phrase("No token may: sign in and do it yourself."),
            )
        raise Denied(
            "",
            "not-allowed",
            Phrase("The role “{role}” may not do this.", role=self.role),
            Phrase("Ask a supervisor."),
        )

    def one(self, objects: QuerySet[M], **lookup: Any) -> M:
        """The one object of this lab that fits, or 404. `objects` must have a `lab`."""
        found = objects.filter(lab=self.lab, **lookup).first()
        if found is None:
            raise Http404
        return found

    def by_id(self, objects: QuerySet[M], ref: str) -> M:
        """The object of this lab with that id as written in an address, or 404."""
        if not ref.isascii() or not ref.isdigit() or len(ref) > 19 or int(ref) > LARGEST_ID:
            raise Http404
        return self.one(objects, pk=int(ref))


def enter(user: User | AnonymousUser, slug: str, token: ApiToken | None = None) -> Caller:
    """Let a signed-in person into a lab they belong to, or raise 404 as if it did not exist.

    A token opens only the lab it was made for.
    """
    if not user.is_authenticated:
        raise Http404
    held = (
        Membership.objects.select_related("lab__policy")
        .filter(user_id=user.pk, lab__slug=slug, user__is_active=True)
        .first()
    )
    if held is None or (token is not None and token.lab_id != held.lab_id):
        raise Http404
    return Caller(user=user, lab=held.lab, role=held.role, token=token)


def labs_of(user: User, token: ApiToken | None = None) -> QuerySet[Lab]:
    """The labs a person may enter (through a token: the one it was made for)."""
    labs = Lab.objects.filter(memberships__user=user).order_by("id")
    return labs if token is None else labs.filter(pk=token.lab_id)


def entry_id(ref: str) -> UUID:
    """A movement entry's id as written in an address, or 404."""
    try:
        return UUID(ref)
    except ValueError as error:
        raise Http404 from error
