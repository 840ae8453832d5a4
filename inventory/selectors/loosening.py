"""Who made a rule or a container milder than the records alone would: shown wherever it matters."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from inventory.models import Container, Event, Lab
from inventory.rules.policy_data import DEFAULT_POLICY_KEY

SHOWN_MAX = 20


@dataclass(frozen=True)
class PolicyInUse:
    """The lab's retest policy. by, at, reason: who chose it; empty for the cautious default."""

    name: str
    source: str
    is_default: bool
    by: str = ""
    at: datetime | None = None
    reason: str = ""


def policy_in_use(lab: Lab) -> PolicyInUse:
    """The policy with its source and, unless it is the shipped cautious default, who set it and why."""
    policy = lab.policy
    is_default = policy.lab_id is None and policy.key == DEFAULT_POLICY_KEY
    chosen = None if is_default else _chosen(lab)
    if chosen is None:
        return PolicyInUse(policy.name, policy.source, is_default)
    reason = str(chosen.data.get("reason", ""))
    return PolicyInUse(policy.name, policy.source, is_default, chosen.actor.display_name, chosen.at, reason)


def _chosen(lab: Lab) -> Event | None:
    own = Event.objects.select_related("actor").filter(
        subject_kind="lab", subject_id=lab.pk, lab=lab, verb="policy-set"
    )
    return own.order_by("-id").first()


def loosened(container: Container) -> list[dict[str, Any]]:
    """What a supervisor signed for on this container, newest first: at, by, what, reason, from, to."""
    own = Event.objects.filter(
        subject_kind="container", subject_id=container.pk, lab_id=container.lab_id, verb="loosened"
    )
    rows = own.order_by("-id").values_list("at", "actor__username", "data")[:SHOWN_MAX]
    names = ("what", "reason", "from", "to")
    return [{"at": at, "by": by, **{name: data[name] for name in names}} for at, by, data in rows]
