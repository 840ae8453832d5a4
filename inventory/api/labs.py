"""Labs, the people in them, tokens, locations and policies."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from django.db.models import F, Q
from django.http import Http404, HttpResponse
from rest_framework import serializers

from inventory.access import labs_of
from inventory.api.authentication import Grant
from inventory.api.base import ApiView, Contract, LabView
from inventory.api.fields import Body, ClockField, InstantField, NoteField, RefField, TextField
from inventory.api.idempotency import Done, changed
from inventory.api.paging import Key, orderings, page
from inventory.api.params import paging
from inventory.api.replies import check_if_match
from inventory.api.shapes import (
    LabMineShape,
    MemberShape,
    MeShape,
    TokenMadeShape,
    TokenShape,
)
from inventory.api.shapes_reach import LabDetailShape
from inventory.models import ApiToken, Lab, Membership, Policy, User
from inventory.rules.errors import InputError
from inventory.rules.roles import ROLES, SCOPES
from inventory.services import labs
from inventory.services.delivery.reach import reach_of
from inventory.services.importing import lock_lab
from inventory.services.lab_editing import lab_edit

LAB_COLUMNS = (
    "id", "slug", "name", "time_zone", "emergency_text", "contact", "due_soon_days", "escalate_after_hours",
    "digest_at", "policy__key", "policy__name", "created_at",
)  # fmt: skip
BY_ID = orderings(id=Key("id", "int"))
BY_NAME = orderings(name=Key("name", "str"))
LOCATION_KINDS = ["room", "cabinet", "shelf", "fridge", "other"]


def lab_out(row: Any) -> dict[str, Any]:
    """One row of `LAB_COLUMNS`."""
    found = dict(zip(LAB_COLUMNS, row, strict=True))
    policy = {"key": found.pop("policy__key"), "name": found.pop("policy__name")}
    return {**found, "id": str(found["id"]), "policy": policy, "digest_at": f"{found['digest_at']:%H:%M}"}


class Me(ApiView):
    """Who asks."""

    contracts = {"GET": Contract("", MeShape, "Who I am, and in which labs", tagged=True)}

    def get(self, request: Any) -> HttpResponse:
        self.query  # noqa: B018 - refuses parameters
        user, grant = request.user, request.auth
        token = grant.token if isinstance(grant, Grant) else None
        held = Membership.objects.filter(user=user, lab__in=labs_of(user, token)).order_by("lab__slug")
        return self.detail(
            {
                "id": str(user.pk),
                "username": user.username,
                "name": user.display_name,
                "labs": list(held.values("role", slug=F("lab__slug"), name=F("lab__name"))),
                "token": None if token is None else _token_ref(token),
            }
        )


def _token_ref(token: ApiToken) -> dict[str, Any]:
    return {
        "id": token.prefix,
        "name": token.name,
        "scope": token.scope,
        "lab": token.lab.slug,
        "expires_at": token.expiry_date,
    }


class Labs(ApiView):
    """The labs that the caller belongs to."""

    contracts = {
        "GET": Contract("", LabMineShape, "My labs", params=paging(BY_ID), paged=True),
    }

    def get(self, request: Any) -> HttpResponse:
        given, grant = self.query, request.auth
        token = grant.token if isinstance(grant, Grant) else None
        mine = labs_of(request.user, token)
        columns = [*LAB_COLUMNS, "memberships__role"]
        rows = mine.filter(memberships__user=request.user)
        body = page(
            request._request,
            rows,
            keys=BY_ID[given.get("ordering", "id")],
            columns=columns,
            given=given,
            shape=lambda row: {**lab_out(row[:-1]), "role": row[-1]},
        )
        return self.listing(body)


class LabChange(Body):
    name = TextField(max_length=120, required=False)
    time_zone = TextField(max_length=64, required=False)
    emergency_text = NoteField()
    contact = NoteField(max_length=200)
    due_soon_days = serializers.IntegerField(min_value=0, max_value=365, required=False)
    escalate_after_hours = serializers.IntegerField(
        min_value=1, max_value=720, required=False, help_text="More than before needs a reason."
    )
    digest_at = ClockField(required=False, help_text="In the lab's own time zone.")
    policy = RefField(required=False, help_text="Key of a policy.")
    reason = NoteField(
        max_length=500, help_text="Needed with a policy that is looser in any way, and with a longer wait."
    )


class LabDetail(LabView):
    """One lab."""

    contracts = {
        "GET": Contract("lab.read", LabDetailShape, "One lab", tagged=True),
        "PATCH": Contract("lab.edit", LabDetailShape, "Change a lab", body=LabChange, tagged=True),
    }

    def shown(self) -> dict[str, Any]:
        lab = lab_out(Lab.objects.filter(pk=self.caller.lab.pk).values_list(*LAB_COLUMNS).get())
        reach = reach_of(self.caller.lab)
        said = {"reaches_somebody": reach.reaches_somebody, "warnings": list(reach.warnings)}
        told = {name: value for name, value in asdict(reach).items() if name != "stewards_with_address"}
        return {**lab, "escalation": {**told, **said}}

    def get(self, request: Any, lab: str) -> HttpResponse:
        self.query  # noqa: B018 - refuses parameters
        return self.detail(self.shown())

    def patch(self, request: Any, lab: str) -> HttpResponse:
        return self.write(self.change)

    def change(self, data: Any) -> Done:
        policy = None
        if "policy" in data:
            self.caller.require("policy.set")
            policy = _policy_named(self.caller.lab, data.pop("policy"))
        reason = data.pop("reason", "")
        held = lock_lab(self.caller.lab)
        check_if_match(self.request._request, self.shown())
        lab_edit(**{**self.by, "lab": held}, changes=data, policy=policy, reason=reason)
        return changed(self.shown())


def _policy_named(lab: Lab, key: str) -> Policy:
    found = Policy.objects.filter(Q(lab=lab) | Q(lab=None), key=key).order_by("lab_id").last()
    if found is None:
        raise InputError("policy", "unknown-policy", "There is no such policy.", "See policies/.")
    return found


class MemberPut(Body):
    username = TextField(max_length=150)
    role = serializers.ChoiceField(ROLES)
    initials = NoteField(max_length=12)


MEMBER_COLUMNS = (
    "id",
    "user__username",
    "user__first_name",
    "user__last_name",
    "role",
    "initials",
    "joined_at",
)


def member_out(row: Any) -> dict[str, Any]:
    pk, username, first, last, role, initials, joined_at = row
    return {
        "id": str(pk),
        "username": username,
        "name": f"{first} {last}".strip() or username,
        "role": role,
        "initials": initials,
        "joined_at": joined_at,
    }


class Members(LabView):
    """The people of a lab and their roles."""

    contracts = {
        "GET": Contract("people.read", MemberShape, "People of the lab", params=paging(BY_ID), paged=True),
        "POST": Contract("people.edit", MemberShape, "Give a person a role", body=MemberPut, status=201),
    }

    def get(self, request: Any, lab: str) -> HttpResponse:
        given = self.query
        rows = Membership.objects.filter(lab=self.caller.lab)
        keys = BY_ID[given.get("ordering", "id")]
        return self.listing(
            page(request._request, rows, keys=keys, columns=MEMBER_COLUMNS, given=given, shape=member_out)
        )

    def post(self, request: Any, lab: str) -> HttpResponse:
        def work(data: Any) -> Done:
            # Of others it is not told whether they exist; they come in by their own will, with a link.
            known = User.objects.filter(memberships__lab__memberships__user=self.caller.user)
            user = known.filter(username=data["username"], is_active=True).first()
            if user is None:
                raise InputError(
                    "username",
                    "unknown-person",
                    "Nobody who shares a lab with you signs in by that name.",
                    "Send an invitation link.",
                )
            made = labs.member_add(**self.by, user=user, role=data["role"], initials=data.get("initials", ""))
            row = Membership.objects.filter(pk=made.pk).values_list(*MEMBER_COLUMNS).get()
            return Done(member_out(row))

        return self.write(work)


class TokenMake(Body):
    name = TextField(max_length=50)
    scope = serializers.ChoiceField(SCOPES)
    expires_at = InstantField(required=False, allow_null=True)


def token_out(token: ApiToken) -> dict[str, Any]:
    return {
        "id": token.prefix,
        "name": token.name,
        "scope": token.scope,
        "username": token.user.username,
        "created_at": token.created,
        "expires_at": token.expiry_date,
        "last_used_at": token.last_used_at,
        "revoked": token.revoked,
    }


BY_PREFIX = {"id": [Key("prefix", "str")], "-id": [Key("prefix", "str", True)]}


class Tokens(LabView):
    """A person's own tokens; a supervisor sees everyone's."""

    contracts = {
        "GET": Contract("tokens.own", TokenShape, "API tokens", params=paging(BY_PREFIX), paged=True),
        "POST": Contract("tokens.own", TokenMadeShape, "Make an API token", body=TokenMake, status=201),
    }

    def get(self, request: Any, lab: str) -> HttpResponse:
        given = self.query
        rows = ApiToken.objects.filter(lab=self.caller.lab)
        if not self.caller.may("tokens.edit"):
            rows = rows.filter(user=self.caller.user)
        keys = BY_PREFIX[given.get("ordering", "id")]
        columns = (
            "prefix",
            "name",
            "scope",
            "user__username",
            "created",
            "expiry_date",
            "last_used_at",
            "revoked",
        )
        names = ("id", "name", "scope", "username", "created_at", "expires_at", "last_used_at", "revoked")
        return self.listing(
            page(
                request._request,
                rows,
                keys=keys,
                columns=columns,
                given=given,
                shape=lambda row: dict(zip(names, row, strict=True)),
            )
        )

    def post(self, request: Any, lab: str) -> HttpResponse:
        def work(data: Any) -> Done:
            expires_at = data.get("expires_at")
            token, secret = labs.token_create(
                **self.by, name=data["name"], scope=data["scope"], expires_at=expires_at
            )
            return Done(token_out(token), once_only={"secret": secret})

        return self.write(work)


class Nothing(Body):
    """No fields."""


class TokenRevocations(LabView):
    """A token ends at once and for good."""

    contracts = {
        "POST": Contract("tokens.own", TokenShape, "Revoke a token", body=Nothing, status=201),
    }

    def post(self, request: Any, lab: str, prefix: str) -> HttpResponse:
        token = (
            ApiToken.objects.select_related("user", "lab").filter(lab=self.caller.lab, prefix=prefix).first()
        )
        if token is None or (token.user_id != self.caller.user.pk and not self.caller.may("tokens.edit")):
            raise Http404

        def work(data: Any) -> Done:
            labs.token_revoke(token=token, actor=self.caller.user, now=self.now)
            return Done(token_out(token))

        return self.write(work)
