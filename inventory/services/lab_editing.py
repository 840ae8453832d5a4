"""A lab's own facts change: name, texts, time zone, notice, and the retest policy."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, time
from typing import Any
from zoneinfo import available_timezones

from django.db import transaction

from inventory.models import Lab, Policy, User
from inventory.rules.errors import InputError
from inventory.rules.giving_reasons import checked_reason
from inventory.rules.phrases import Phrase
from inventory.services.events import record
from inventory.services.policies import policy_set
from inventory.services.refreshing import refresh_lab

TEXTS = (
    "name",
    "time_zone",
    "emergency_text",
    "contact",
    "due_soon_days",
    "escalate_after_hours",
    "digest_at",
)


def lab_edit(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    changes: Mapping[str, Any],
    policy: Policy | None = None,
    reason: str,
) -> Lab:
    """Change what is given of `TEXTS`, and the policy. `lab` is locked by the caller.

    A policy may make intervals longer, and so may a longer wait before an alert goes to the supervisors: both
    need a reason. Raises InputError naming the field.
    """
    if "time_zone" in changes and changes["time_zone"] not in available_timezones():
        raise InputError(
            "time_zone",
            "unknown-time-zone",
            Phrase("“{time_zone}” is not a time zone.", time_zone=changes["time_zone"]),
            Phrase("Use a name such as Europe/Berlin."),
        )
    if changes.get("escalate_after_hours", 0) > lab.escalate_after_hours:
        checked_reason(reason, what=Phrase("Alerts would go to the supervisors later than now."))
    changed = {
        name: changes[name] for name in TEXTS if name in changes and changes[name] != getattr(lab, name)
    }
    with transaction.atomic():
        before = {name: getattr(lab, name) for name in changed}
        for name, value in changed.items():
            setattr(lab, name, value)
        if changed:
            lab.save(update_fields=list(changed))
            data = {"before": _plain(before), "after": _plain(changed), "reason": reason.strip()}
            record(lab=lab, actor=actor, now=now, verb="lab-edited", subject=lab, data=data)
        if policy is not None and policy.pk != lab.policy_id:
            policy_set(lab=lab, actor=actor, now=now, policy=policy, reason=reason)
        elif "time_zone" in changed:
            # The day on which a container entered the records is a day in the lab's zone.
            refresh_lab(lab=lab, now=now)
    return lab


def _plain(facts: Mapping[str, Any]) -> dict[str, Any]:
    """As JSON: a time of day to the minute."""
    return {name: f"{fact:%H:%M}" if isinstance(fact, time) else fact for name, fact in facts.items()}
