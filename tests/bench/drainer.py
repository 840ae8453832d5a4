"""One worker process of a measurement: gets ready, waits for a line, works until nothing is left.

`deliveries` sends what waits in the outbox, `jobs` does the parts of a sweep, `floor` sends plain messages
and marks their rows with the bare driver, one after the other.
"""

from __future__ import annotations

import smtplib
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import datetime
from email.message import EmailMessage

import django

READY, DONE = "READY", "DONE"


def deliveries(_: datetime | None) -> None:
    from django.utils import timezone

    from inventory.services.delivery import outbox

    ends = outbox.deliver(now=timezone.now, seconds=600)
    assert set(+ends) <= {"sent"}, ends


def jobs(now: datetime | None) -> None:
    """Until every part is done; now: the moment at which the sweep takes place."""
    from inventory.models import Job
    from inventory.services import jobs as service

    assert now is not None
    while Job.objects.filter(name="sweep-part", done_at=None).exists():
        if not service.drain(now=lambda: now):
            time.sleep(0.005)


def floor(_: datetime | None) -> None:
    from django.conf import settings
    from django.utils import timezone

    from tests.bench.raw import Raw

    raw = Raw()
    rows = raw.execute("SELECT id, message_id FROM inventory_delivery WHERE sent_at IS NULL").fetchall()
    moment = f"{timezone.now():%Y-%m-%d %H:%M:%S}"
    with smtplib.SMTP(settings.EMAIL_HOST, settings.EMAIL_PORT, timeout=20) as server:
        for pk, message_id in rows:
            server.send_message(plain(message_id))
            raw.execute("UPDATE inventory_delivery SET sent_at = %s WHERE id = %s", (moment, pk))
    raw.close()


def plain(message_id: str) -> EmailMessage:
    message = EmailMessage()
    message["Message-ID"], message["Subject"] = message_id, "An ether is overdue"
    message["From"], message["To"] = "stillkeep@example.org", "femi@example.org"
    message.set_content("Its peroxide test was due two days ago.\n" * 20)
    return message


KINDS: dict[str, Callable[[datetime | None], None]] = {"deliveries": deliveries, "jobs": jobs, "floor": floor}


def together(kind: str, count: int, now: datetime | None = None) -> float:
    """Seconds from the moment that `count` ready processes are let go until the last of them has ended."""
    command = [sys.executable, "-m", "tests.bench.drainer", kind, now.isoformat() if now else ""]
    workers = [
        subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        for _ in range(count)
    ]
    try:
        for each in workers:
            assert each.stdout and each.stdout.readline().strip() == READY
        started = time.perf_counter()
        for each in workers:
            assert each.stdin
            each.stdin.write("go\n")
            each.stdin.flush()
        for each in workers:
            assert each.stdout and each.stdout.readline().strip() == DONE
        return time.perf_counter() - started
    finally:
        for each in workers:
            each.kill()
            each.communicate()


def main(kind: str, moment: str) -> None:
    django.setup()
    from django.db import connection

    connection.ensure_connection()
    print(READY, flush=True)
    sys.stdin.readline()
    KINDS[kind](datetime.fromisoformat(moment) if moment else None)
    print(DONE, flush=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
