"""Who made a rule or a container milder than the records alone would: shown wherever it matters."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
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
    loosened: Sequence[Mapping[str, Any]] = ()


def policy_in_use(lab: Lab) -> PolicyInUse:
    """The policy with its source and, unless it is the shipped cautious default, who set it and why.

    loosened: as `policy_loosenings`.
    """
    policy = lab.policy
    is_default = policy.lab_id is None and policy.key == DEFAULT_POLICY_KEY
    known: dict[str, Any] = {"name": policy.name, "source": policy.source, "is_default": is_default}
    chosen = None if is_default else _chosen(lab)
    if chosen is not None:
        known |= {"by": chosen.actor.display_name, "at": chosen.at}
        known["reason"] = str(chosen.data.get("reason", ""))
    return PolicyInUse(**known, loosened=() if is_default else policy_loosenings(lab, policy.key))


def policy_loosenings(lab: Lab, key: str) -> list[dict[str, Any]]:
    """When the lab's rules got looser by choosing or changing this policy: newest first, with each way."""
    own = Event.objects.select_related("actor").filter(
        subject_kind="lab", subject_id=lab.pk, lab=lab, verb="policy-loosened", data__to=key
    )
    names = ("reason", "from", "to", "looser")
    return [
        {"at": event.at, "by": event.actor.display_name, **{name: event.data[name] for name in names}}
        for event in own.order_by("-id")[:SHOWN_MAX]
    ]


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
