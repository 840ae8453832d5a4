"""A check of a lab's ledger that a person asked for: a job, since it reads every movement.

What it found is an event, so that the audit trail says when the books were last gone over, by whom and
with what result.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from inventory.models import Lab, User
from inventory.selectors.running import CHECKED, LEDGER_CHECK
from inventory.services import jobs
from inventory.services.audit import audit
from inventory.services.events import record

FINDINGS_TOLD_MAX = 20


def check_ask(*, lab: Lab, actor: User, now: datetime) -> bool:
    """Have the lab's ledger worked out again. Returns False when that was asked for within this minute."""
    minute = now.strftime("%Y-%m-%dT%H:%M")
    asked = jobs.enqueue(
        name=LEDGER_CHECK,
        key=f"{LEDGER_CHECK}:{lab.pk}@{minute}",
        payload={"lab": lab.pk, "actor": actor.pk},
        due_at=now,
        now=now,
    )
    if asked:
        jobs.call_workers(1)
    return asked


def check_do(*, payload: Mapping[str, Any], now: datetime) -> None:
    """Compare the lab's balances, flows and due dates with its movements and facts; note the result."""
    lab = Lab.objects.filter(pk=payload["lab"]).first()
    actor = User.objects.filter(pk=payload["actor"]).first()
    if lab is None or actor is None:
        raise jobs.NoUse("The lab, or who asked, is not there any more.")
    report = audit(lab=lab)
    data = {
        "clean": report.clean,
        "differences": len(report.findings),
        "first": [str(finding) for finding in report.findings[:FINDINGS_TOLD_MAX]],
        "compared": {**report.compared, "due dates": report.due_dates},
    }
    record(lab=lab, actor=actor, now=now, verb=CHECKED, subject=lab, data=data)
