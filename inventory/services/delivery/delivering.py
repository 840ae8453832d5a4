"""The scheduled work of delivery: plan, send, and call in other workers when one has too much to do."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any

from inventory.services import jobs
from inventory.services.delivery import confirming, outbox, webhook_keeping
from inventory.services.delivery.digests import plan_digests
from inventory.services.delivery.planning import Part, plan_deliveries, waiting_count

Clock = Callable[[], datetime]
ROWS_PER_HELPER = 200
HELPERS_MAX = 7


def run(payload: Mapping[str, Any], now: Clock) -> None:
    """One job. payload: `helps` marks one that was called in; it calls nobody in itself."""
    moment = now()
    if not payload.get("helps"):
        plan_deliveries(now=moment)
        plan_digests(now=moment)
        confirming.ask_those_left(now=moment)
        webhook_keeping.hold_unanswered(now=moment)
        call_helpers(now=moment)
    outbox.deliver(now=now)
    if outbox.is_more(now=now()):
        deliver_soon(now=now())


def after_sweep(*, now: datetime, part: Part | None = None) -> int:
    """Plan what a sweep has found, and have it sent at once. Returns how many messages it came to."""
    made = plan_deliveries(now=now, part=part)
    if made:
        deliver_soon(now=now)
    return made


def deliver_soon(*, now: datetime) -> None:
    """Have messages sent without waiting for the schedule."""
    # One such job in a second is enough: it sends whatever is due when it runs.
    jobs.enqueue(name="deliver", key=f"deliver@now-{int(now.timestamp())}", payload={}, due_at=now, now=now)
    jobs.call_workers(1)


def call_helpers(*, now: datetime) -> int:
    """Ask for a job for each further worker that has enough to do. Returns for how many."""
    waiting = waiting_count(most=ROWS_PER_HELPER * (HELPERS_MAX + 1))
    helpers = min(HELPERS_MAX, waiting // ROWS_PER_HELPER)
    minute = now.strftime("%Y-%m-%dT%H:%M")
    asked = sum(
        jobs.enqueue(
            name="deliver", key=f"deliver@{minute}+{number}", payload={"helps": True}, due_at=now, now=now
        )
        for number in range(helpers)
    )
    if asked:
        jobs.call_workers(asked)
    return asked
