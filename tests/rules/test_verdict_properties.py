"""What must hold of the verdict for every container, policy and day.

The yardstick is the safety rule of the project itself: a missing fact takes the worse case, and what is added
to the case against a container never helps it.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.rules.levels import LEVELS, RANK, USES, allows
from inventory.rules.outcomes import passes_levels
from inventory.rules.peroxide import NOT_STATED, Reading
from inventory.rules.policy_data import Policy
from inventory.rules.retest import ContainerFacts, dues, next_test
from inventory.rules.signs import SIGNS
from inventory.rules.verdict import verdict, verdicts
from tests.rules.facts import ANY_FACTS, DAYS, POLICIES, lives
from tests.rules.policies_made import BODIES, MADE_UP

SHIPPED = st.sampled_from(list(POLICIES.values()))


@given(ANY_FACTS, SHIPPED | MADE_UP, DAYS | st.sampled_from([date.min, date.max]))
def test_it_never_raises_and_always_says_why(facts: ContainerFacts, policy: Policy, today: date) -> None:
    for use, got in verdicts(facts, policy, today).items():
        assert got == verdict(facts, policy, use, today)
        assert got.reasons
        assert got.level == max((reason.level for reason in got.reasons), key=LEVELS.index)
        assert got.reasons[0].level == got.level
        assert got.allowed == allows(got.level, use)
        assert "local-code" in got.cautions
        assert all(r.code and r.words and r.fact and r.source for r in got.reasons)
        assert got.due_on is not None or facts.peroxide_class == "none"


def no_milder(before: ContainerFacts, after: ContainerFacts, policy: Policy, today: date) -> None:
    """`after` is judged no milder than `before`, and falls due no later unless both days are over."""
    old, new = verdicts(before, policy, today), verdicts(after, policy, today)
    for use in USES:
        assert RANK[new[use].level] >= RANK[old[use].level], (use, old[use], new[use])
        assert old[use].allowed or not new[use].allowed
    then, now = old["draw"].due_on, new["draw"].due_on
    if then is not None:
        assert now is not None
        assert now <= max(then, before.recorded_on)


Change = Callable[[ContainerFacts], ContainerFacts]


def lost(**changes: Any) -> Change:
    return lambda facts: replace(facts, **changes)


def lost_of_test(**changes: Any) -> Change:
    return lambda facts: (
        replace(facts, last_test=replace(facts.last_test, **changes)) if facts.last_test else facts
    )


FORGOTTEN = {
    "class": lost(peroxide_class="unknown"),
    "inhibitor": lost(inhibited=None),
    "origin": lost(origin="purchased", origin_unknown=True, inhibited=None),
    "opened": lambda facts: replace(facts, opened="unknown") if facts.opened_on is None else facts,
    "opening day": lost(opened_on=None),
    "making day": lost(made_on=None),
    "top-up": lost(topped_up_on=None),
    "closure": lost(closure="unknown"),
    "density": lost(density_20c_kg_m3=None),
    "day of the test": lost_of_test(tested_on=None),
    "method": lost_of_test(method=NOT_STATED),
    "upper end of the reading": lost_of_test(upper_mg_per_l=None),
    "date of the strips": lost_of_test(reagent_expired=True),
}


@pytest.mark.parametrize("change", FORGOTTEN.values(), ids=FORGOTTEN.keys())
@given(life=lives(), policy=SHIPPED)
def test_a_fact_that_is_lost_never_makes_it_milder(
    change: Change, life: tuple[ContainerFacts, date], policy: Policy
) -> None:
    facts, today = life
    no_milder(facts, change(facts), policy, today)


# These hold under any policy, however odd. The others take it that a policy gives what is uninhibited, in air
# or made here no more time than what is not, and an opened bottle no more than a sealed one, as every
# published one does.
UNDER_ANY_POLICY = (
    "class",
    "opening day",
    "closure",
    "density",
    "day of the test",
    "method",
    "upper end of the reading",
)


@pytest.mark.parametrize("what", UNDER_ANY_POLICY)
@given(life=lives(), policy=MADE_UP)
def test_a_fact_that_is_lost_never_makes_it_milder_under_any_policy(
    what: str, life: tuple[ContainerFacts, date], policy: Policy
) -> None:
    facts, today = life
    no_milder(facts, FORGOTTEN[what](facts), policy, today)


@given(lives(), SHIPPED)
def test_an_unknown_receipt_never_gives_a_bottle_more_time_that_counts_from_it(
    life: tuple[ContainerFacts, date], policy: Policy
) -> None:
    # Where nothing counts from it, the receipt of an open bottle is told against it, as a sign is.
    facts, today = life
    unknown = replace(facts, received_on=None)
    missed = any(due.code == "receipt-date-unknown" for due in dues(unknown, policy))
    if facts.opened == "unopened" or missed:
        no_milder(facts, unknown, policy, today)
    else:
        no_milder(unknown, facts, policy, today)


USC_TEST = Reading(Decimal(0), Decimal(0), "iodide-visual", date(2024, 8, 23), reagent_expired=False)
USC_TOPPED_UP = ContainerFacts(
    peroxide_class="C", inhibited=None, origin="made-here", opened="opened", opened_on=date(2024, 2, 28),
    received_on=None, made_on=date(2024, 2, 28), expiry_on=None, last_test=USC_TEST, atmosphere="air",
    recorded_on=date(2024, 8, 23), topped_up_on=date(2024, 2, 28),
)  # fmt: skip


@pytest.mark.parametrize("what", ["making day", "upper end of the reading", "day of the test"])
def test_a_top_up_that_may_count_does_not_hide_a_disposal(what: str) -> None:
    """USC EHS 2021: inhibited class C is disposed of after 12 months, uninhibited tested every 24 hours."""
    policy, today = POLICIES["usc-2021"], date(2025, 3, 1)
    assert verdict(USC_TOPPED_UP, policy, "draw", today).level == "do-not-use"
    assert verdict(FORGOTTEN[what](USC_TOPPED_UP), policy, "draw", today).level == "do-not-use"


@given(lives(), SHIPPED)
def test_an_unknown_atmosphere_never_makes_it_milder(
    life: tuple[ContainerFacts, date], policy: Policy
) -> None:
    # Inert gas over class C is told against it: its inhibitor needs air (Cornell App. J, Princeton).
    facts, today = life
    if facts.peroxide_class in ("C", "unknown") and facts.atmosphere == "inert":
        no_milder(replace(facts, atmosphere="unknown"), facts, policy, today)
    else:
        no_milder(facts, replace(facts, atmosphere="unknown"), policy, today)


@given(lives(), SHIPPED)
def test_a_passed_test_that_is_lost_never_makes_it_milder(
    life: tuple[ContainerFacts, date], policy: Policy
) -> None:
    facts, today = life
    if facts.last_test and passes_levels(facts.last_test, policy, facts.density_20c_kg_m3, "distil"):
        no_milder(facts, replace(facts, last_test=None), policy, today)


def days_before(name: str) -> Callable[[int], Change]:
    """A day that is told where none was, so many days before the container was recorded."""

    def told(days: int) -> Change:
        def change(facts: ContainerFacts) -> ContainerFacts:
            day: Any = getattr(facts, name) or facts.recorded_on - timedelta(days=days)
            return replace(facts, **{name: day})

        return change

    return told


def sooner(day: date) -> Change:
    return lambda f: replace(f, forecast_on=min(day, f.forecast_on or date.max))


ADDED = {
    "a sign": st.builds(lambda sign: lambda f: replace(f, signs=f.signs | {sign}), st.sampled_from(SIGNS)),
    "quarantine": st.just(lost(quarantined=True)),
    "the maker's date": st.builds(days_before("expiry_on"), st.integers(-900, 900)),
    "a forecast": st.builds(sooner, DAYS),
    "a treatment": st.builds(days_before("treated_on"), st.integers(0, 300)),
}


@pytest.mark.parametrize("what", ADDED)
@given(data=st.data(), life=lives(), policy=SHIPPED | MADE_UP)
def test_what_is_added_against_it_never_makes_it_milder(
    what: str, data: st.DataObject, life: tuple[ContainerFacts, date], policy: Policy
) -> None:
    facts, today = life
    change: Any = data.draw(ADDED[what])
    no_milder(facts, change(facts), policy, today)


@given(lives(), SHIPPED, st.decimals(0, 200, places=3), st.decimals(0, 200, places=3))
def test_a_higher_reading_never_makes_it_milder(
    life: tuple[ContainerFacts, date], policy: Policy, one: Decimal, other: Decimal
) -> None:
    facts, today = life
    if facts.last_test is not None:
        low, high = (
            replace(facts.last_test, lower_mg_per_l=value, upper_mg_per_l=value)
            for value in sorted((one, other))
        )
        no_milder(replace(facts, last_test=low), replace(facts, last_test=high), policy, today)


@given(lives(), SHIPPED | MADE_UP, st.integers(0, 800))
def test_waiting_never_makes_it_milder(life: tuple[ContainerFacts, date], policy: Policy, days: int) -> None:
    facts, today = life
    for use in USES:
        now = verdict(facts, policy, use, today)
        later = verdict(facts, policy, use, today + timedelta(days=days))
        assert RANK[later.level] >= RANK[now.level]


@given(lives(), BODIES, st.data())
def test_a_shorter_row_never_gives_more_time(
    life: tuple[ContainerFacts, date], body: dict[str, Any], data: st.DataObject
) -> None:
    facts, today = life
    row = data.draw(st.sampled_from(body["rules"]))
    unit = next(name for name in ("months", "days", "hours") if name in row)
    shorter = {**row, unit: data.draw(st.integers(0, row[unit]))}
    rules = [shorter if each is row else each for each in body["rules"]]
    old, new = Policy.from_json(body), Policy.from_json(body | {"rules": rules})
    before, after = (verdicts(facts, policy, today) for policy in (old, new))
    for use in USES:
        assert RANK[after[use].level] >= RANK[before[use].level]
    then, now = next_test(facts, old).on, next_test(facts, new).on
    assert then is None or (now is not None and now <= then)


@given(BODIES)
def test_any_policy_goes_through_json_and_back(body: dict[str, Any]) -> None:
    policy = Policy.from_json(body)
    assert Policy.from_json(json.loads(json.dumps(policy.to_json()))) == policy
