"""How a person wants to be told: their address, from which severity at once, and whether by digest."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.conf import settings
from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.db import transaction

from inventory.models import Lab, MailChoice, Membership, User
from inventory.rules.errors import InputError
from inventory.rules.phrases import Phrase
from inventory.rules.telling import DEFAULTS, NOTHING, SEVERITY_MAX
from inventory.services.delivery.addresses import address_for_alerts
from inventory.services.delivery.confirming import address_change
from inventory.services.events import record

ADDRESS_LENGTH_MAX = 254


@dataclass(frozen=True)
class Chosen:
    """confirmed: where alerts go; empty: nowhere. by_role: nothing was chosen, the role's default holds."""

    email: str
    confirmed: str
    at_once_severity: int
    digest: bool
    by_role: bool


def choice_of(*, lab: Lab, user: User) -> Chosen:
    """What holds for a member of a lab."""
    member = Membership.objects.select_related("mail_choice").get(lab=lab, user=user)
    person = User.objects.only("email", "mail_confirmed").get(pk=user.pk)
    own = getattr(member, "mail_choice", None)
    held: Any = own or DEFAULTS.get(member.role, NOTHING)
    goes_to = address_for_alerts(person)
    return Chosen(person.email, goes_to, held.at_once_severity, held.digest, own is None)


def mail_words(email: str, confirmed: str) -> str:
    """Why no mail comes to somebody, or not to the address they gave; empty when it does.

    email: what the person gave; confirmed: where alerts go (`Chosen`).
    """
    if not settings.STILLKEEP_SENDS_MAIL:
        return Phrase("This server sends no mail: whoever runs it has set no mail server (EMAIL_URL).")
    if not email:
        return Phrase("No mail comes to you, as no address is known.")
    if not confirmed:
        return Phrase(
            "No alert comes to you by mail yet: open the link that was sent to {email} and confirm there "
            "that the address is yours.",
            email=email,
        )
    if email == confirmed:
        return ""
    return Phrase(
        "Alerts go on to {confirmed} until you open the link that was sent to {email} and confirm there that "
        "the address is yours.",
        confirmed=confirmed,
        email=email,
    )


def choose(*, lab: Lab, actor: User, now: datetime, changes: Mapping[str, Any]) -> Chosen:
    """Change what is given of email, at_once_severity and digest. An empty email: no mail to this person.

    Another address gets a link, and alerts only once it was confirmed by it (`confirming`).
    Raises InputError naming email or at_once_severity.
    """
    if "email" in changes:
        check_address(changes["email"])
    severity = changes.get("at_once_severity", 0)
    if not 0 <= severity <= SEVERITY_MAX:
        raise InputError(
            "at_once_severity",
            "out-of-range",
            Phrase("Severities go from 1 to {severity_max}.", severity_max=SEVERITY_MAX),
            Phrase("0: none at once."),
        )
    with transaction.atomic():
        member = Membership.objects.select_for_update().get(lab=lab, user=actor)
        before = choice_of(lab=lab, user=actor)
        if "email" in changes:
            address_change(lab=lab, actor=actor, now=now, email=changes["email"])
        if "at_once_severity" in changes or "digest" in changes:
            kept = {
                "at_once_severity": changes.get("at_once_severity", before.at_once_severity),
                "digest": changes.get("digest", before.digest),
            }
            MailChoice.objects.update_or_create(membership=member, defaults=kept)
        data = {name: value for name, value in changes.items() if name != "email"}
        data |= {"email_changed": "email" in changes and changes["email"] != before.email}
        record(lab=lab, actor=actor, now=now, verb="mail-chosen", subject=member, data=data)
    return choice_of(lab=lab, user=actor)


def check_address(address: str) -> None:
    """Raises InputError naming email for what is no address; empty is fine."""
    if not address:
        return
    try:
        validate_email(address)
        fits = len(address) <= ADDRESS_LENGTH_MAX and address.isascii()
    except ValidationError:
        fits = False
    if not fits:
        raise InputError(
            "email",
            "not-an-address",
            Phrase("This is no mail address."),
            Phrase("Give one such as kim@example.org."),
        )
