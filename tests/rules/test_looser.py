"""Looser or not is told by what a policy does: on the shipped policies, and on small changes to each."""

from __future__ import annotations

import time
from copy import deepcopy
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.rules.looser import looser
from inventory.rules.policy_data import Policy
from inventory.rules.retest import next_test
from inventory.rules.verdict import verdicts
from tests.rules.facts import POLICIES, lives
from tests.rules.test_own_policies import CLUB, OXFORD

CAUTIOUS = POLICIES["cautious-default"]
ALL = {**POLICIES, OXFORD.key: OXFORD, CLUB.key: CLUB}
Body = dict[str, Any]


def body(**changes: Any) -> Body:
    return deepcopy(CAUTIOUS.to_json()) | changes


def told(data: Body, old: Policy = CAUTIOUS) -> list[str]:
    return looser(old, Policy.from_json(data))


@pytest.mark.parametrize("policy", ALL.values(), ids=ALL.keys())
def test_another_order_or_one_row_twice_is_no_loosening(policy: Policy) -> None:
    data = policy.to_json()
    for rows in ("rules", "levels", "handling"):
        data[rows] = [*reversed(data[rows]), *data[rows][:1]]
    assert looser(policy, Policy.from_json(data)) == []
    assert looser(Policy.from_json(data), policy) == []


def test_the_published_tables_against_the_default() -> None:
    # Standards table 1c: Cornell has 12 months where the default has 6, and 18 unopened where it has 12.
    assert looser(POLICIES["cornell"], CAUTIOUS) == []
    words = "\n".join(looser(CAUTIOUS, POLICIES["cornell"]))
    assert "Class B, opened, with inhibitor: the next test comes" in words
    assert "Class D, unopened, without inhibitor: the next test comes" in words
    assert "Class A, opened, with inhibitor, after" not in words  # 3 months in both


def rules_with(change: Any) -> Body:
    data = body()
    for row in data["rules"]:
        change(row)
    return data


def a_day_more(row: Body) -> None:
    if row["class"] == "B" and row.get("months") == 3:
        row["days"] = 32 * row.pop("months")


def a_month_less(row: Body) -> None:
    if row.get("months"):
        row["months"] -= 1


def test_intervals() -> None:
    assert told(rules_with(a_month_less)) == []
    assert told(rules_with(a_day_more))
    # 28 days are never longer than a month, 30 are in February.
    assert looser(CLUB, club_with_class_a({"days": 28})) == []
    assert looser(CLUB, club_with_class_a({"days": 30}))


def club_with_class_a(interval: Body) -> Policy:
    data = deepcopy(CLUB.to_json())
    row = next(row for row in data["rules"] if row.get("months") == 1)
    del row["months"]
    return Policy.from_json(data | {"rules": [{**row, **interval} if r is row else r for r in data["rules"]]})


def test_disposal_and_the_makers_date() -> None:
    kept = deepcopy(POLICIES["usc-2021"].to_json())
    for row in kept["rules"]:
        row.pop("ends_in", None)
    words = told(kept, POLICIES["usc-2021"])
    assert any("it is disposed of no more" in line for line in words)
    assert told(body(expiry_ends_in="test"))
    assert looser(POLICIES["iowa-state"], replace(POLICIES["iowa-state"], expiry_ends_in="dispose")) == []


@pytest.mark.parametrize("index", range(len(CAUTIOUS.rules)))
def test_an_interval_left_out_is_no_loosening_of_what_falls_due_at_once(index: int) -> None:
    # Without a row there is no interval at all: due at once, unless another row takes its place.
    data = body()
    row = data["rules"].pop(index)
    for line in told(data):
        assert line.startswith(f"Class {row['class']}"), line


@pytest.mark.parametrize("index", range(len(CAUTIOUS.handling)))
def test_every_handling_row_counts_or_is_covered(index: int) -> None:
    data = body()
    row = data["handling"].pop(index)
    # The floor for signs covers odd colours and rusted caps under any policy.
    assert bool(told(data)) == ("signs" not in row)


def test_levels() -> None:
    levels = body()["levels"]
    assert told(body(levels=levels[1:])), "a trace may be distilled"
    assert told(body(levels=[levels[0], levels[2]])), "25 mg/L may be used"
    assert told(body(levels=levels[:2])), "100 mg/L may be moved"
    above = [levels[0], {**levels[1], "above": levels[1]["from"]}, levels[2]]
    del above[1]["from"]
    assert any("25 mg/L" in line for line in told(body(levels=above))), "the edge itself is let through"
    assert (
        told(body(levels=[{**row, "from": "24.999"} if row.get("from") == "25" else row for row in levels]))
        == []
    )
    # 25 mass ppm of what is lighter than water is less than 25 mg/L, of what is heavier it is more.
    ppm = [{**row, "unit": "mass-ppm"} if row.get("from") == "25" else row for row in levels]
    assert told(body(levels=ppm))
    assert told(body(levels=[*levels, *ppm])) == []
    milder = [{**row, "then": "do-not-distil"} if row.get("from") == "25" else row for row in levels]
    assert told(body(levels=milder))
    assert told(
        body(levels=[{**row, "uses": ["draw"]} if row.get("from") == "25" else row for row in levels])
    )


def test_terms_for_distilling() -> None:
    terms = body()["distilling"]
    assert told(body(distilling={**terms, "heel_percent": "30", "test_age_max_days": 0})) == []
    assert told(body(distilling={**terms, "heel_percent": "19.9"})) == [
        "Less is left in the still: 19.9% instead of 20.0%."
    ]
    assert len(told(body(distilling={**terms, "test_age_max_days": 2}))) == 1
    assert told(body(distilling={})) == [], "left out is a test on the same day and 20 %"


def test_it_is_quick_enough_to_ask_at_every_change() -> None:
    # Two seconds of this process's own time is what a person waits for without wondering.
    for policy in (POLICIES["usc-2021"], CLUB):
        start = time.process_time()
        looser(CAUTIOUS, policy)
        assert time.process_time() - start < 2


PAIRS = [
    (POLICIES["cornell"], CAUTIOUS),
    (POLICIES["virginia-tech"], CAUTIOUS),
    (CAUTIOUS, Policy.from_json(rules_with(a_month_less))),
    (POLICIES["iowa-state"], replace(POLICIES["iowa-state"], expiry_ends_in="dispose")),
    (CLUB, club_with_class_a({"days": 28})),
]


@pytest.mark.parametrize("pair", PAIRS)
def test_these_are_no_loosening(pair: tuple[Policy, Policy]) -> None:
    assert looser(*pair) == []


@given(lives(), st.sampled_from(PAIRS))
def test_what_is_told_to_be_no_looser_is_not(life: Any, pair: tuple[Policy, Policy]) -> None:
    """On containers that the grid does not hold: no later date, no milder level."""
    facts, today = life
    old, new = pair
    before, after = next_test(facts, old).on, next_test(facts, new).on
    if before is not None and before > facts.recorded_on:
        assert after is not None
        assert after <= before
    was, now = verdicts(facts, old, today), verdicts(facts, new, today)
    for use in was:
        assert was[use].allowed or not now[use].allowed
