"""How a person is told: their mail, and secret addresses of calendars and Atom feeds."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.http import Http404, HttpResponse
from rest_framework import serializers

from inventory.api.base import Contract, LabView
from inventory.api.fields import Body, FlagField, NoteField
from inventory.api.idempotency import Done, changed
from inventory.api.labs import Nothing
from inventory.api.paging import Key, orderings, page
from inventory.api.params import paging
from inventory.api.replies import check_if_match
from inventory.api.shapes_delivery import FeedMadeShape, FeedShape, MailChoiceShape
from inventory.models import Feed, Membership
from inventory.rules.telling import SEVERITY_MAX
from inventory.selectors.site import site_of
from inventory.services.delivery import feeds
from inventory.services.delivery.choices import ADDRESS_LENGTH_MAX, choice_of, choose, mail_words

BY_ID = orderings(id=Key("id", "int"))


class MailChoiceChange(Body):
    email = NoteField(max_length=ADDRESS_LENGTH_MAX, help_text="Empty: no mail at all.")
    at_once_severity = serializers.IntegerField(
        min_value=0,
        max_value=SEVERITY_MAX,
        required=False,
        help_text="Alerts as grave as this or worse (1 is worst) come at once; 0: none.",
    )
    digest = FlagField(required=False)


class OwnMailChoice(LabView):
    """Which mail the caller gets from this lab. The address is the same in all labs of a person."""

    contracts = {
        "GET": Contract("mail.own", MailChoiceShape, "My mail", tagged=True),
        "PATCH": Contract(
            "mail.own", MailChoiceShape, "Choose my mail", body=MailChoiceChange, tagged=True,
            words="Supervisors get what nobody has answered by mail whatever they choose.",
        ),
    }  # fmt: skip

    def shown(self) -> dict[str, Any]:
        lab = self.caller.lab
        held = choice_of(lab=lab, user=self.caller.user)
        return {
            "email": held.email,
            "at_once_severity": held.at_once_severity,
            "digest": held.digest,
            "digest_at": f"{lab.digest_at:%H:%M}",
            "by_role": held.by_role,
            "server_sends_mail": settings.STILLKEEP_SENDS_MAIL,
            "words": mail_words(held.email, held.confirmed),
        }

    def get(self, request: Any, lab: str) -> HttpResponse:
        self.query  # noqa: B018 - refuses parameters
        return self.detail(self.shown())

    def patch(self, request: Any, lab: str) -> HttpResponse:
        def work(data: Any) -> Done:
            Membership.objects.select_for_update().get(lab=self.caller.lab, user=self.caller.user)
            check_if_match(self.request._request, self.shown())
            choose(**self.by, changes=data)
            return changed(self.shown())

        return self.write(work)


# -- feeds


class FeedMake(Body):
    kind = serializers.ChoiceField(feeds.KINDS)
    name = NoteField(max_length=80)


FEED_COLUMNS = (
    "id", "kind", "name", "user__username", "prefix", "created_at", "last_read_at", "revoked_at",
)  # fmt: skip


def feed_out(row: Any) -> dict[str, Any]:
    """One row of `FEED_COLUMNS`."""
    pk, kind, name, username, prefix, created_at, last_read_at, revoked_at = row
    return {
        "id": str(pk),
        "kind": kind,
        "name": name,
        "username": username,
        "starts_with": prefix,
        "created_at": created_at,
        "last_read_at": last_read_at,
        "revoked_at": revoked_at,
    }


def _shown(pk: int) -> dict[str, Any]:
    return feed_out(Feed.objects.filter(pk=pk).values_list(*FEED_COLUMNS).get())


class Feeds(LabView):
    """A person's own calendar and Atom addresses; a supervisor sees everyone's, without the secrets."""

    contracts = {
        "GET": Contract("feeds.own", FeedShape, "Feeds", params=paging(BY_ID), paged=True),
        "POST": Contract(
            "feeds.own", FeedMadeShape, "Make a feed", body=FeedMake, status=201,
            words="Whoever has the address may read the feed, without signing in, until it is revoked.",
        ),
    }  # fmt: skip

    def get(self, request: Any, lab: str) -> HttpResponse:
        given = self.query
        rows = Feed.objects.filter(lab=self.caller.lab)
        if not self.caller.may("tokens.edit"):
            rows = rows.filter(user=self.caller.user)
        keys = BY_ID[given.get("ordering", "id")]
        return self.listing(
            page(request._request, rows, keys=keys, columns=FEED_COLUMNS, given=given, shape=feed_out)
        )

    def post(self, request: Any, lab: str) -> HttpResponse:
        def work(data: Any) -> Done:
            feed, secret = feeds.feed_add(**self.by, kind=data["kind"], name=data.get("name", ""))
            site = site_of(request._request)
            url = feeds.feed_address(site=site, kind=feed.kind, secret=secret)
            return Done(_shown(feed.pk), once_only={"url": url})

        return self.write(work)


class FeedRevocations(LabView):
    """A feed's address ends at once and for good."""

    contracts = {"POST": Contract("feeds.own", FeedShape, "Revoke a feed", body=Nothing, status=201)}

    def post(self, request: Any, lab: str, feed: str) -> HttpResponse:
        found = self.caller.by_id(Feed.objects.all(), feed)
        if found.user_id != self.caller.user.pk and not self.caller.may("tokens.edit"):
            raise Http404

        def work(data: Any) -> Done:
            feeds.feed_revoke(**self.by, feed=found)
            return Done(_shown(found.pk))

        return self.write(work)
