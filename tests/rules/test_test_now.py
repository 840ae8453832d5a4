"""Whoever looks at the due list is led to a test only where nothing is to be asked or done before."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.rules.advice import ASK_FIRST, told
from inventory.rules.facts import ContainerFacts
from inventory.rules.policy_data import Policy
from inventory.rules.retest import dispose_on, next_test
from inventory.rules.verdict import verdicts
from inventory.selectors.due import SOON, DueItem
from tests.rules.facts import ANY_FACTS, DAYS, FRESH, POLICIES, TODAY

CAUTIOUS = POLICIES["cautious-default"]


def item(facts: ContainerFacts, policy: Policy = CAUTIOUS, today: date = TODAY) -> DueItem:
    """As `services/due_telling` makes one."""
    due = next_test(facts, policy)
    days = None if due.on is None else (today - due.on).days
    said = told(verdicts(facts, policy, today), code=due.code, words=due.words, days=days)
    last, aside = dispose_on(facts, policy), facts.quarantined
    known = DueItem(1, "B-1", "", "", "A", "", 500, due.on, days, due.code, due.words, "", SOON)
    judged = replace(known, level=said.level, advice=said.advice, due_code=said.code, days=said.days)
    return replace(judged, dispose_on=last, set_aside=aside)


@given(ANY_FACTS, st.sampled_from(list(POLICIES.values())), DAYS)
def test_no_test_is_led_to_where_the_verdict_lets_nobody_open_it(
    facts: ContainerFacts, policy: Policy, today: date
) -> None:
    one, found = item(facts, policy, today), verdicts(facts, policy, today)
    if one.test_now:
        assert found["open"].allowed
        assert not facts.quarantined
        assert ASK_FIRST not in one.advice
        # A word of the verdict against keeping it leaves nothing to test.
        assert found["keep"].allowed
        assert not any(r.code.startswith("sign-") and r.level != "use" for r in found["open"].reasons)


@pytest.mark.parametrize(("days", "tests"), [(-3, True), (0, True), (1, True), (90, True), (91, False)])
def test_what_falls_due_is_tested_until_it_is_long_over(days: int, tests: bool) -> None:
    bottle = replace(FRESH, last_test=None)
    due_on = next_test(bottle, CAUTIOUS).on
    assert due_on is not None
    assert item(bottle, CAUTIOUS, due_on + timedelta(days=days)).test_now == tests


def test_a_last_day_an_empty_bottle_and_one_without_a_date_want_no_test() -> None:
    soon = item(FRESH)
    assert soon.test_now
    for other in (
        replace(soon, dispose_on=soon.next_test_due),
        replace(soon, volume_ul=0),
        replace(soon, days=None),
        replace(soon, due_code="not-a-former"),
    ):
        assert not other.test_now
    assert not item(replace(FRESH, quarantined=True)).test_now
