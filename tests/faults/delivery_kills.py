"""Kills workers of the outbox between sending and marking, as often as asked, and counts what came of it."""

from __future__ import annotations

import os
import signal
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from inventory.models import Delivery
from inventory.services.delivery import outbox
from tests.delivery.mail_server import Mailbox
from tests.inventory.processes import environment, start

WORKER = ["-m", "tests.faults.delivery_worker"]
# Shorter than a worker takes to start, so that each finds what the one before left behind.
LEASE_SECONDS = "0.5"


@dataclass(frozen=True)
class Counts:
    """rows: messages asked for. received: what the server took. distinct: their ids. lost: ids it never saw.

    worst: how often one message came at most. listed: given up for its many attempts, and shown as such.
    unmarked: neither sent nor listed.
    """

    kills: int
    rows: int
    received: int
    distinct: int
    lost: int
    worst: int
    listed: int
    unmarked: int


def mail_environment(home: Path, port: int) -> dict[str, str]:
    """Variables of a worker that sends to a mail server on this machine."""
    return environment(home, EMAIL_URL=f"smtp://127.0.0.1:{port}", STILLKEEP_MAIL_SECONDS="30")


def kill_between_send_and_mark(times: int, home: Path, box: Mailbox, port: int) -> Counts:
    """Let a worker send one message and kill it (SIGKILL) before it can write that down; so many times.

    At the end one worker that nobody disturbs sends the rest. The messages are rows already.
    """
    env, kills = mail_environment(home, port), 0
    for _ in range(times):
        worker = start([*WORKER, "stalls", LEASE_SECONDS], env)
        assert worker.stdout is not None
        line = worker.stdout.readline()
        assert line.startswith(("SENT", "DONE")), line + worker.stdout.read()
        if line.startswith("SENT"):
            os.kill(worker.pid, signal.SIGKILL)
            kills += 1
        worker.communicate()
    time.sleep(float(LEASE_SECONDS) + 0.2)  # the last lease runs out
    finish(env)
    ids = Counter(box.ids)
    asked = set(Delivery.objects.values_list("message_id", flat=True))
    return Counts(
        kills=kills,
        rows=len(asked),
        received=sum(ids.values()),
        distinct=len(ids),
        lost=len(asked - set(ids)),
        worst=max(ids.values(), default=0),
        listed=Delivery.objects.filter(failed_at__isnull=False, attempts=outbox.ATTEMPTS_MAX).count(),
        unmarked=Delivery.objects.filter(sent_at=None, failed_at=None).count(),
    )


def finish(env: dict[str, str]) -> None:
    """Send what is left, undisturbed."""
    worker = start([*WORKER, "drains", "60"], env)
    said, _ = worker.communicate(timeout=300)
    assert worker.returncode == 0, said
