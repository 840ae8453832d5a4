"""From alerts to mail in a real SMTP server's hands: planning, then sending with 1, 2 and 4 processes."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from typing import Any

from django.conf import settings
from django.db import connection
from django.utils import timezone

from inventory.models import Alert, Container, Delivery, Lab, Membership, Movement, Place, User
from inventory.services.delivery import plan_deliveries
from inventory.services.sweep import sweep
from tests import factories
from tests.bench import data, drainer
from tests.bench.many_labs import copy_over_labs, more_labs
from tests.bench.results import Result

#: labs; each has ten alerts for one person
SIZES = {"small": 6, "full": 300}
ALERTS_IN_LAB = 10
WORKERS = (1, 2, 4)


class Counting:
    """An SMTP server's side that keeps the id of every message it takes."""

    def __init__(self) -> None:
        self.ids: Counter[str] = Counter()

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:  # noqa: N802 - its name there
        head = envelope.content.split(b"\r\n\r\n", 1)[0].decode("ascii", "replace")
        lines = head.replace("\r\n ", " ").split("\r\n")
        self.ids[next(line.partition(":")[2].strip() for line in lines if line[:11] == "Message-ID:")] += 1
        return "250 OK"


@contextmanager
def mail_server() -> Iterator[Counting]:
    """A server on a free loopback port, named in this process's settings and in those of its children."""
    from aiosmtpd.controller import Controller

    from tests.servers import free_port

    taking, port = Counting(), free_port()
    controller = Controller(taking, hostname="127.0.0.1", port=port)
    controller.start()
    os.environ["EMAIL_URL"] = f"smtp://127.0.0.1:{port}/"
    settings.EMAIL_HOST, settings.EMAIL_PORT, settings.STILLKEEP_SENDS_MAIL = "127.0.0.1", port, True
    try:
        yield taking
    finally:
        controller.stop()


def measure(size: str) -> list[Result]:
    labs = SIZES[size]
    count = fill(labs)
    with mail_server() as taken:
        planned = plan(count)
        rates = {"floor": sent_per_second("floor", 1, count, taken)}
        workers = WORKERS if connection.vendor == "postgresql" else WORKERS[:1]
        for number in workers:
            rates[str(number)] = sent_per_second("deliveries", number, count, taken)
    results = [Result("alerts to deliveries, planned", connection.vendor, count, "rows/s", planned, planned)]
    for number in workers:
        name = f"alerts to deliveries, sent by {number} worker{'s' if number > 1 else ''}"
        results.append(Result(name, connection.vendor, count, "rows/s", rates["floor"], rates[str(number)]))
    return results


def fill(labs: int) -> int:
    """Labs with a person each, and ten bottles of which nobody knows when they were opened."""
    club = data.the_club()
    bottle = factories.stocked(club, "diethyl-ether", "900 mL", opened="opened", opened_on=None, code="b-0")
    more_labs(club.lab, labs - 1)
    User.objects.filter(pk=club.steward.pk).update(
        email="femi@example.org", mail_confirmed="femi@example.org"
    )
    member = Membership.objects.get(lab=club.lab, user=club.steward)
    first = Lab.objects.order_by("pk").values_list("pk", flat=True)[0]
    top = Membership.objects.order_by("-pk").values_list("pk", flat=True)[0]
    data.copy_row(Membership, member.pk, labs - 1, id=f"{top} + n.i", lab_id=f"{first} + n.i")
    copy_over_labs(bottle, labs * ALERTS_IN_LAB - 1, "b-1-")
    data.settle(Place, Container, Movement, Lab, Membership)
    Membership.objects.filter(user=club.steward).update(role="steward")
    from inventory.models import MailChoice

    MailChoice.objects.bulk_create(
        MailChoice(membership=each, at_once_severity=9, digest=False)
        for each in Membership.objects.filter(user=club.steward)
    )
    return labs * ALERTS_IN_LAB


def plan(count: int) -> float:
    """Alerts turned into messages per second, opening them included."""
    import time

    started = time.perf_counter()
    sweep(now=timezone.now())
    plan_deliveries(now=timezone.now())
    seconds = time.perf_counter() - started
    assert (Alert.objects.count(), Delivery.objects.count()) == (count, count)
    return count / seconds


def sent_per_second(kind: str, workers: int, count: int, taken: Counting) -> float:
    """Messages a second, every one sent exactly once under its own id."""
    past = timezone.now() - timedelta(minutes=1)
    Delivery.objects.update(sent_at=None, attempts=0, due_at=past)
    taken.ids.clear()
    seconds = drainer.together(kind, workers)
    assert len(taken.ids) == count and set(taken.ids.values()) == {1}, "a message was lost or sent twice"
    assert not Delivery.objects.filter(sent_at=None).exists()
    return count / seconds
