"""From the records to what the rules need to know of a container: of one, or of thousands at once."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from functools import lru_cache
from typing import Literal, cast
from zoneinfo import ZoneInfo

from inventory.models import Container, Lab, Lot, Solvent
from inventory.rules.deciding import Judge, Tested, counting_test, deciding
from inventory.rules.facts import ContainerFacts
from inventory.rules.opening import counts_open_from
from inventory.rules.peroxide import PeroxideClass
from inventory.rules.policy_data import Atmosphere, Closure, Origin, Policy
from inventory.rules.retest import Due, next_test
from inventory.services.readings import Records, held_by, mixed_in, records_of, standing_tests

BOUGHT = (Lot.Origin.PURCHASED, Lot.Origin.NOT_KNOWN)


@lru_cache(maxsize=256)
def _policy_from(text: str) -> Policy:
    return Policy.from_json(json.loads(text))


def policy_of(lab: Lab) -> Policy:
    """The lab's retest policy as the rules read it."""
    return _policy_from(json.dumps(lab.policy.body, sort_keys=True))


def class_for_safety(solvent: Solvent) -> PeroxideClass:
    """A solvent that nobody has confirmed is handled as if its class were not known."""
    if solvent.state == Solvent.State.UNCONFIRMED:
        return "unknown"
    return cast(PeroxideClass, solvent.peroxide_class)


@dataclass(frozen=True)
class Gathered:
    """Facts of containers with the records they rest on. facts None: it never held anything.

    policies: of each lab, the one in use or the one that is tried out.
    """

    containers: Sequence[Container]
    policies: Mapping[int, Policy]
    records: Records
    facts: Mapping[int, ContainerFacts | None]

    def own_tests(self, container: Container) -> list[Tested]:
        """Standing tests of what is in a container, made there, oldest first."""
        held = held_by(container)
        return [] if held is None else self.records.tests.here(held)


def containers_with(ids: Collection[int]) -> list[Container]:
    """Containers with their labs, policies, lots and solvents, by place; each lab is read once."""
    rows = Container.objects.select_related("lot__solvent").defer("lot__solvent__facts")
    found = list(rows.filter(pk__in=ids).order_by("place_id"))
    labs = Lab.objects.select_related("policy").in_bulk({c.lab_id for c in found})
    for container in found:
        container.lab = labs[container.lab_id]
    return found


def gathered(containers: Sequence[Container], *, trying: Policy | None = None) -> Gathered:
    """The facts of containers that come with lab, policy, lot and solvent, in a fixed number of statements.

    trying: the facts as they would be under this policy; which test counts may depend on it.
    """
    labs = {c.lab_id: c.lab for c in containers}
    policies = {pk: trying or policy_of(lab) for pk, lab in labs.items()}
    records = records_of(containers)
    judges = _Judges(policies)
    held = {c.pk: held_by(c) for c in containers}
    own = {
        c.pk: test
        for c in containers
        if (at := held[c.pk]) and (test := deciding(records.tests.here(at), judges.of(c))) is not None
    }
    passed = {c.pk: own[c.pk] for c in containers if c.pk in own and judges.of(c).passes(own[c.pk].reading)}
    mixed = mixed_in(passed, containers)
    facts: dict[int, ContainerFacts | None] = {}
    for c in containers:
        at, test = held[c.pk], own.get(c.pk)
        if at is not None:
            at = replace(at, givers=records.givers.get(c.pk, frozenset()))
            test = counting_test(at, test, records.tests, judges.of(c), mixed=c.pk in mixed)
        facts[c.pk] = _facts(c, records, test)
    return Gathered(containers, policies, records, facts)


class _Judges:
    """One judge for each lab's policy and each density."""

    def __init__(self, policies: Mapping[int, Policy]) -> None:
        self._policies = policies
        self._made: dict[tuple[int, Decimal | None], Judge] = {}

    def of(self, container: Container) -> Judge:
        density = container.lot.solvent.density_20c_kg_m3 if container.lot else None
        key = (container.lab_id, density)
        if key not in self._made:
            self._made[key] = Judge(self._policies[container.lab_id], density)
        return self._made[key]


def _facts(container: Container, records: Records, test: Tested | None) -> ContainerFacts | None:
    lot = container.lot
    if lot is None:
        return None
    not_known = lot.origin == Lot.Origin.NOT_KNOWN
    behind = records.lots_behind(lot.pk)
    treated = [records.treated[pk] for pk in behind if pk in records.treated]
    return ContainerFacts(
        peroxide_class=class_for_safety(lot.solvent),
        # An unknown origin may be a distillate, so a claimed inhibitor is not believed.
        inhibited=None if not_known else lot.inhibited,
        origin=cast(Origin, "purchased" if not_known else lot.origin),
        opened=cast(Literal["unopened", "opened", "unknown"], container.opened),
        opened_on=container.opened_on,
        received_on=container.received_on,
        made_on=lot.made_on,
        expiry_on=lot.expiry_on,
        last_test=test.reading if test else None,
        recorded_on=container.created_at.astimezone(ZoneInfo(container.lab.time_zone)).date(),
        atmosphere=cast(Atmosphere, container.atmosphere),
        closure=cast(Closure, container.closure),
        signs=records.signs.get(container.pk, frozenset()),
        quarantined=container.quarantined_at is not None,
        density_20c_kg_m3=lot.solvent.density_20c_kg_m3,
        # Poured together with something of known origin it is no better known.
        origin_unknown=not_known or not records.unknown.isdisjoint(behind),
        topped_up_on=lot.topped_up_on,
        treated_on=max(treated, default=None),
        forecast_on=container.forecast_on,
        overridden_on=lot.overridden_on,
        override_reason=lot.override_reason,
    )


def facts_of_many(containers: Sequence[Container]) -> Mapping[int, ContainerFacts | None]:
    """The facts of containers that come with lab, policy, lot and solvent, by id."""
    return gathered(containers).facts


def facts_of(container: Container) -> ContainerFacts | None:
    """What the rules need to know; None for a container that never held anything."""
    return facts_of_many([container])[container.pk]


def due_of(container: Container) -> Due | None:
    """The next test with its reasons, worked out from the facts as they stand."""
    facts = facts_of(container)
    return None if facts is None else next_test(facts, policy_of(container.lab))


def counts_open_since(container: Container, *, day: date | None = None) -> date | None:
    """The day from which what is in a container counts as open; None: not known. day: when a sealed one is.

    One that was overdue while still sealed counts from its receipt, one that was tested from its test, and
    one that was opened shortly before its day from so early that it stays due by then, or pouring would make
    it young.
    """
    facts = facts_of(container)
    if facts is None:
        return container.opened_on
    if facts.opened == "unopened" and day is not None:
        facts = replace(facts, opened="opened", opened_on=first_opened_on(container, day))
    if facts.opened_on is None:
        return None
    policy = policy_of(container.lab)
    days = [counts_open_from(facts, policy) or facts.opened_on]
    reasons = next_test(facts, policy).reasons
    if facts.received_on and any(reason.code == "opened-when-overdue" for reason in reasons):
        days.append(facts.received_on)
    tested_on = facts.last_test and facts.last_test.tested_on
    if tested_on and (facts.received_on is None or tested_on >= facts.received_on):
        days.append(tested_on)
    return min(days)


def first_opened_on(container: Container, day: date) -> date | None:
    """The day of opening of a sealed container that was open by `day`.

    None when a test on an unknown day may have opened it before.
    """
    if container.received_on is None and container.lot is not None and container.lot.origin in BOUGHT:
        return None
    undated = standing_tests([container.lot_id] if container.lot_id else [])
    return None if undated.filter(container=container, tested_on=None).exists() else day
