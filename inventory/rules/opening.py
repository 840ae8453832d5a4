"""From which day what was in a bottle counts as open, once it is known by that day alone."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

from inventory.rules.facts import ContainerFacts, vouches
from inventory.rules.policy_data import Policy
from inventory.rules.retest import next_test, unopened_dues

# Months differ in length, so that one step back may not be enough.
STEPS_MAX = 8


def counts_open_from(facts: ContainerFacts, policy: Policy) -> date | None:
    """The day of opening by which its content alone falls due no later than the sealed bottle would have.

    It is poured elsewhere, or becomes a lot of its own, and the day of receipt stays behind: an opening
    shortly before the unopened day must not give it a whole opened interval. None: the opening is not known.
    """
    day = facts.opened_on
    if day is None or facts.peroxide_class == "none" or vouches(facts, policy):
        return day
    bare = replace(facts, last_test=None, forecast_on=None, expiry_on=None, overridden_on=None)
    stood = min((due.on for due in unopened_dues(bare, policy) if due.on), default=None)
    if stood is None:
        return day
    alone = replace(bare, origin="blend", received_on=None, made_on=None)
    for _ in range(STEPS_MAX):
        due_on = next_test(replace(alone, opened_on=day), policy).on
        if due_on is None or due_on <= stood:
            return day
        day -= due_on - stood
    return min(day, facts.received_on or day)
