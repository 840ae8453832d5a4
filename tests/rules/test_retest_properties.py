"""What must hold for every container and policy, whatever is known of it."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal

from hypothesis import given
from hypothesis import strategies as st

from inventory.rules.outcomes import action_level
from inventory.rules.peroxide import METHODS, Reading
from inventory.rules.policy_data import load_policies
from inventory.rules.retest import ContainerFacts, next_test

POLICIES = st.sampled_from(list(load_policies().values()))
DAYS = st.dates(date(2020, 1, 1), date(2026, 12, 31))
MAYBE_DAY = st.none() | DAYS
LOWER = st.decimals(0, 120, places=1)
READINGS = st.builds(
    lambda lower, width, method, tested_on: Reading(
        lower, None if width is None else lower + width, method, tested_on
    ),
    LOWER,
    st.none() | st.just(Decimal(0)) | st.decimals(0, 60, places=1),
    st.sampled_from(sorted(METHODS)),
    MAYBE_DAY,
)
FORMERS = st.builds(
    ContainerFacts,
    peroxide_class=st.sampled_from(["A", "B", "C", "D", "unknown"]),
    inhibited=st.sampled_from([True, False, None]),
    origin=st.sampled_from(["purchased", "made-here", "recovered", "blend"]),
    opened=st.sampled_from(["unopened", "opened", "unknown"]),
    opened_on=MAYBE_DAY,
    received_on=MAYBE_DAY,
    made_on=MAYBE_DAY,
    expiry_on=MAYBE_DAY,
    last_test=st.none() | READINGS,
    recorded_on=DAYS,
)


def on(facts: ContainerFacts, policy: object) -> date:
    got = next_test(facts, policy)  # type: ignore[arg-type]
    assert got.on is not None
    assert got.words
    assert got.rule_source
    return got.on


@given(FORMERS, POLICIES)
def test_a_former_always_has_a_date(facts: ContainerFacts, policy: object) -> None:
    on(facts, policy)


@given(FORMERS, POLICIES)
def test_not_knowing_the_inhibitor_never_gives_more_time(facts: ContainerFacts, policy: object) -> None:
    assert on(replace(facts, inhibited=None), policy) == on(replace(facts, inhibited=False), policy)
    assert on(replace(facts, inhibited=None), policy) <= on(replace(facts, inhibited=True), policy)


@given(FORMERS, POLICIES, DAYS)
def test_an_expiry_date_never_gives_more_time(facts: ContainerFacts, policy: object, expiry_on: date) -> None:
    without = on(replace(facts, expiry_on=None, last_test=None), policy)
    assert on(replace(facts, expiry_on=expiry_on, last_test=None), policy) == min(without, expiry_on)


@given(FORMERS, POLICIES, LOWER)
def test_an_undated_test_never_gives_more_time(facts: ContainerFacts, policy: object, value: Decimal) -> None:
    undated = replace(facts, last_test=Reading(value, value))
    if value < action_level(policy):  # type: ignore[arg-type]
        assert on(undated, policy) <= on(replace(facts, last_test=None), policy)
    else:
        assert next_test(undated, policy).at_once  # type: ignore[arg-type]


@given(FORMERS, POLICIES, LOWER, LOWER)
def test_a_worse_reading_never_passes_where_a_better_one_failed(
    facts: ContainerFacts, policy: object, one: Decimal, other: Decimal
) -> None:
    better, worse = sorted((one, other))
    day = facts.recorded_on
    failed = next_test(replace(facts, last_test=Reading(better, better, tested_on=day)), policy)  # type: ignore[arg-type]
    again = next_test(replace(facts, last_test=Reading(worse, worse, tested_on=day)), policy)  # type: ignore[arg-type]
    if failed.code == "reading-at-or-above-level":
        assert again.code == "reading-at-or-above-level"


@given(FORMERS, POLICIES)
def test_losing_the_opening_date_never_gives_more_time(facts: ContainerFacts, policy: object) -> None:
    # Dates in their natural order: opening never before receipt or recording.
    days = [day for day in (facts.opened_on, facts.received_on, facts.recorded_on) if day is not None]
    ordered = replace(facts, origin="purchased", opened="opened", opened_on=max(days))
    test = ordered.last_test
    if test and test.tested_on and test.tested_on < max(days):
        # It was open for that test, so the opening told is not the real one, whose loss is asked about.
        ordered = replace(ordered, last_test=None)
    assert on(replace(ordered, opened_on=None), policy) <= on(ordered, policy)


@given(FORMERS, POLICIES, DAYS)
def test_opening_without_a_test_never_gives_more_time(
    facts: ContainerFacts, policy: object, opened_on: date
) -> None:
    """The project's own rule: the day that stood for the sealed bottle is never put off by opening it."""
    sealed = replace(facts, origin="purchased", opened="unopened", opened_on=None, last_test=None)
    opened = replace(sealed, opened="opened", opened_on=opened_on)
    if sealed.received_on is not None and opened_on >= sealed.received_on:
        assert on(opened, policy) <= on(sealed, policy)
