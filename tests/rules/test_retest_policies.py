"""The shipped policies are whole, survive JSON, and a wrong one is refused by the name of the wrong value."""

from __future__ import annotations

import json
from copy import deepcopy
from dataclasses import replace
from decimal import Decimal
from itertools import product
from pathlib import Path
from typing import Any

import pytest

from inventory.rules.policy_data import DEFAULT_POLICY_KEY, Policy, PolicyError, Rule, load_policies
from inventory.rules.retest import next_test
from tests.rules.test_retest import DISTILLED, ETHER, SEALED

POLICIES = load_policies()
GOOD: dict[str, Any] = POLICIES[DEFAULT_POLICY_KEY].to_json()


@pytest.mark.parametrize("policy", POLICIES.values(), ids=POLICIES.keys())
def test_every_kind_of_former_has_a_row(policy: Policy) -> None:
    for facts, peroxide_class, inhibited in product((ETHER, SEALED, DISTILLED), "ABCD", (True, False, None)):
        due = next_test(replace(facts, peroxide_class=peroxide_class, inhibited=inhibited), policy)  # type: ignore[arg-type]
        assert due.code != "no-rule"


def test_the_default_is_never_looser_than_cornell() -> None:
    # Cornell EHS App. J, row by row.
    for facts, peroxide_class, inhibited in product((ETHER, SEALED, DISTILLED), "ABCD", (True, False)):
        held = replace(facts, peroxide_class=peroxide_class, inhibited=inhibited)  # type: ignore[arg-type]
        ours, theirs = (next_test(held, POLICIES[key]).on for key in (DEFAULT_POLICY_KEY, "cornell"))
        assert ours is not None
        assert theirs is not None
        assert ours <= theirs


def test_levels_are_those_of_michigan_state() -> None:
    default = POLICIES[DEFAULT_POLICY_KEY]
    assert (default.action_level_mg_per_l, default.stop_level_mg_per_l) == (Decimal(25), Decimal(100))
    assert "Michigan State" in default.level_source


@pytest.mark.parametrize("policy", POLICIES.values(), ids=POLICIES.keys())
def test_json_gives_the_same_policy_back(policy: Policy) -> None:
    assert Policy.from_json(json.loads(json.dumps(policy.to_json()))) == policy
    assert [Rule.from_json(rule.to_json()) for rule in policy.rules] == list(policy.rules)


def wrong(data: object) -> PolicyError:
    with pytest.raises(PolicyError) as caught:
        Policy.from_json(data)
    assert caught.value.code == "policy-invalid"
    assert caught.value.remedy
    return caught.value


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("key", ""),
        ("name", None),
        ("source", 5),
        ("action_level_mg_per_l", "0"),
        ("action_level_mg_per_l", 25.0),
        ("action_level_mg_per_l", True),
        ("action_level_mg_per_l", "NaN"),
        ("action_level_mg_per_l", "lots"),
        ("stop_level_mg_per_l", "24"),
        ("rules", []),
        ("rules", "none"),
        ("colour", "red"),
    ],
)
def test_a_wrong_value_is_named(key: str, value: object) -> None:
    assert wrong(GOOD | {key: value}).field == f"policy.{key}"


@pytest.mark.parametrize(
    ("key", "value", "named"),
    [
        ("class", "none", "class"),
        ("class", "E", "class"),
        ("opened", "yes", "opened"),
        ("inhibited", 1, "inhibited"),
        ("inhibitted", False, "inhibitted"),
        ("origins", ["bought"], "origins"),
        ("origins", [], "origins"),
        ("counts_from", "expiry", "counts_from"),
        ("months", -1, "months"),
        ("months", 1.5, "months"),
        ("months", True, "months"),
        ("months", 10**9, "months"),
        ("hours", 24, "months"),
        ("months", None, "months"),
        ("source", "  ", "source"),
    ],
)
def test_a_wrong_value_in_a_row_is_named(key: str, value: object, named: str) -> None:
    data = deepcopy(GOOD)
    data["rules"][0][key] = value
    assert wrong(data).field == f"policy.rules[0].{named}"


def test_what_is_no_table_is_refused() -> None:
    assert wrong(None).field == "policy"
    assert wrong(GOOD | {"rules": [5]}).field == "policy.rules[0]"


def toml(policies: int = 1, level: str = "25") -> str:
    row = f"""
[[policies]]
key = "k"
name = "n"
source = "s"
level_source = "l"
action_level_mg_per_l = {level}
stop_level_mg_per_l = 100
rules = [ {{ class = "A", opened = true, counts_from = "opened", months = 3, source = "s" }} ]
"""
    return row * policies


def test_a_file_may_write_levels_as_numbers(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text(toml(level="12.5"), encoding="utf-8")
    assert load_policies(path)["k"].action_level_mg_per_l == Decimal("12.5")


@pytest.mark.parametrize(
    ("content", "code"),
    [
        ("= 5", "policy-unreadable"),
        ("", "policy-invalid"),
        ("x = 1", "policy-invalid"),
        (toml(2), "policy-invalid"),
    ],
)
def test_a_file_that_cannot_be_used(tmp_path: Path, content: str, code: str) -> None:
    path = tmp_path / "own.toml"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(PolicyError) as caught:
        load_policies(path)
    assert caught.value.code == code
