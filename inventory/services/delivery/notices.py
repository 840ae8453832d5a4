"""Notices: mail that tells people of a change to their own account, and supervisors of a program that waits.

A row first like every message. Where an account's notice goes is fixed when the thing happens: an address
given afterwards does not get it. It holds no link, so that nothing can be done by following one.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta

from django.conf import settings

from inventory.models import Delivery, Lab, Membership, User, Webhook
from inventory.models.outbox import NOTICE
from inventory.rules.phrases import Phrase
from inventory.services.delivery.addresses import address_for_alerts, reachable_q
from inventory.services.delivery.planning_sql import mail_host

ACCOUNT: Mapping[str, Phrase] = {
    "address-given": Phrase("Another mail address was given for your account."),
    "address-changed": Phrase("The mail address of your account was changed."),
    "address-removed": Phrase("The mail address of your account was taken away."),
    "password-changed": Phrase("The password of your account was changed."),
    "second-step-off": Phrase("The second step of your account was turned off."),
    "codes-renewed": Phrase("New recovery codes were made for your account."),
    "passkey-added": Phrase("A passkey was added to your account."),
}
PROGRAM: Mapping[str, Phrase] = {
    "webhook-waits": Phrase("A program is told of no alerts until a supervisor takes it over."),
    "webhook-unreadable": Phrase("A program is told of no alerts, as its secret cannot be read."),
}
_MICROSECOND = timedelta(microseconds=1)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def account_tell(
    *, person: User, what: str, now: datetime, to: str = "", within: timedelta = _MICROSECOND
) -> Delivery | None:
    """Tell somebody of a change to their account; None where no address of theirs is confirmed.

    what: a key of `ACCOUNT`. to: the address that was confirmed before the change; empty: the present one.
    within: told once in a span of this length.
    """
    if not settings.STILLKEEP_SENDS_MAIL:
        return None
    address = to or address_for_alerts(person)
    lab = Lab.objects.filter(memberships__user=person).order_by("memberships__pk").first()
    if not address or lab is None:
        return None
    return _row(lab, person, what, str((now - _EPOCH) // within), now, {"to": address})


def program_tell(*, hook: Webhook, what: str, now: datetime) -> int:
    """Tell the supervisors, or where none can be reached the stewards, that a program waits.

    what: a key of `PROGRAM`. Returns how many are told.
    """
    if not settings.STILLKEEP_SENDS_MAIL:
        return 0
    reached = Membership.objects.filter(reachable_q("user"), lab=hook.lab_id).select_related("user")
    members = list(reached.filter(role="supervisor")) or list(reached.filter(role="steward"))
    about = f"{hook.pk}:{(now - _EPOCH) // _MICROSECOND}"
    for member in members:
        _row(hook.lab, member.user, what, about, now, {"webhook": hook.pk})
    return len(members)


def _row(
    lab: Lab, person: User, what: str, about: str, now: datetime, facts: Mapping[str, str | int]
) -> Delivery:
    named = f"{what}.u{person.pk}.{about.replace(':', '.')}"
    made, _ = Delivery.objects.get_or_create(
        key=f"{NOTICE}:{what}:u{person.pk}:{about}",
        defaults={
            "lab": lab, "channel": NOTICE, "user": person, "created_at": now, "due_at": now,
            "message_id": f"<{named}@{mail_host()}>", "payload": {"event": what, **facts},
        },
    )  # fmt: skip
    return made


def whom_to_ask(*, person: User, lab: Lab) -> list[str]:
    """Names of the other supervisors of a lab who can sign in, else of its stewards."""
    others = Membership.objects.filter(lab=lab, user__is_active=True).exclude(user=person)
    for role in ("supervisor", "steward"):
        if found := [each.user.display_name for each in others.filter(role=role).select_related("user")]:
            return sorted(found)
    return []
