"""Messages under kill -9 and among several workers: at least once each, with one id; never not at all."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from django.db import connection
from django.utils import timezone

from inventory.models import Delivery
from inventory.services.delivery.planning import plan_deliveries
from tests.delivery.alerting import alert, alerting
from tests.delivery.mail_server import Mailbox, mail_server
from tests.faults.delivery_kills import WORKER, kill_between_send_and_mark, mail_environment
from tests.inventory.processes import start

pytestmark = pytest.mark.django_db(transaction=True)
WORKERS, ROWS = 4, 300


@pytest.fixture
def post(settings: Any) -> Iterator[tuple[Mailbox, int]]:
    """A mail server and its port."""
    settings.STILLKEEP_SENDS_MAIL = True
    with mail_server() as served:
        yield served


def test_a_worker_killed_between_send_and_mark_loses_nothing(
    tmp_path: Path, post: tuple[Mailbox, int]
) -> None:
    now = timezone.now()
    at = alerting(now=now)
    for _ in range(3):
        alert(at, now=now)
    plan_deliveries(now=now)
    found = kill_between_send_and_mark(5, tmp_path, *post)
    assert found.kills == 5
    assert (found.rows, found.distinct, found.lost, found.unmarked) == (9, 9, 0, 0)
    # Every kill hit a message that was out already: it came again, under the same id.
    assert found.received == found.rows + found.kills


@pytest.mark.full
def test_fifty_workers_killed_between_send_and_mark_lose_nothing(
    tmp_path: Path, post: tuple[Mailbox, int]
) -> None:
    now = timezone.now()
    at = alerting(now=now)
    for _ in range(20):
        alert(at, now=now)
    plan_deliveries(now=now)
    found = kill_between_send_and_mark(50, tmp_path, *post)
    assert found.kills == 50
    assert (found.distinct, found.lost, found.unmarked) == (found.rows, 0, 0)
    # A row that was given up for its many attempts had come through, but is not sent once more.
    assert found.received == found.rows + found.kills - found.listed
    print(f"50 workers killed between send and mark: {found}")


def test_several_workers_send_each_message_once(tmp_path: Path, post: tuple[Mailbox, int]) -> None:
    mailbox, port = post
    now = timezone.now()
    at = alerting(now=now)
    found = alert(at, now=now)
    Delivery.objects.bulk_create(
        Delivery(
            lab=at.lab, channel="email", key=f"k{n}", message_id=f"<m{n}@example.org>", alert=found,
            user=at.member, payload={"event": "opened"}, created_at=now, due_at=now,
        )
        for n in range(ROWS)
    )  # fmt: skip
    env = mail_environment(tmp_path, port)
    workers = [start([*WORKER, "drains", "60"], env) for _ in range(WORKERS)]
    said = [worker.communicate(timeout=300)[0] for worker in workers]
    assert [worker.returncode for worker in workers] == [0] * WORKERS, said
    sent = [int(text.split("DONE ")[1]) for text in said]
    assert sum(sent) == ROWS
    assert set(Counter(mailbox.ids).values()) == {1}
    assert len(mailbox.ids) == ROWS
    if connection.vendor == "postgresql":
        assert sum(1 for count in sent if count) > 1
