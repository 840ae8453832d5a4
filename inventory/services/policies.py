"""Retest policies: a lab chooses one, or keeps its own."""

from __future__ import annotations

from datetime import datetime

from django.db import transaction

from inventory.models import Lab, Policy, User
from inventory.rules.errors import InputError
from inventory.services.events import record
from inventory.services.refreshing import refresh_lab


def policy_set(*, lab: Lab, actor: User, now: datetime, policy: Policy, reason: str) -> None:
    """Use another policy from now on and work out every due date again. Who, when and why stay on record."""
    if not reason.strip():
        raise InputError(
            "reason", "missing", "Another policy needs a reason.", "Say why it fits this lab better."
        )
    with transaction.atomic():
        data = {"from": lab.policy.key, "to": policy.key, "reason": reason.strip()}
        Lab.objects.filter(pk=lab.pk).update(policy=policy)
        lab.policy = policy
        refresh_lab(lab=lab, now=now)
        record(lab=lab, actor=actor, now=now, verb="policy-set", subject=lab, data=data)
