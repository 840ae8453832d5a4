"""Odd policies of a lab's own: an unknown fact never gets more time than any of the things it could be."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import pytest

from inventory.rules.policy_data import Policy, load_policies
from inventory.rules.retest import ContainerFacts, next_test

OPENED = date(2026, 1, 31)
BOTTLE = ContainerFacts(
    peroxide_class="B",
    inhibited=None,
    origin="purchased",
    opened="opened",
    opened_on=OPENED,
    received_on=OPENED,
    made_on=None,
    expiry_on=None,
    last_test=None,
    recorded_on=OPENED,
)


def policy_of(*rules: dict[str, Any]) -> Policy:
    """Made up for these tests: rows such as no published table has."""
    plain = {"class": "B", "opened": True, "counts_from": "opened", "source": "made up"}
    level = {"from": "25", "then": "do-not-use", "source": "made up"}
    body = {"key": "odd", "name": "Odd", "source": "made up", "levels": [level]}
    return Policy.from_json({**body, "rules": [{**plain, **rule} for rule in rules]})


INHIBITED_SHORTER = policy_of({"inhibited": True, "months": 2}, {"inhibited": False, "months": 6})
INERT_SHORTER = policy_of({"atmosphere": "inert", "days": 20}, {"atmosphere": "air", "months": 3})
INHIBITED_ONLY = policy_of({"inhibited": True, "months": 2})


def test_an_unknown_inhibitor_takes_the_shorter_row() -> None:
    assert next_test(BOTTLE, INHIBITED_SHORTER).on == date(2026, 3, 31)
    assert next_test(replace(BOTTLE, inhibited=False), INHIBITED_SHORTER).on == date(2026, 7, 31)


def test_an_unknown_atmosphere_takes_the_shorter_row() -> None:
    assert next_test(BOTTLE, INERT_SHORTER).on == date(2026, 2, 20)
    assert next_test(replace(BOTTLE, atmosphere="air"), INERT_SHORTER).on == date(2026, 4, 30)


def test_a_row_for_what_it_may_be_does_not_stand_in_for_the_row_that_is_missing() -> None:
    assert next_test(BOTTLE, INHIBITED_ONLY).code == "no-rule"
    assert next_test(replace(BOTTLE, inhibited=True), INHIBITED_ONLY).on == date(2026, 3, 31)


def test_plain_policies_are_looked_at_one_way() -> None:
    """Of the shipped ones only USC 2021 asks for disposal of what is inhibited and not of what is not."""
    policies = load_policies().values()
    assert [policy.key for policy in policies if policy.index.inhibitor_may_shorten] == ["usc-2021"]
    assert not any(policy.index.gas_may_shorten for policy in policies)


@pytest.mark.parametrize("policy", [INHIBITED_SHORTER, INERT_SHORTER, INHIBITED_ONLY], ids=lambda p: p.key)
def test_no_known_fact_comes_earlier_than_the_unknown_one(policy: Policy) -> None:
    unknown = next_test(BOTTLE, policy).on
    assert unknown is not None
    for inhibited in (True, False):
        for atmosphere in ("air", "inert"):
            known = next_test(replace(BOTTLE, inhibited=inhibited, atmosphere=atmosphere), policy).on
            assert known is not None and unknown <= known
