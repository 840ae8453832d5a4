"""A worker of the outbox in a process of its own; as `stalls`, one that hangs between sending and marking.

Arguments: what to do, and seconds of lease. It works until nothing is left (`drains`) or until it is killed
(`stalls`, which first says SENT on its output, once the mail server has the message).
"""

from __future__ import annotations

import sys
import time
from datetime import datetime, timedelta

import django

django.setup()

from django.utils import timezone  # noqa: E402

from inventory.models import Delivery  # noqa: E402
from inventory.services.delivery import outbox  # noqa: E402
from inventory.services.delivery.fate import Fate  # noqa: E402


def stall(row: Delivery, fate: Fate, now: datetime) -> None:
    """In place of `outbox.mark`: the message is out, nothing is written down, and here the power fails."""
    sys.stdout.write(f"SENT {row.pk} {fate.outcome}\n")
    sys.stdout.flush()
    time.sleep(600)


def main() -> None:
    what, lease = sys.argv[1], timedelta(seconds=float(sys.argv[2]))
    if what == "stalls":
        outbox.mark = stall
    ends = outbox.deliver(now=timezone.now, lease=lease, seconds=120)
    sys.stdout.write(f"DONE {ends['sent']}\n")


if __name__ == "__main__":
    main()
