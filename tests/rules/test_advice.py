"""What people are told to do never goes against the verdict, whatever the container, policy and day.

The yardstick is the table of levels and uses itself (`rules/levels`): where the verdict lets nobody open a
container, no word may ask for a test of it, for a test opens it.
"""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.rules.advice import ASK_FIRST, Told, told
from inventory.rules.alerts import CONTAINER_RULES, AlertRule
from inventory.rules.facts import ContainerFacts
from inventory.rules.policy_data import Policy
from inventory.rules.retest import next_test
from inventory.rules.verdict import verdicts
from tests.rules.facts import ANY_FACTS, DAYS, FRESH, POLICIES, TODAY

ASKS_FOR_A_TEST = re.compile(
    r"[Tt]est (due|before|what)|before a test has passed|opens it to test|needs a test"
)
CAUTIOUS, PRINCETON = POLICIES["cautious-default"], POLICIES["princeton"]


def of(facts: ContainerFacts, policy: Policy = CAUTIOUS, today: date = TODAY) -> Told:
    due = next_test(facts, policy)
    days = None if due.on is None else (today - due.on).days
    return told(verdicts(facts, policy, today), code=due.code, words=due.words, days=days)


@given(ANY_FACTS, st.sampled_from(list(POLICIES.values())), DAYS)
def test_nobody_is_asked_to_test_what_nobody_may_open(
    facts: ContainerFacts, policy: Policy, today: date
) -> None:
    said, found = of(facts, policy, today), verdicts(facts, policy, today)
    assert said.words
    if not found["open"].allowed:
        assert not ASKS_FOR_A_TEST.search(said.advice + said.words), said
        assert said.days is None
        assert "not open" in said.advice or "not use, open" in said.advice
    if not found["draw"].allowed:
        assert said.advice
    if not found["move"].allowed:
        assert "carry" in said.advice


def test_a_sign_leads_and_no_date_stands_beside_it() -> None:
    """Fresh, tested today, due in months: the crystals are what counts."""
    said = of(replace(FRESH, signs=frozenset({"crystals"})))
    assert (said.code, said.level, said.days) == ("sign-crystals", "do-not-touch", None)
    assert said.words == "Crystals or solids were seen."
    mild = of(replace(FRESH, signs=frozenset({"label-unreadable"})))
    assert (mild.code, mild.level, mild.days) == ("sign-label-unreadable", "test-first", None)


def test_an_unknown_age_is_told_as_the_policy_has_it() -> None:
    """Princeton EHS: unknown age, never open, never test; the cautious default has it tested, with leave."""
    unknown = replace(FRESH, opened_on=None, last_test=None)
    assert of(unknown).advice.endswith(ASK_FIRST)
    never = of(unknown, PRINCETON)
    assert (never.level, never.days) == ("do-not-touch", None)
    assert "do not open, test" in never.advice


@pytest.mark.parametrize(("days", "asks"), [(1, False), (90, False), (91, True), (400, True)])
def test_long_overdue_needs_leave_first(days: int, asks: bool) -> None:
    bottle = replace(FRESH, last_test=None)
    due_on = next_test(bottle, CAUTIOUS).on
    assert due_on is not None
    said = of(bottle, CAUTIOUS, due_on + timedelta(days=days))
    assert (said.level, said.days) == ("test-first", days)
    assert (ASK_FIRST in said.advice) == asks


def test_what_is_set_aside_is_not_sent_to_be_collected() -> None:
    said = of(replace(FRESH, quarantined=True))
    assert (said.code, said.days) == ("quarantined", None)
    assert "collect" not in said.advice


@pytest.mark.parametrize("rule", CONTAINER_RULES, ids=lambda rule: rule.key)
def test_no_alert_asks_for_a_deed_that_a_verdict_may_forbid(rule: AlertRule) -> None:
    assert not re.search(r": (test|open|move|carry|take|have)\b", rule.words)
