"""The outbox: messages that wait are claimed, sent, and marked. A crash may send one twice, never not at all.

A message that did not go through is tried again, ever more seldom, for about two days; then it is given up
and stays in the list of what failed, from where it can be sent again under the same id.
"""

from __future__ import annotations

import logging
import time
from collections import Counter
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

from django.db.models import Q, QuerySet

from inventory.models import Delivery, Lab, User
from inventory.models.outbox import CONFIRM, NOTICE
from inventory.rules.errors import Conflict
from inventory.rules.phrases import Phrase
from inventory.services import leases
from inventory.services.delivery.fate import Fate, later
from inventory.services.delivery.mail import MailRoute
from inventory.services.delivery.webhook_route import WebhookRoute
from inventory.services.events import record

logger = logging.getLogger(__name__)

Clock = Callable[[], datetime]
BATCH = 25
LEASE = timedelta(minutes=5)
ATTEMPTS_MAX = 18
BACKOFF_FIRST, BACKOFF_MAX = timedelta(seconds=30), timedelta(hours=6)
# Longer than any wait that is given here; what seems to wait longer was put off by a clock since set back.
HELD_MAX = timedelta(hours=12)
KEPT_FOR = timedelta(days=180)
STATES = ("waiting", "sent", "failed", "withdrawn")


class Run:
    """The ways out for the length of one run, opened when they are first needed."""

    def __init__(self) -> None:
        self.mail = MailRoute()
        self.webhooks = WebhookRoute()

    def send(self, row: Delivery, now: datetime) -> Fate:
        """One attempt at one message. Never raises: a fault of ours is a reason to try again too."""
        try:
            return self.webhooks.send(row, now) if row.channel == "webhook" else self.mail.send(row, now)
        except Exception as error:
            logger.exception("Message %s could not be made or sent.", row.pk)
            return later(f"A fault of this server: {type(error).__name__}")

    def close(self) -> None:
        self.mail.close()


def deliver(*, now: Clock, lease: timedelta = LEASE, seconds: float = 45) -> Counter[str]:
    """Send what is due until nothing is left or `seconds` are over. Returns how many ended in which way."""
    ends: Counter[str] = Counter()
    run, end = Run(), time.monotonic() + seconds
    try:
        while time.monotonic() < end:
            ends["never"] += give_up(now=now())
            rows = claim(lease=lease, now=now())
            if not rows:
                break
            _send_batch(run, rows, now, time.monotonic() + lease.total_seconds() / 2, ends)
    finally:
        run.close()
    return ends


def _send_batch(run: Run, rows: list[Delivery], now: Clock, until: float, ends: Counter[str]) -> None:
    """Send claimed rows one by one; what is left when half the lease is over goes back untried."""
    for number, row in enumerate(rows):
        if time.monotonic() > until:
            untried = [each.pk for each in rows[number:]]
            _open().filter(pk__in=untried, due_at=row.due_at).update(due_at=now())
            break
        if not _try(row):
            continue
        fate = run.send(row, now())
        ends[fate.outcome] += 1
        mark(row, fate, now())


def _try(row: Delivery) -> bool:
    """Count the attempt before it is made. False when the lease has passed to another worker."""
    mine = _open().filter(pk=row.pk, due_at=row.due_at, attempts=row.attempts)
    row.attempts += 1
    return mine.update(attempts=row.attempts) == 1


def _open() -> QuerySet[Delivery]:
    return Delivery.objects.filter(sent_at=None, failed_at=None, withdrawn_at=None)


def _due(now: datetime) -> QuerySet[Delivery]:
    return leases.due(_open(), now=now, held_max=HELD_MAX)


def claim(*, lease: timedelta, now: datetime, limit: int = BATCH) -> list[Delivery]:
    """Take messages that are due; no other worker sees them until the lease is over."""
    waiting = _due(now).filter(attempts__lt=ATTEMPTS_MAX)
    if not waiting.exists():
        return []
    taken = leases.claim(waiting, limit=limit, lease=lease, now=now, counted=False)
    rows = Delivery.objects.select_related("lab", "alert__acknowledged_by", "user", "webhook")
    return list(rows.filter(pk__in=[row.pk for row in taken]).order_by("pk"))


def is_more(*, now: datetime) -> bool:
    """Whether anything is due."""
    return _due(now).exists()


def give_up(*, now: datetime) -> int:
    """Mark messages as failed whose last attempt ended without a word. Returns how many."""
    spent = _due(now).filter(attempts__gte=ATTEMPTS_MAX)
    if not spent.exists():
        return 0
    return spent.update(failed_at=now, last_error="Every attempt ended without an answer.")


def mark(row: Delivery, fate: Fate, now: datetime) -> None:
    """Write down what became of an attempt.

    Sent is sent, whoever holds the row by now; anything else counts only while the row is still ours.
    """
    if fate.outcome == "sent":
        _open().filter(pk=row.pk).update(sent_at=now, last_error="")
        return
    mine = _open().filter(pk=row.pk, attempts=row.attempts, due_at=row.due_at)
    if fate.outcome == "withdrawn":
        mine.update(withdrawn_at=now, last_error=fate.words)
    elif fate.outcome == "never" or row.attempts >= ATTEMPTS_MAX:
        logger.warning("Message %s is given up: %s", row.pk, fate.words)
        mine.update(failed_at=now, last_error=fate.words)
    else:
        wait = leases.backoff(row.attempts, first=BACKOFF_FIRST, most=BACKOFF_MAX)
        mine.update(due_at=now + max(wait, fate.wait), last_error=fate.words)


def replay(*, lab: Lab, actor: User, now: datetime, delivery: Delivery) -> Delivery:
    """Send a message again that failed or was sent: as many attempts anew, under the same id.

    Raises Conflict while it is still waiting, for one that nobody needs any more, for the link that confirms
    an address (how often that goes to somebody who may never have asked is bounded), and for a notice that
    went out: its address may not be the person's any more.
    """
    if delivery.channel == CONFIRM:
        raise Conflict(
            "delivery",
            "not-repeated",
            Phrase("Such a link is not sent twice."),
            Phrase("The person asks for a new one."),
        )
    if delivery.channel == NOTICE and delivery.sent_at is not None:
        raise Conflict("delivery", "not-repeated", Phrase("Such a notice is not sent twice."))
    if delivery.withdrawn_at is not None:
        raise Conflict("delivery", "withdrawn", Phrase("This message was withdrawn."), delivery.last_error)
    over = Delivery.objects.filter(pk=delivery.pk).exclude(sent_at=None, failed_at=None)
    changed = over.update(sent_at=None, failed_at=None, attempts=0, due_at=now)
    if not changed:
        raise Conflict(
            "delivery", "waiting", Phrase("This message has not been sent yet."), Phrase("Wait for it.")
        )
    data = {
        "message_id": delivery.message_id,
        "sent_at": delivery.sent_at and delivery.sent_at.isoformat(),
        "last_error": delivery.last_error,
    }
    record(lab=lab, actor=actor, now=now, verb="delivery-replayed", subject=delivery, data=data)
    return Delivery.objects.get(pk=delivery.pk)


def state_q(state: str) -> Q:
    """Which messages are in a state: waiting, sent, failed or withdrawn."""
    over: dict[str, Any] = {"sent": "sent_at", "failed": "failed_at", "withdrawn": "withdrawn_at"}
    if state in over:
        return Q(**{f"{over[state]}__isnull": False})
    return Q(sent_at=None, failed_at=None, withdrawn_at=None)


def state_of(*, sent_at: datetime | None, failed_at: datetime | None, withdrawn_at: datetime | None) -> str:
    """In which of `STATES` a message is."""
    ends = {"sent": sent_at, "failed": failed_at, "withdrawn": withdrawn_at}
    return next((name for name, at in ends.items() if at is not None), "waiting")


def prune(*, now: datetime) -> int:
    """Forget messages that came to their end long ago. Returns how many."""
    before = now - KEPT_FOR
    old = Q(sent_at__lt=before) | Q(failed_at__lt=before) | Q(withdrawn_at__lt=before)
    return Delivery.objects.filter(old).delete()[0]
