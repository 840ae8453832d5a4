"""Leaving a lab, and the one-time links by which people come in."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.http import HttpResponse
from django.urls import reverse
from rest_framework import serializers

from inventory.api.base import Contract, LabView
from inventory.api.fields import Body
from inventory.api.idempotency import Done
from inventory.api.labs import MEMBER_COLUMNS, Nothing, member_out
from inventory.api.lookup import is_id
from inventory.api.paging import Key, orderings, page
from inventory.api.params import paging
from inventory.api.shapes import MemberShape
from inventory.api.shapes_running import InvitationMadeShape, InvitationShape
from inventory.models import EntryLink, Event, Membership
from inventory.rules.roles import ROLES
from inventory.selectors.site import site_of
from inventory.services import labs

BY_ID = orderings(id=Key("id", "int"))
LINK_COLUMNS = ("id", "role", "created_at", "expires_at", "used_at", "used_by__username")


class InvitationMake(Body):
    role = serializers.ChoiceField(ROLES)


def invitation_out(row: Any, now: datetime) -> dict[str, Any]:
    """One row of `LINK_COLUMNS`."""
    found = dict(zip(LINK_COLUMNS, row, strict=True))
    is_over = found["expires_at"] <= now
    state = "used" if found["used_at"] is not None else "ended" if is_over else "open"
    return {**found, "id": str(found["id"]), "used_by": found.pop("used_by__username"), "state": state}


class MemberRemovals(LabView):
    """A person leaves the lab: their tokens and feeds of it end, what they did stays on record."""

    contracts = {
        "POST": Contract("people.edit", MemberShape, "Let a person leave the lab", body=Nothing, status=201)
    }

    def post(self, request: Any, lab: str, person: str) -> HttpResponse:
        found = self._at(person)

        def work(data: Any) -> Done:
            row = Membership.objects.filter(pk=found.pk).values_list(*MEMBER_COLUMNS).first()
            labs.member_remove(**self.by, member=found)
            return Done(member_out(row))

        return self.write(work)

    def _at(self, ref: str) -> Membership:
        """One who has left already is found too: the same request, sent twice, gets the same answer."""
        told = Event.objects.filter(lab=self.caller.lab, verb="member-removed", subject_kind="membership")
        if is_id(ref) and told.filter(subject_id=int(ref)).exists():
            return Membership(pk=int(ref), lab=self.caller.lab)
        return self.caller.by_id(Membership.objects.all(), ref)


class InvitationView(LabView):
    def shown(self, pk: int) -> dict[str, Any]:
        return invitation_out(EntryLink.objects.filter(pk=pk).values_list(*LINK_COLUMNS).get(), self.now)


class Invitations(InvitationView):
    """One-time links into the lab, used, ended and still open."""

    contracts = {
        "GET": Contract("people.read", InvitationShape, "Invitations", params=paging(BY_ID), paged=True),
        "POST": Contract(
            "people.edit", InvitationMadeShape, "Make an invitation", body=InvitationMake, status=201,
            words="Whoever has the address joins the lab with that role, once.",
        ),
    }  # fmt: skip

    def get(self, request: Any, lab: str) -> HttpResponse:
        given, now = self.query, self.now
        rows, keys = EntryLink.objects.filter(lab=self.caller.lab), BY_ID[given.get("ordering", "id")]
        return self.listing(
            page(
                request._request,
                rows,
                keys=keys,
                columns=LINK_COLUMNS,
                given=given,
                shape=lambda row: invitation_out(row, now),
            )
        )

    def post(self, request: Any, lab: str) -> HttpResponse:
        def work(data: Any) -> Done:
            link, secret = labs.invitation_create(**self.by, role=data["role"])
            url = f"{site_of(request._request)}{reverse('enter', args=[secret])}"
            return Done(self.shown(link.pk), once_only={"url": url})

        return self.write(work)


class InvitationRevocations(InvitationView):
    """A link that nobody has used ends at once."""

    contracts = {
        "POST": Contract("people.edit", InvitationShape, "Withdraw an invitation", body=Nothing, status=201)
    }

    def post(self, request: Any, lab: str, invitation: str) -> HttpResponse:
        found = self.caller.by_id(EntryLink.objects.all(), invitation)

        def work(data: Any) -> Done:
            labs.invitation_revoke(**self.by, link=found)
            return Done(self.shown(found.pk))

        return self.write(work)
