"""A policy of one's own, or another published one, is plain JSON: no code knows of these two.

`policies/oxford-ptcl.json`: Oxford PTCL, at least every 6 months once open (standards table 1c).
`policies/biscuit-club.json`: a club's own, which uses every field there is.
"""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from inventory.rules.levels import LEVELS
from inventory.rules.policy_data import Policy
from inventory.rules.retest import ContainerFacts, next_test
from inventory.rules.verdict import distilling_terms, verdict
from tests.rules.facts import FRESH, NEGATIVE, TODAY

FOLDER = Path(__file__).parent / "policies"
BODIES: dict[str, dict[str, Any]] = {
    path.stem: json.loads(path.read_text(encoding="utf-8")) for path in sorted(FOLDER.glob("*.json"))
}
OXFORD, CLUB = (Policy.from_json(BODIES[key]) for key in ("oxford-ptcl", "biscuit-club"))
DAY = date(2024, 1, 31)
OPEN = replace(FRESH, opened_on=DAY, received_on=DAY, last_test=None, recorded_on=DAY)


@pytest.mark.parametrize("body", BODIES.values(), ids=BODIES.keys())
def test_it_goes_through_json_and_back(body: dict[str, Any]) -> None:
    policy = Policy.from_json(body)
    assert Policy.from_json(json.loads(json.dumps(policy.to_json()))) == policy
    assert policy.to_json()["levels"] == [
        {name: sorted(value) if isinstance(value, list) else value for name, value in row.items()}
        for row in body["levels"]
    ]


@pytest.mark.parametrize("kind", ["A", "B", "C", "D"])
def test_oxford(kind: Any) -> None:
    # Oxford PTCL: at least every 6 months once open; the last day of July by the clamp rule.
    facts = replace(OPEN, peroxide_class=kind)
    assert next_test(facts, OXFORD).on == date(2024, 7, 31)
    assert next_test(replace(facts, last_test=NEGATIVE.on(date(2024, 3, 31))), OXFORD).on == date(2024, 9, 30)


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"peroxide_class": "A"}, "2024-02-29"),
        # A passed test starts the month anew, but not the three months until disposal.
        ({"peroxide_class": "A", "last_test": NEGATIVE.on(date(2024, 2, 29))}, "2024-03-29"),
        ({"peroxide_class": "A", "last_test": NEGATIVE.on(date(2024, 4, 20))}, "2024-04-30"),
        ({"peroxide_class": "B"}, "2024-04-30"),
        ({"peroxide_class": "B", "last_test": NEGATIVE.on(date(2024, 6, 1))}, "2024-07-31"),
        ({"peroxide_class": "B", "inhibited": None}, "2024-02-14"),
        ({"peroxide_class": "B", "inhibited": None, "atmosphere": "inert"}, "2024-04-30"),
        ({"origin": "recovered", "made_on": DAY, "received_on": None}, "2024-02-03"),
        ({"origin": "recovered", "made_on": DAY, "received_on": None, "last_test": NEGATIVE.on(DAY)},
         "2024-02-14"),
        ({"peroxide_class": "C"}, "2024-02-01"),
        ({"peroxide_class": "D"}, "2024-01-31"),
    ],
)  # fmt: skip
def test_the_clubs_intervals(changes: dict[str, Any], expected: str) -> None:
    assert str(next_test(replace(OPEN, **changes), CLUB).on) == expected


def level(facts: ContainerFacts, use: Any = "draw", **changes: Any) -> str:
    return verdict(replace(facts, **changes), CLUB, use, TODAY).level


def test_the_clubs_levels_and_handling() -> None:
    # 20 mass ppm in diethyl ether (713.6 kg/m³) is 14.272 mg/L.
    ether = replace(FRESH, density_20c_kg_m3=Decimal("713.6"))
    for amount, expected in (("14.271", "use"), ("14.272", "do-not-use"), ("100.001", "do-not-touch")):
        reading = replace(NEGATIVE, lower_mg_per_l=Decimal(amount), upper_mg_per_l=Decimal(amount))
        assert level(ether, last_test=reading) == expected
    assert level(FRESH, opened_on=None) == "do-not-touch"
    assert [level(FRESH, use, closure="metal-screw") for use in ("open", "draw", "move")] == [
        "do-not-touch", "do-not-touch", "use",
    ]  # fmt: skip
    assert level(FRESH, peroxide_class="C", closure="metal-screw") == "use"
    assert level(FRESH, expiry_on=date(2023, 5, 31)) == "do-not-touch"
    assert level(FRESH, expiry_on=date(2023, 6, 1)) == "do-not-use"
    assert level(FRESH, peroxide_class="none", signs=frozenset({"odd-colour"})) == "do-not-touch"
    terms = distilling_terms(CLUB)
    assert (terms.heel_fraction, terms.test_age_max_days) == (Decimal("0.25"), 0)


def tightened(body: dict[str, Any], row: dict[str, Any]) -> Policy:
    return Policy.from_json(body | {"rules": [*body["rules"], row]})


@pytest.mark.parametrize("body", BODIES.values(), ids=BODIES.keys())
@pytest.mark.parametrize("kind", ["A", "B", "C", "D"])
def test_one_more_row_never_gives_more_time(body: dict[str, Any], kind: Any) -> None:
    policy = Policy.from_json(body)
    for days in (0, 10, 100, 1000):
        row = {"class": kind, "counts_from": "opened", "days": days, "source": "this test"}
        stricter = tightened(body, row)
        for later in (0, 5, 50, 500):
            facts = replace(OPEN, peroxide_class=kind)
            tested = replace(facts, last_test=NEGATIVE.on(DAY + timedelta(days=later)))
            for held in (facts, tested):
                before, after = (next_test(held, each).on for each in (policy, stricter))
                assert before is not None
                assert after is not None
                assert after <= before
                words = [verdict(held, each, "draw", TODAY).level for each in (policy, stricter)]
                assert LEVELS.index(words[1]) >= LEVELS.index(words[0])
