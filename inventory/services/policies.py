"""Retest policies as data: a lab chooses one, keeps its own, and sees beforehand what a change would do.

Tightening is free for whoever may edit policies. What is looser in any way, by `rules.looser`, needs a
supervisor and a reason, is dated, and stays visible.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from itertools import islice

from django.db import IntegrityError, transaction
from django.db.models import Q, QuerySet

from inventory.models import Container, Lab, Policy, User
from inventory.rules import policy_data
from inventory.rules.errors import Conflict, InputError
from inventory.rules.giving_reasons import checked_reason
from inventory.rules.looser import looser
from inventory.rules.phrases import Phrase
from inventory.rules.policy_data import PolicyError
from inventory.rules.retest import next_test
from inventory.services.events import record
from inventory.services.facts import containers_with, gathered, policy_of
from inventory.services.loosening import require_signature
from inventory.services.refreshing import CHUNK, refresh_lab

LOOSENED = "policy-loosened"
EXAMPLES_MAX = 20


@dataclass(frozen=True)
class Move:
    """A container whose next test would come on another day. None: no test is needed."""

    container_id: int
    code: str
    before: date | None
    after: date | None


@dataclass(frozen=True)
class Effect:
    """What using a policy would change: how many dates come earlier or later, and in what it is looser."""

    containers: int
    earlier: int
    later: int
    looser: Sequence[str]
    examples: Sequence[Move]


def body_read(data: object) -> policy_data.Policy:
    """A policy from a request's body. Raises InputError naming the value, as body.rules.3.months."""
    try:
        return policy_data.Policy.from_json(data, "body")
    except PolicyError as error:
        field = re.sub(r"\[(\d+)\]", r".\1", error.field)
        raise InputError(field, error.code, error.detail, error.remedy) from error


def policies_of(lab: Lab) -> QuerySet[Policy]:
    """Shipped policies and the lab's own."""
    return Policy.objects.filter(Q(lab=None) | Q(lab=lab))


def policy_add(
    *, lab: Lab, actor: User, now: datetime, body: policy_data.Policy, copied_from: str = ""
) -> Policy:
    """Keep a policy of the lab's own. Nothing is judged by it until it is chosen. Raises Conflict."""
    taken = Conflict(
        "key",
        "key-taken",
        Phrase("There is a policy “{key}” already.", key=body.key),
        Phrase("Choose another key."),
    )
    if policies_of(lab).filter(key=body.key).exists():
        raise taken
    try:
        with transaction.atomic():
            made = Policy.objects.create(
                lab=lab,
                key=body.key,
                name=body.name[:120],
                source=body.source,
                body=body.to_json(),
                copied_from=copied_from,
            )
            data = {"key": made.key, "copied_from": copied_from, "body": made.body}
            record(lab=lab, actor=actor, now=now, verb="policy-added", subject=made, data=data)
    except IntegrityError as error:
        raise taken from error
    return made


def copy_of(policy: Policy, key: str, name: str) -> policy_data.Policy:
    """The body of a copy under another key and name."""
    return body_read({**policy.body, "key": key, "name": name or f"{policy.name} (own copy)"[:120]})


def policy_edit(
    *,
    lab: Lab,
    actor: User,
    now: datetime,
    policy: Policy,
    body: policy_data.Policy,
    reason: str = "",
    may_loosen: bool = False,
) -> Policy:
    """Change a policy of the lab's own; every date that rests on it is worked out again.

    `lab` is locked by the caller, so that no receipt meanwhile goes by the old rules. Raises Conflict for a
    shipped policy or another key; Denied or InputError when it gets looser without a signature.
    """
    if policy.lab_id != lab.pk:
        raise Conflict(
            "policy",
            "shipped-policy",
            Phrase("“{key}” is shipped and stays as it is.", key=policy.key),
            Phrase("Make a copy of it."),
        )
    if body.key != policy.key:
        raise Conflict(
            "body.key",
            "key-fixed",
            Phrase("This is “{key}”.", key=policy.key),
            Phrase("Make another policy instead."),
        )
    with transaction.atomic():
        held = Policy.objects.select_for_update(of=("self",)).get(pk=policy.pk)
        before = held.body
        if before == body.to_json():
            return held
        found = looser(policy_data.Policy.from_json(before), body)
        if found:
            require_signature(may_loosen=may_loosen, reason=reason, what=Phrase("This change of the policy"))
        held.name, held.source, held.body = body.name[:120], body.source, body.to_json()
        held.version += 1
        held.save(update_fields=["name", "source", "body", "version"])
        data = {"key": held.key, "before": before, "after": held.body, "reason": reason.strip()}
        record(lab=lab, actor=actor, now=now, verb="policy-edited", subject=held, data=data)
        _note_loosening(lab, actor, now, held.key, held.key, found, reason)
        if lab.policy_id == held.pk:
            lab.policy = held
            refresh_lab(lab=lab, now=now)
    return held


def policy_set(*, lab: Lab, actor: User, now: datetime, policy: Policy, reason: str) -> None:
    """Use another policy from now on and work out every due date again. Who, when and why stay on record.

    The door has asked for `policy.set`, which only a supervisor has, whether it is looser or not. One that is
    looser in nothing needs no reason. Raises InputError.
    """
    before, after = policy_of(lab), policy_data.Policy.from_json(policy.body)
    found = looser(before, after)
    if found:
        reason = checked_reason(reason, what=Phrase("A policy that is looser in some way needs a reason."))
    with transaction.atomic():
        data = {"from": lab.policy.key, "to": policy.key, "reason": reason.strip()}
        Lab.objects.filter(pk=lab.pk).update(policy=policy)
        lab.policy = policy
        refresh_lab(lab=lab, now=now)
        record(lab=lab, actor=actor, now=now, verb="policy-set", subject=lab, data=data)
        _note_loosening(lab, actor, now, data["from"], policy.key, found, reason)


def _note_loosening(
    lab: Lab, actor: User, now: datetime, before: str, after: str, found: Sequence[str], reason: str
) -> None:
    if found:
        data = {"from": before, "to": after, "looser": list(found), "reason": reason.strip()}
        record(lab=lab, actor=actor, now=now, verb=LOOSENED, subject=lab, data=data)


def effect_of(*, lab: Lab, body: policy_data.Policy) -> Effect:
    """What would change if the lab used this policy from now on; nothing is written."""
    rows = Container.objects.filter(lab=lab, discarded_at=None, lot__isnull=False).order_by("place_id")
    each = iter(list(rows.values_list("pk", flat=True)))
    counted: Counter[str] = Counter()
    examples: list[Move] = []
    while ids := list(islice(each, CHUNK)):
        for move in _moves(ids, body):
            counted["containers"] += 1
            if move.before != move.after:
                later = (move.after or date.max) > (move.before or date.max)
                counted["later" if later else "earlier"] += 1
                examples.append(move)
        examples = examples[:EXAMPLES_MAX]
    words = looser(policy_of(lab), body)
    return Effect(counted["containers"], counted["earlier"], counted["later"], words, examples)


def _moves(ids: Sequence[int], body: policy_data.Policy) -> list[Move]:
    containers = containers_with(ids)
    now, tried = gathered(containers), gathered(containers, trying=body)
    moves = []
    for container in containers:
        facts, other = now.facts[container.pk], tried.facts[container.pk]
        if facts is None or other is None:
            continue
        # By the rules alone: a forecast depends on the level, and is worked out when the policy is used.
        before, after = (
            next_test(replace(known, forecast_on=None), policy).on
            for known, policy in ((facts, now.policies[container.lab_id]), (other, body))
        )
        moves.append(Move(container.pk, container.code, before, after))
    return moves
