"""The scheduled work of the inventory: what each job's name stands for. Found by name at start."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any

from django.utils import timezone

from inventory.selectors.running import LEDGER_CHECK
from inventory.services import audit as auditing
from inventory.services import import_sheets, jobs, ledger_check, once, sessions, sweep_parts
from inventory.services.delivery import delivering, outbox


@jobs.task("sweep")
def sweep(payload: Mapping[str, Any], now: datetime) -> None:
    """Open and close alerts in all labs, at once or in parts."""
    if not jobs.is_past(payload, now):
        sweep_parts.sweep_or_share(payload, now)
        delivering.after_sweep(now=now)


@jobs.task(sweep_parts.PART)
def sweep_part(payload: Mapping[str, Any], now: datetime) -> None:
    """Open and close alerts in some of the labs."""
    sweep_parts.sweep_part(payload, now)
    delivering.after_sweep(now=now, part=(int(payload["low"]), int(payload["high"])))


@jobs.task("deliver")
def deliver(payload: Mapping[str, Any], now: datetime) -> None:
    """Plan what has not been planned, ask for the digests of this morning, and send what is due."""
    if not jobs.is_past(payload, now):
        delivering.run(payload, timezone.now)


@jobs.task("prune")
def prune(payload: Mapping[str, Any], now: datetime) -> None:
    """Forget answers to client-made keys, sheets on their way in, and finished jobs, after their time."""
    once.prune(now=now)
    import_sheets.prune(now=now)
    jobs.prune(now=now)
    outbox.prune(now=now)
    sessions.prune(now=now)


@jobs.task("audit", lease=timedelta(hours=2))
def audit(payload: Mapping[str, Any], now: datetime) -> None:
    """Work balances and flows out again; a difference makes the job fail, so that it is seen."""
    found = auditing.audit().findings
    if found:
        shown = "; ".join(str(each) for each in found[:5])
        raise jobs.NoUse(f"The audit found {len(found)} difference(s): {shown}")


@jobs.task(LEDGER_CHECK, lease=timedelta(hours=2))
def check(payload: Mapping[str, Any], now: datetime) -> None:
    """Work out again the balances and flows of one lab, for somebody who asked."""
    ledger_check.check_do(payload=payload, now=now)
