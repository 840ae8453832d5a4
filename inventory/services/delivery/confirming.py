"""Mail addresses are confirmed by a link: until then nothing else is sent to them.

The link is signed and worked out when the mail is sent, so that nothing that confirms lies in the database.
It serves once, for the address it was sent to, and only the newest one does. While a new address waits for
its link, alerts go on to the one that was confirmed before: nobody loses them by a slip of the finger. That
one is told of the change, when it is asked for and when it takes effect.
"""

from __future__ import annotations

import hashlib
import logging
from datetime import UTC, datetime, timedelta
from typing import Any

from django.conf import settings
from django.core.signing import BadSignature, Signer
from django.db import transaction
from django.db.models import F
from django.urls import reverse

from inventory.models import Delivery, Lab, User
from inventory.models.outbox import CONFIRM
from inventory.rules.errors import InputError
from inventory.rules.phrases import Phrase
from inventory.services.delivery.notices import account_tell
from inventory.services.delivery.planning_sql import mail_host

log = logging.getLogger(__name__)

LINK_LIFE = timedelta(days=3)
# Whoever can sign in may type any address: so many mails to people who did not ask for them, and no more.
BOUNDS = ((timedelta(hours=1), 3), (timedelta(days=1), 8))
PEOPLE_PER_TURN = 200
TOLD_ONCE_IN = timedelta(hours=1)
_SALT = "inventory.confirm-mail"
_MICROSECOND = timedelta(microseconds=1)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def address_change(*, lab: Lab, actor: User, now: datetime, email: str) -> None:
    """Hold another address and send its link; empty: no mail at all. Nothing when it is the one held."""
    with transaction.atomic():
        held = _locked(actor)
        if held.email == email:
            return
        earlier = held.mail_confirmed
        held.email, held.mail_asked_at = email, None
        if not email:
            held.mail_confirmed = ""
        held.save(update_fields=["email", "mail_asked_at", "mail_confirmed"])
        if email and held.mail_state != "confirmed" and not _wait(held, now):
            _ask(lab, held, now)
        _tell_earlier(held, earlier, now)
    actor.email, actor.mail_confirmed, actor.mail_asked_at = (
        held.email,
        held.mail_confirmed,
        held.mail_asked_at,
    )


def _tell_earlier(held: User, earlier: str, now: datetime) -> None:
    """The address that was confirmed hears that another was given, or that there is none any more."""
    if earlier and not held.email:
        account_tell(person=held, what="address-removed", now=now, to=earlier)
    elif earlier and held.email != earlier:
        # Given to and fro, it is told once in an hour; a change that takes effect is told each time.
        account_tell(person=held, what="address-given", now=now, to=earlier, within=TOLD_ONCE_IN)


def send_again(*, lab: Lab, actor: User, now: datetime) -> None:
    """Send a new link to the address held; earlier ones end. Nothing to do for a confirmed one.

    Raises InputError naming email when there is no address, or when so many links were sent already.
    """
    with transaction.atomic():
        held = _locked(actor)
        if held.mail_state == "confirmed":
            return
        if not held.email:
            raise InputError(
                "email", "missing", Phrase("There is no mail address."), Phrase("Type one first.")
            )
        if wait := _wait(held, now):
            minutes = max(1, round(wait.total_seconds() / 60))
            raise InputError(
                "email",
                "too-often",
                Phrase("Several links were sent already."),
                Phrase("Look among what was taken for spam; another link can go out in {n} min.", n=minutes),
            )
        _ask(lab, held, now)
    actor.mail_asked_at = held.mail_asked_at


def ask_those_left(*, now: datetime) -> int:
    """Send the link that was not sent when an address was given: no mail server yet, or too many at once."""
    if not settings.STILLKEEP_SENDS_MAIL:
        return 0
    left = User.objects.filter(is_active=True, mail_asked_at=None).exclude(email="")
    asked = 0
    for person in left.exclude(mail_confirmed=F("email")).order_by("pk")[:PEOPLE_PER_TURN]:
        lab = Lab.objects.filter(memberships__user=person).order_by("memberships__pk").first()
        if lab is None:
            continue
        with transaction.atomic():
            held = _locked(person)
            if (
                held.email
                and not held.mail_asked_at
                and held.mail_state != "confirmed"
                and not _wait(held, now)
            ):
                _ask(lab, held, now)
                asked += 1
    return asked


def _locked(actor: User) -> User:
    return User.objects.select_for_update(of=("self",), no_key=True).get(pk=actor.pk)


def _wait(user: User, now: datetime) -> timedelta:
    """How long until another link may go out; nothing when one may now."""
    sent = Delivery.objects.filter(user=user, channel=CONFIRM)
    longest = timedelta()
    for span, most in BOUNDS:
        times = list(sent.filter(created_at__gt=now - span).order_by("-created_at").values_list("created_at"))
        if len(times) >= most:
            longest = max(longest, times[most - 1][0] + span - now)
    return longest


def wait_seconds(*, user: User, now: datetime) -> int:
    """How long until another link may go out, in whole seconds; 0: one may now."""
    return max(0, round(_wait(user, now).total_seconds()))


def _ask(lab: Lab, held: User, now: datetime) -> None:
    """The message as a row; without a mail server it stays for `ask_those_left`."""
    if not settings.STILLKEEP_SENDS_MAIL:
        return
    User.objects.filter(pk=held.pk).update(mail_asked_at=now)
    held.mail_asked_at = now
    at = _micros(now)
    Delivery.objects.get_or_create(
        key=f"{CONFIRM}:u{held.pk}:{at}",
        defaults={
            "lab": lab, "channel": CONFIRM, "user": held, "created_at": now, "due_at": now,
            "message_id": f"<{CONFIRM}.u{held.pk}.{at}@{mail_host()}>",
            "payload": {"event": CONFIRM, "asked": at},
        },
    )  # fmt: skip


# -- the link


def link_of(row: Delivery, now: datetime) -> str:
    """The address that a message leads to; empty once it would not serve any more."""
    user = row.user
    if user is None or user.mail_asked_at is None or user.mail_state == "confirmed" or not user.email:
        return ""
    asked = _micros(user.mail_asked_at)
    if row.payload.get("asked") != asked or user.mail_asked_at + LINK_LIFE <= now:
        return ""
    token = Signer(salt=_SALT).sign_object([user.pk, asked, _digest(user.email)])
    return f"{settings.STILLKEEP_SITE_URL}{reverse('confirm-mail', args=[token])}"


def found(*, token: str, now: datetime) -> User | None:
    """Whose address a link confirms, while it serves; None for every other, whatever the reason."""
    try:
        told: Any = Signer(salt=_SALT).unsign_object(token)
        pk, asked, digest = told
        asked_at = _EPOCH + asked * _MICROSECOND
    except (BadSignature, ValueError, TypeError, OverflowError):
        return None
    if asked_at + LINK_LIFE <= now:
        return None
    person = User.objects.filter(pk=pk, is_active=True, mail_asked_at=asked_at).exclude(email="").first()
    return person if person is not None and _digest(person.email) == digest else None


def confirm(*, token: str, now: datetime) -> User | None:
    """Count the address as confirmed, once. None when the link serves no more."""
    person = found(token=token, now=now)
    if person is None:
        return None
    same = User.objects.filter(pk=person.pk, email=person.email, mail_asked_at=person.mail_asked_at)
    earlier = person.mail_confirmed
    with transaction.atomic():
        if not same.update(mail_confirmed=F("email"), mail_asked_at=None):
            return None
        if earlier:
            account_tell(person=person, what="address-changed", now=now, to=earlier)
    log.info("The mail address of person %s is confirmed.", person.pk)
    return person


def _micros(at: datetime) -> int:
    return (at - _EPOCH) // _MICROSECOND


def _digest(address: str) -> str:
    return hashlib.sha256(address.encode()).hexdigest()[:32]
