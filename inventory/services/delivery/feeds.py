"""Secret addresses of calendars and Atom feeds: made, found by their secret, revoked."""

from __future__ import annotations

import hashlib
import secrets
from datetime import datetime, timedelta

from django.db import transaction
from django.db.models import Q

from inventory.models import Feed, Lab, User
from inventory.rules.errors import Conflict, InputError
from inventory.rules.phrases import Phrase
from inventory.rules.roles import allowed
from inventory.services.events import record

KINDS = ("calendar", "atom")
FILES = {"calendar": "calendar.ics", "atom": "alerts.atom"}
NEEDS = {"calendar": "safety.read", "atom": "alerts.read"}
FEEDS_MAX = 20
READ_NOTED_EVERY = timedelta(hours=1)
SECRET_LENGTH_MAX = 100


def feed_add(*, lab: Lab, actor: User, now: datetime, kind: str, name: str = "") -> tuple[Feed, str]:
    """Make a feed. Returns it with its secret, which is shown this once and not kept."""
    if kind not in KINDS:
        raise InputError(
            "kind",
            "unknown-kind",
            Phrase("“{kind}” is no kind of feed.", kind=kind),
            Phrase("Use {known}.", known=" or ".join(KINDS)),
        )
    secret = secrets.token_urlsafe(32)
    with transaction.atomic():
        if Feed.objects.filter(lab=lab, user=actor, revoked_at=None).count() >= FEEDS_MAX:
            raise Conflict(
                "",
                "too-many",
                Phrase("A person has at most {feeds_max} feeds.", feeds_max=FEEDS_MAX),
                Phrase("Revoke one first."),
            )
        feed = Feed.objects.create(
            lab=lab, user=actor, kind=kind, name=name.strip(), secret_sha256=_digest(secret),
            prefix=secret[:8], created_at=now,
        )  # fmt: skip
        data = {"kind": kind, "prefix": feed.prefix}
        record(lab=lab, actor=actor, now=now, verb="feed-added", subject=feed, data=data)
    return feed, secret


def feed_address(*, site: str, kind: str, secret: str) -> str:
    """Where a feed is read. site: under which address this place is reached."""
    return f"{site}/feeds/{secret}/{FILES[kind]}"


def feed_revoke(*, lab: Lab, actor: User, now: datetime, feed: Feed) -> Feed:
    """End a feed at once and for good."""
    with transaction.atomic():
        if not Feed.objects.filter(pk=feed.pk, revoked_at=None).update(revoked_at=now):
            raise Conflict("feed", "already-revoked", Phrase("This feed has ended already."))
        data = {"kind": feed.kind, "prefix": feed.prefix}
        record(lab=lab, actor=actor, now=now, verb="feed-revoked", subject=feed, data=data)
    feed.revoked_at = now
    return feed


def feed_find(*, secret: str, kind: str, now: datetime) -> Feed | None:
    """The feed behind a secret while it stands and its owner may still read; notes that it was read."""
    if len(secret) > SECRET_LENGTH_MAX:
        return None
    standing = Feed.objects.select_related("lab", "user").filter(
        secret_sha256=_digest(secret), kind=kind, revoked_at=None, user__is_active=True
    )
    feed = standing.first()
    if feed is None:
        return None
    member = feed.user.memberships.filter(lab=feed.lab).first()
    if member is None or NEEDS[kind] not in allowed(member.role, None):
        return None
    stale = Q(last_read_at=None) | Q(last_read_at__lt=now - READ_NOTED_EVERY)
    Feed.objects.filter(stale, pk=feed.pk).update(last_read_at=now)
    return feed


def _digest(secret: str) -> str:
    return hashlib.sha256(secret.encode("utf-8", "surrogatepass")).hexdigest()
