"""The published intervals, row by row: when a container falls due under the policy that holds the row.

Days are worked out by hand from the months that each source prints; month ends by the project's clamp rule.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import pytest

from inventory.rules.retest import ContainerFacts, dispose_on, next_test
from tests.rules.facts import FRESH, NEGATIVE, POLICIES

OPENED = date(2024, 1, 15)
# Opened on the day it came, never tested.
OPEN = replace(FRESH, opened_on=OPENED, received_on=OPENED, last_test=None, recorded_on=OPENED)
SEALED = replace(OPEN, opened="unopened", opened_on=None)
MONTHS = {
    0: "2024-01-15",
    3: "2024-04-15",
    6: "2024-07-15",
    12: "2025-01-15",
    18: "2025-07-15",
    24: "2026-01-15",
}
A_DAY = "2024-01-16"


def due_on(policy: str, facts: ContainerFacts, **changes: Any) -> str:
    return str(next_test(replace(facts, **changes), POLICIES[policy]).on)


ROWS = [
    # "20 best" rows 3 and 4. Cornell App. J: class A 3 months; Princeton: class B 12 inhibited, 3 without.
    ("cornell", OPEN, {"peroxide_class": "A"}, "2024-04-15"),
    ("princeton", OPEN, {"peroxide_class": "B", "inhibited": True}, "2025-01-15"),
    ("princeton", OPEN, {"peroxide_class": "B", "inhibited": False}, "2024-04-15"),
    # Cornell EHS App. J: unopened 18 or label expiry; B 12; C inhibited 12, uninhibited 24 h; D 12.
    ("cornell", SEALED, {"peroxide_class": "B"}, MONTHS[18]),
    ("cornell", SEALED, {"peroxide_class": "B", "expiry_on": date(2025, 3, 1)}, "2025-03-01"),
    ("cornell", OPEN, {"peroxide_class": "B", "inhibited": False}, MONTHS[12]),
    ("cornell", OPEN, {"peroxide_class": "C", "inhibited": True}, MONTHS[12]),
    # "not under inert gas": the inhibitor needs air, so under nitrogen it counts as uninhibited.
    ("cornell", OPEN, {"peroxide_class": "C", "inhibited": True, "atmosphere": "inert"}, A_DAY),
    ("cornell", OPEN, {"peroxide_class": "C", "inhibited": False}, A_DAY),
    ("cornell", OPEN, {"peroxide_class": "D"}, MONTHS[12]),
    # Princeton EHS: unopened 18; A 3; C 12 not under inert gas, uninhibited 24 h; D test before use.
    ("princeton", SEALED, {"peroxide_class": "A"}, MONTHS[18]),
    ("princeton", OPEN, {"peroxide_class": "A"}, MONTHS[3]),
    ("princeton", OPEN, {"peroxide_class": "C", "inhibited": True}, MONTHS[12]),
    ("princeton", OPEN, {"peroxide_class": "C", "inhibited": False}, A_DAY),
    ("princeton", OPEN, {"peroxide_class": "D"}, MONTHS[0]),
    # USC EHS 2021, unopened: A unstabilised 6, stabilised expiry or 24; B unstabilised 12, stabilised 24.
    ("usc-2021", SEALED, {"peroxide_class": "A", "inhibited": False}, MONTHS[6]),
    ("usc-2021", SEALED, {"peroxide_class": "A", "inhibited": True}, MONTHS[24]),
    ("usc-2021", SEALED, {"peroxide_class": "A", "expiry_on": date(2025, 8, 1)}, "2025-08-01"),
    ("usc-2021", SEALED, {"peroxide_class": "B", "inhibited": False}, MONTHS[12]),
    ("usc-2021", SEALED, {"peroxide_class": "B", "inhibited": True}, MONTHS[24]),
    # USC EHS 2021, opened: A 3; B stabilised 12, unstabilised in air 6, unstabilised under nitrogen 12.
    ("usc-2021", OPEN, {"peroxide_class": "A"}, MONTHS[3]),
    ("usc-2021", OPEN, {"peroxide_class": "B", "inhibited": True}, MONTHS[12]),
    ("usc-2021", OPEN, {"peroxide_class": "B", "inhibited": False}, MONTHS[6]),
    ("usc-2021", OPEN, {"peroxide_class": "B", "inhibited": False, "atmosphere": "unknown"}, MONTHS[6]),
    ("usc-2021", OPEN, {"peroxide_class": "B", "inhibited": False, "atmosphere": "inert"}, MONTHS[12]),
    ("usc-2021", OPEN, {"peroxide_class": "B", "expiry_on": date(2024, 9, 1)}, "2024-09-01"),
    # USC EHS 2021: C inhibited 12 months from PURCHASE, uninhibited 24 h.
    ("usc-2021", OPEN, {"peroxide_class": "C", "received_on": date(2023, 10, 15)}, "2024-10-15"),
    ("usc-2021", OPEN, {"peroxide_class": "C", "received_on": None}, "2024-01-15"),
    ("usc-2021", OPEN, {"peroxide_class": "C", "inhibited": False}, A_DAY),
    # Iowa State EHS: 6 months for all once open; the maker's expiry asks for a test.
    ("iowa-state", OPEN, {"peroxide_class": "A"}, MONTHS[6]),
    ("iowa-state", OPEN, {"peroxide_class": "B", "inhibited": False}, MONTHS[6]),
    ("iowa-state", OPEN, {"peroxide_class": "C"}, MONTHS[6]),
    ("iowa-state", SEALED, {"peroxide_class": "B", "expiry_on": date(2024, 6, 1)}, "2024-06-01"),
    # Virginia Tech: unopened up to 24 if inhibited; 6 once open.
    ("virginia-tech", SEALED, {"peroxide_class": "B", "inhibited": True}, MONTHS[24]),
    ("virginia-tech", SEALED, {"peroxide_class": "B", "inhibited": False}, MONTHS[12]),
    ("virginia-tech", OPEN, {"peroxide_class": "A"}, MONTHS[6]),
    ("virginia-tech", OPEN, {"peroxide_class": "B"}, MONTHS[6]),
    ("virginia-tech", OPEN, {"peroxide_class": "C"}, MONTHS[6]),
    # Michigan State publishes no interval: those of the cautious default.
    ("michigan-state", OPEN, {"peroxide_class": "B", "inhibited": False}, MONTHS[3]),
]  # fmt: skip


@pytest.mark.parametrize(("policy", "facts", "changes", "expected"), ROWS)
def test_a_published_interval(
    policy: str, facts: ContainerFacts, changes: dict[str, Any], expected: str
) -> None:
    assert due_on(policy, facts, **changes) == expected


def passed_on(day: str, **changes: Any) -> dict[str, Any]:
    return {"last_test": NEGATIVE.on(date.fromisoformat(day)), **changes}


@pytest.mark.parametrize(
    ("policy", "changes", "expected"),
    [
        # USC EHS 2021, after a passed test of class B: 12 stabilised, 6 unstabilised in air.
        ("usc-2021", passed_on("2024-05-01", inhibited=True), "2025-05-01"),
        ("usc-2021", passed_on("2024-05-01", inhibited=False), "2024-11-01"),
        # Iowa State EHS: test at expiry, then every 6 months. A test before that date does not reach past it.
        ("iowa-state", passed_on("2024-06-01", expiry_on=date(2024, 6, 1)), "2024-12-01"),
        ("iowa-state", passed_on("2024-05-31", expiry_on=date(2024, 6, 1)), "2024-06-01"),
        # Elsewhere nothing runs past the maker's date.
        ("cornell", passed_on("2024-06-01", expiry_on=date(2024, 6, 1)), "2024-06-01"),
        # USC EHS 2021: class A 3 months, then dispose: no test puts that off.
        ("usc-2021", passed_on("2024-04-01", peroxide_class="A"), "2024-04-15"),
    ],
)
def test_after_a_passed_test(policy: str, changes: dict[str, Any], expected: str) -> None:
    assert due_on(policy, OPEN, **changes) == expected


def test_what_ends_an_interval() -> None:
    # USC EHS 2021: class A is disposed of after 3 months, class B is tested again.
    usc = POLICIES["usc-2021"]
    assert next_test(replace(OPEN, peroxide_class="A"), usc).ends_in == "dispose"
    assert next_test(OPEN, usc).ends_in == "test"
    assert dispose_on(replace(OPEN, peroxide_class="A"), usc) == date(2024, 4, 15)
    assert dispose_on(OPEN, usc) is None
    # The maker's date: disposal where the policy does not say otherwise, a test under Iowa State EHS.
    dated = replace(OPEN, expiry_on=date(2024, 2, 1))
    assert dispose_on(dated, POLICIES["cornell"]) == date(2024, 2, 1)
    assert dispose_on(dated, POLICIES["iowa-state"]) is None
    assert next_test(dated, POLICIES["iowa-state"]).code == "expiry"


def test_an_unknown_age_has_run_out_where_an_interval_ends_in_disposal() -> None:
    unknown = replace(OPEN, peroxide_class="A", opened_on=None, last_test=NEGATIVE.on(date(2024, 1, 20)))
    got = next_test(unknown, POLICIES["usc-2021"])
    assert (got.on, got.code, got.ends_in) == (OPENED, "opening-date-unknown", "dispose")
