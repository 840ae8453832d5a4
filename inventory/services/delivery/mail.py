"""Mail: one connection to the server for a batch, and a message of plain words with the same in HTML."""

from __future__ import annotations

import smtplib
from datetime import datetime
from typing import Any

from django.conf import settings
from django.core.mail import EmailMultiAlternatives, get_connection
from django.template.loader import render_to_string
from django.utils import timezone, translation
from django.utils.translation import gettext, ngettext

from inventory.models import Delivery, Membership, Webhook
from inventory.models.outbox import CONFIRM, NOTICE
from inventory.rules.digest_days import zone_of
from inventory.services.delivery.addresses import address_for_alerts
from inventory.services.delivery.confirming import LINK_LIFE, link_of
from inventory.services.delivery.content import digest_of, frame, lines_of, one_line
from inventory.services.delivery.fate import Fate, later, never, sent, withdrawn
from inventory.services.delivery.notices import ACCOUNT, PROGRAM, whom_to_ask
from inventory.services.delivery.planning_sql import mail_host
from inventory.services.delivery.webhook_keeping import why_held
from inventory.services.delivery.webhook_secrets import is_readable
from inventory.services.speaking import spoken

BACKEND = "django.core.mail.backends.smtp.EmailBackend"
# So many connections lost one after the other, and the server counts as away for the rest of a run.
LOST_MAX = 2


class MailRoute:
    """The way to the mail server for the length of one run."""

    def __init__(self) -> None:
        self._connection: Any = None
        self._lost = 0
        self._away = ""

    def send(self, row: Delivery, now: datetime) -> Fate:
        """Send one message and say what became of it. Never raises for what a mail server does."""
        if self._away:
            return later(self._away)
        message = message_of(row, now)
        if isinstance(message, Fate):
            return message
        try:
            self._open()
        except (OSError, smtplib.SMTPException) as error:
            self.close()
            self._away = f"The mail server cannot be reached: {_words(error, '')}"
            return later(self._away)
        return self._hand_over(message, row)

    def _open(self) -> None:
        if self._connection is None:
            self._connection = get_connection(BACKEND, timeout=settings.EMAIL_TIMEOUT)
        self._connection.open()

    def _hand_over(self, message: EmailMultiAlternatives, row: Delivery) -> Fate:
        address = message.to[0]
        try:
            self._connection.send_messages([message])
        except smtplib.SMTPRecipientsRefused as error:
            code, said = next(iter(error.recipients.values()))
            return _refused(code, _said(said, address))
        except smtplib.SMTPSenderRefused as error:
            # Not this receiver's fault: the operator may mend it, so it is tried again.
            return later(f"The mail server refuses our sender: {_words(error, address)}")
        except smtplib.SMTPDataError as error:
            return _refused(error.smtp_code, _said(error.smtp_error, address))
        except smtplib.SMTPNotSupportedError as error:
            return never(f"The mail server cannot take this address: {_words(error, address)}")
        except (OSError, smtplib.SMTPException) as error:
            self.close()
            self._lost += 1
            words = f"The connection to the mail server was lost: {_words(error, address)}"
            if self._lost >= LOST_MAX:
                self._away = words
            return later(words)
        self._lost = 0
        return sent()

    def close(self) -> None:
        """Let the connection go, whatever state it is in."""
        held, self._connection = self._connection, None
        if held is not None:
            try:
                held.close()
            except (OSError, smtplib.SMTPException):
                held.connection = None


def _refused(code: int, words: str) -> Fate:
    said = f"The mail server answered {code}: {words}"
    return never(said) if 500 <= code <= 599 else later(said)


def _said(answer: bytes | str, address: str) -> str:
    text = answer.decode("utf-8", "replace") if isinstance(answer, bytes) else str(answer)
    return one_line(text.replace(address, "the address") if address else text)


def _words(error: Exception, address: str) -> str:
    if isinstance(error, smtplib.SMTPResponseException):
        return f"{error.smtp_code} {_said(error.smtp_error, address)}"
    return f"{type(error).__name__} {_said(str(error), address)}".strip()


# -- messages


def message_of(row: Delivery, now: datetime) -> EmailMultiAlternatives | Fate:
    """The message for a row, or why there is none any more."""
    user = row.user
    if row.channel == CONFIRM:
        return _confirming_mail(row, now)
    if row.channel == NOTICE and row.payload.get("event") in ACCOUNT:
        return _account_mail(row)
    if user is None or not user.is_active or not address_for_alerts(user):
        return withdrawn("The receiver has no confirmed address any more.")
    if not Membership.objects.filter(user=user, lab=row.lab).exists():
        return withdrawn("The receiver has left the lab.")
    if row.channel == NOTICE:
        return _program_mail(row)
    return _alert_mail(row, now) if row.channel == "email" else _digest_mail(row, now)


def _alert_mail(row: Delivery, now: datetime) -> EmailMultiAlternatives | Fate:
    alert = row.alert
    if alert is None or alert.closed_at is not None:
        return withdrawn("The alert was closed before the message went out.")
    (line,) = lines_of([alert], row.lab, now)
    escalated = row.payload.get("event") == "escalated"
    to_head = escalated and Membership.objects.filter(lab=row.lab, user=row.user, role="supervisor").exists()
    with translation.override(_language(row)):
        line = line.said()
        start = gettext("For the supervisors: ") if escalated else ""
        facts = {"line": line, "escalated": escalated, "to_head": to_head}
        return _message(row, f"{start}{line.subject.name}: {line.words}", "mail_alert", facts)


def _language(row: Delivery) -> str:
    """That of the receiver, else the site's."""
    return (row.user.language if row.user else "") or settings.LANGUAGE_CODE


def _confirming_mail(row: Delivery, now: datetime) -> EmailMultiAlternatives | Fate:
    """The one mail that an unconfirmed address gets, in the language of whoever typed it.

    It goes to somebody who may never have asked, so nothing in it is free text of a person or a lab.
    """
    link = link_of(row, now)
    if row.user is None or not row.user.is_active or not link:
        return withdrawn("This link would serve no more: another was asked for, or the address was changed.")
    language = _language(row)
    told = {"link": link, "name": row.user.username, "days": LINK_LIFE.days, "language": language}
    with translation.override(language):
        subject = gettext("Is this mail address yours?")
        return _personal(row, row.user.email, subject, "mail_confirm", told)


def _account_mail(row: Delivery) -> EmailMultiAlternatives | Fate:
    """Of a change to one's account, to the address that was confirmed when it happened. No link is in it."""
    if row.user is None or not row.user.is_active:
        return withdrawn("The account is closed.")
    event, language = row.payload["event"], _language(row)
    told = {
        "event": event, "name": row.user.username, "language": language, "lab": row.lab,
        "at": timezone.make_naive(row.created_at, zone_of(row.lab.time_zone)),
        "ask": whom_to_ask(person=row.user, lab=row.lab),
    }  # fmt: skip
    with translation.override(language):
        told["words"] = spoken(ACCOUNT[event])
        return _personal(row, row.payload["to"], told["words"], "mail_account", told)


def _personal(
    row: Delivery, address: str, subject: str, template: str, told: dict[str, Any]
) -> EmailMultiAlternatives:
    """A message about the person, not about the lab: without its name in the subject."""
    message = EmailMultiAlternatives(
        subject=one_line(f"[Stillkeep] {subject}"),
        body=render_to_string(f"inventory/{template}.txt", told),
        from_email=settings.STILLKEEP_MAIL_FROM,
        to=[address],
        headers={"Message-ID": row.message_id, "Auto-Submitted": "auto-generated"},
    )
    message.attach_alternative(render_to_string(f"inventory/{template}.html", told), "text/html")
    return message


def _program_mail(row: Delivery) -> EmailMultiAlternatives | Fate:
    """Of a program that is told of nothing, to those who may see to it."""
    hooks = Webhook.objects.filter(lab=row.lab, ended_at=None).select_related("actor")
    hook = hooks.filter(pk=row.payload["webhook"]).first()
    if hook is None or (hook.held_at is None and is_readable(hook)):
        return withdrawn("Somebody has seen to the program already.")
    event = row.payload["event"]
    with translation.override(_language(row)):
        words = spoken(PROGRAM[event])
        facts = {"words": words, "why": spoken(why_held(hook) or ""), "program": hook.name}
        return _message(row, f"{hook.name}: {words}", "mail_program", facts)


def _digest_mail(row: Delivery, now: datetime) -> EmailMultiAlternatives | Fate:
    digest = digest_of(row.lab, now)
    if digest.is_empty:
        return withdrawn("Nothing was due.")
    many = row.payload.get("event") == "many"
    count = len(digest.lines) + digest.more
    with translation.override(_language(row)):
        subject = gettext("nothing is open")
        if count:
            subject = ngettext("%(n)s open alert", "%(n)s open alerts", count) % {"n": count}
        return _message(row, subject, "mail_digest", {"digest": digest.said(), "many": many})


def _message(row: Delivery, subject: str, template: str, facts: dict[str, Any]) -> EmailMultiAlternatives:
    assert row.user is not None
    told = frame(row.lab) | facts | {"person": row.user}
    message = EmailMultiAlternatives(
        subject=one_line(f"[{row.lab.name}] {subject}"),
        body=render_to_string(f"inventory/{template}.txt", told),
        from_email=settings.STILLKEEP_MAIL_FROM,
        to=[address_for_alerts(row.user)],
        headers={
            "Message-ID": row.message_id,
            "Auto-Submitted": "auto-generated",
            "List-Id": f"<{row.lab.slug}.{mail_host()}>",
        },
    )
    message.attach_alternative(render_to_string(f"inventory/{template}.html", told), "text/html")
    return message
