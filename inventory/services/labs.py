"""Labs, the people in them, and the ways in: one-time links and API tokens."""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any, cast
from zoneinfo import available_timezones

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Q
from django.utils.text import slugify

from inventory.models import (
    BOUNDARIES,
    ApiToken,
    EntryLink,
    Event,
    Feed,
    Lab,
    Membership,
    Place,
    Policy,
    User,
)
from inventory.rules.errors import Conflict, Denied, InputError
from inventory.rules.phrases import Phrase
from inventory.rules.roles import ROLES, SCOPES, scopes_for
from inventory.services.delivery.feeds import feed_revoke
from inventory.services.delivery.webhook_keeping import hold_those_of
from inventory.services.events import record
from inventory.services.policies import policy_set

DEFAULT_POLICY = "cautious-default"
LINK_LIFE = timedelta(days=7)


def lab_create(
    *,
    actor: User,
    now: datetime,
    name: str,
    time_zone: str = "UTC",
    slug: str = "",
    policy: str = "",
    policy_reason: str = "",
    **texts: str,
) -> Lab:
    """Make a lab with all its boundaries; the actor becomes its supervisor.

    policy: key of a shipped policy that was chosen; empty: none was, and the cautious default holds. One that
    is looser than that needs a reason. Raises InputError naming time_zone, name, policy or reason.
    """
    if time_zone not in available_timezones():
        raise InputError(
            "time_zone",
            "unknown-time-zone",
            Phrase("“{time_zone}” is not a time zone.", time_zone=time_zone),
            Phrase("Use a name such as Europe/Berlin."),
        )
    slug = slug or slugify(name)
    if not slug:
        raise InputError(
            "name",
            "name-missing",
            Phrase("The lab needs a name."),
            Phrase("Give it one with letters or digits."),
        )
    if Lab.objects.filter(slug=slug).exists():
        raise Conflict(
            "slug",
            "slug-taken",
            Phrase("There is a lab called “{slug}”.", slug=slug),
            Phrase("Choose another name."),
        )
    cautious = Policy.objects.get(lab=None, key=DEFAULT_POLICY)
    with transaction.atomic():
        lab = Lab.objects.create(name=name, slug=slug, time_zone=time_zone, policy=cautious, **texts)
        Place.objects.bulk_create([Place(lab=lab, kind=kind) for kind in BOUNDARIES])
        Membership.objects.create(user=actor, lab=lab, role="supervisor")
        record(lab=lab, actor=actor, now=now, verb="lab-created", subject=lab, data={"time_zone": time_zone})
        if policy:
            _choose_policy(lab, actor, now, policy, policy_reason)
    return lab


def _choose_policy(lab: Lab, actor: User, now: datetime, key: str, reason: str) -> None:
    """The policy that the set-up names; that somebody chose at all is on record."""
    chosen = Policy.objects.filter(lab=None, key=key).first()
    if chosen is None:
        raise InputError(
            "policy",
            "unknown-policy",
            Phrase("“{key}” is no shipped policy.", key=key),
            Phrase("Choose one that is."),
        )
    if chosen.pk != lab.policy_id:
        policy_set(lab=lab, actor=actor, now=now, policy=chosen, reason=reason)
    data = {"policy": key, "reason": reason.strip()}
    record(lab=lab, actor=actor, now=now, verb="policy-chosen", subject=lab, data=data)


def member_add(
    *, lab: Lab, actor: User, now: datetime, user: User, role: str, initials: str = ""
) -> Membership:
    """Give a person a role in the lab, or change it. The last supervisor cannot step down.

    Who supervises no more loses the invitations they made: the secret of one would let them in again; the
    webhooks they answer for wait for another supervisor.
    """
    if role not in ROLES:
        raise InputError(
            "role",
            "unknown-role",
            Phrase("“{role}” is not a role.", role=role),
            Phrase("Use one of {known}.", known=", ".join(ROLES)),
        )
    with transaction.atomic():
        others = _other_supervisors(lab, user.pk)
        held = Membership.objects.select_for_update().filter(lab=lab, user=user).first()
        before = held.role if held else None
        if before == "supervisor" and role != "supervisor" and not others:
            raise Conflict(
                "role",
                "last-supervisor",
                Phrase("A lab needs a supervisor."),
                Phrase("Make someone else supervisor first."),
            )
        membership, _ = Membership.objects.update_or_create(
            lab=lab, user=user, defaults={"role": role, "initials": initials}
        )
        data = {"user": user.username, "from": before, "to": role}
        record(lab=lab, actor=actor, now=now, verb="role-set", subject=membership, data=data)
        if before == "supervisor" and role != "supervisor":
            _end_invitations_of(user, lab=lab, actor=actor, now=now)
            hold_those_of(lab=lab, person=user, actor=actor, now=now, because="role")
    return membership


def member_remove(*, lab: Lab, actor: User, now: datetime, member: Membership) -> None:
    """Let a person leave the lab: nothing of it is there for them any more; their tokens, feeds and the
    invitations that they made end, the webhooks they answer for wait for another supervisor.

    What they did stays on record under their name. Invited again, they come back without the old tokens.
    Raises Conflict for the last supervisor, and for one who has left already.
    """
    with transaction.atomic():
        others = _other_supervisors(lab, member.user_id)
        held = (
            Membership.objects.select_for_update(of=("self",))
            .select_related("user")
            .filter(lab=lab, pk=member.pk)
            .first()
        )
        if held is None:
            raise Conflict("", "not-a-member", Phrase("This person has left the lab already."))
        if held.role == "supervisor" and not others:
            raise Conflict(
                "",
                "last-supervisor",
                Phrase("A lab needs a supervisor."),
                Phrase("Make someone else supervisor first."),
            )
        person = held.user
        tokens = list(ApiToken.objects.filter(lab=lab, user=person, revoked=False))
        for token in tokens:
            token_revoke(token=token, actor=actor, now=now)
        feeds = list(Feed.objects.filter(lab=lab, user=person, revoked_at=None))
        for feed in feeds:
            feed_revoke(lab=lab, actor=actor, now=now, feed=feed)
        ended = _end_invitations_of(person, lab=lab, actor=actor, now=now)
        data = {"user": person.username, "role": held.role, "tokens": len(tokens), "feeds": len(feeds)}
        data |= {"invitations": ended}
        record(lab=lab, actor=actor, now=now, verb="member-removed", subject=held, data=data)
        held.delete()
        hold_those_of(lab=lab, person=person, actor=actor, now=now, because="left")


def _end_invitations_of(person: User, *, lab: Lab, actor: User, now: datetime) -> int:
    """End the open links that somebody made: they may have kept the secret. Returns how many."""
    made = Event.objects.filter(lab=lab, actor=person, verb="invitation-made", subject_kind="entrylink")
    links = EntryLink.objects.filter(lab=lab, used_at=None, expires_at__gt=now)
    mine = list(links.filter(pk__in=made.values("subject_id")))
    for link in mine:
        invitation_revoke(lab=lab, actor=actor, now=now, link=link)
    return len(mine)


def _other_supervisors(lab: Lab, user_id: int) -> set[int]:
    """Who else supervises the lab and can sign in: two cannot step down at once.

    Their rows and the person's own are locked by one statement in the order of their keys. Locked one after
    the other, three who step down at once could each wait for another: who supervises changes meanwhile.
    """
    who = Q(role="supervisor", user__is_active=True) | Q(user_id=user_id)
    rows = Membership.objects.select_for_update(of=("self",)).filter(who, lab=lab).order_by("pk")
    return {pk for pk in rows.values_list("user_id", flat=True) if pk != user_id}


def invitation_create(*, lab: Lab, actor: User, now: datetime, role: str) -> tuple[EntryLink, str]:
    """Make a one-time link into a lab. Returns the row and its secret, which is not kept."""
    with transaction.atomic():
        link, secret = _link_create(lab, role, now)
        data = {"role": role, "expires_at": link.expires_at.isoformat()}
        record(lab=lab, actor=actor, now=now, verb="invitation-made", subject=link, data=data)
    return link, secret


def invitation_revoke(*, lab: Lab, actor: User, now: datetime, link: EntryLink) -> None:
    """End a link that nobody has used. Raises Conflict when it was used or has ended."""
    with transaction.atomic():
        open_links = EntryLink.objects.filter(pk=link.pk, lab=lab, used_at=None, expires_at__gt=now)
        if not open_links.update(expires_at=now):
            raise Conflict(
                "",
                "link-spent",
                Phrase("This link has been used or has ended."),
                Phrase("Nothing is left to do."),
            )
        data = {"role": link.role, "expired_at": link.expires_at.isoformat()}
        record(lab=lab, actor=actor, now=now, verb="invitation-revoked", subject=link, data=data)


def _link_create(lab: Lab | None, role: str, now: datetime) -> tuple[EntryLink, str]:
    secret = secrets.token_urlsafe(32)
    link = EntryLink.objects.create(
        lab=lab,
        role=role,
        secret_sha256=hashlib.sha256(secret.encode()).hexdigest(),
        created_at=now,
        expires_at=now + LINK_LIFE,
    )
    return link, secret


def setup_link_create(*, now: datetime) -> str | None:
    """Secret of a fresh first-set-up link, or None once anybody can sign in. Older unused ones end."""
    if User.objects.exists():
        return None
    EntryLink.objects.filter(lab=None, used_at=None).update(expires_at=now)
    return _link_create(None, "supervisor", now)[1]


def entry_link_find(*, secret: str, now: datetime) -> EntryLink | None:
    """The link behind a secret while it can still be used."""
    digest = hashlib.sha256(secret.encode()).hexdigest()
    return EntryLink.objects.filter(secret_sha256=digest, used_at=None, expires_at__gt=now).first()


def person_create(*, username: str, password: str, name: str = "") -> User:
    """Make a person who can sign in. Raises InputError naming username or password."""
    username = username.strip()
    if not username:
        raise InputError("username", "missing", Phrase("A sign-in name is needed."), Phrase("Choose one."))
    if User.objects.filter(username__iexact=username).exists():
        raise Conflict(
            "username",
            "taken",
            Phrase("“{username}” is taken.", username=username),
            Phrase("Choose another sign-in name."),
        )
    user = User(username=username, first_name=name.strip()[:150])
    _acceptable("username", lambda: User._meta.get_field("username").run_validators(username))
    _acceptable("password", lambda: validate_password(password, user))
    user.set_password(password)
    user.save()
    return user


def _acceptable(field: str, check: Callable[[], object]) -> None:
    try:
        check()
    except ValidationError as error:
        raise InputError(
            field, "not-acceptable", " ".join(error.messages), Phrase("Choose another.")
        ) from error


def entry_link_use(
    *, secret: str, now: datetime, username: str, password: str, person_name: str = "", **lab_fields: Any
) -> tuple[User, Lab]:
    """Use a one-time link: make the person, and the lab too when this is the first set-up.

    lab_fields: what `lab_create` takes (name, time_zone, policy and so on), for the first set-up.
    """
    with transaction.atomic():
        link = _link_spend(secret, now)
        if link.lab_id is None and User.objects.exists():
            raise InputError(
                "secret", "link-spent", Phrase("Somebody has been set up here already."), Phrase("Sign in.")
            )
        user = person_create(username=username, password=password, name=person_name)
        EntryLink.objects.filter(pk=link.pk).update(used_by=user)
        lab = link.lab or lab_create(actor=user, now=now, **lab_fields)
        if link.lab is not None:
            member_add(lab=lab, actor=user, now=now, user=user, role=link.role)
    return user, lab


def entry_link_join(*, secret: str, now: datetime, user: User) -> Lab:
    """Use an invitation as somebody who can sign in already; it never changes a role they have."""
    with transaction.atomic():
        link = _link_spend(secret, now)
        if link.lab is None:
            raise Conflict(
                "secret",
                "first-set-up",
                Phrase("This link makes a first account."),
                Phrase("Sign out first."),
            )
        if Membership.objects.filter(lab=link.lab, user=user).exists():
            raise Conflict(
                "secret", "already-member", Phrase("You belong to {name} already.", name=link.lab.name)
            )
        EntryLink.objects.filter(pk=link.pk).update(used_by=user)
        member_add(lab=link.lab, actor=user, now=now, user=user, role=link.role)
    return link.lab


def _link_spend(secret: str, now: datetime) -> EntryLink:
    """Claim a link for this transaction; of two who try at once, one is refused."""
    link = entry_link_find(secret=secret, now=now)
    if link is None or not EntryLink.objects.filter(pk=link.pk, used_at=None).update(used_at=now):
        raise InputError(
            "secret",
            "link-spent",
            Phrase("This link has been used or has ended."),
            Phrase("Ask for a new one."),
        )
    return link


def token_create(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    name: str,
    scope: str,
    user: User | None = None,
    expires_at: datetime | None = None,
) -> tuple[ApiToken, str]:
    """Make an API token. Returns it with its secret, which is shown this once and not kept.

    Raises InputError naming scope, name or expires_at; Denied for a scope that the role is not for.
    """
    if scope not in SCOPES:
        raise InputError(
            "scope",
            "unknown-scope",
            Phrase("“{scope}” is not a scope.", scope=scope),
            Phrase("Use one of {known}.", known=", ".join(SCOPES)),
        )
    if not name.strip():
        raise InputError(
            "name", "missing", Phrase("A token needs a name."), Phrase("Name the program that will use it.")
        )
    if expires_at is not None and expires_at <= now:
        raise InputError(
            "expires_at",
            "in-the-past",
            Phrase("That moment has passed."),
            Phrase("Give a later one, or none."),
        )
    owner = user or actor
    if scope not in scopes_for(_role_of(owner, lab)):
        raise Denied(
            "scope",
            "scope-too-wide",
            Phrase("An auditor's token may only read."),
            Phrase("Use the scope “read”."),
        )
    with transaction.atomic():
        key, secret = ApiToken.objects.create_key(
            name=name.strip()[:50], lab=lab, user=owner, scope=scope, expiry_date=expires_at
        )
        token = cast(ApiToken, key)
        data = {"prefix": token.prefix, "name": token.name, "scope": scope}
        record(lab=lab, actor=actor, now=now, verb="token-created", subject=lab, data=data)
    return token, secret


def _role_of(user: User, lab: Lab) -> str:
    return Membership.objects.filter(user=user, lab=lab).values_list("role", flat=True).first() or ""


def token_revoke(*, token: ApiToken, actor: User, now: datetime) -> None:
    """End a token at once."""
    with transaction.atomic():
        if token.revoked:
            raise Conflict("token", "already-revoked", Phrase("This token has ended already."))
        token.revoked = True
        token.save(update_fields=["revoked"])
        data = {"prefix": token.prefix, "name": token.name}
        record(lab=token.lab, actor=actor, now=now, verb="token-revoked", subject=token.lab, data=data)
