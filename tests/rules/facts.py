"""Containers and policies for the tests of the rules: two to start from, and strategies that make many."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import Any

from hypothesis import strategies as st

from inventory.rules.peroxide import METHODS, Reading
from inventory.rules.policy_data import Policy, load_policies
from inventory.rules.policy_rows import CLOSURES
from inventory.rules.retest import ContainerFacts
from inventory.rules.signs import SIGNS

POLICIES = load_policies()
TODAY = date(2024, 6, 1)
NEGATIVE = Reading(Decimal(0), Decimal("0.5"), "strip-25", TODAY)
# A former with nothing against it: inhibited, plastic cap, opened and tested today.
FRESH = ContainerFacts(
    peroxide_class="B",
    inhibited=True,
    origin="purchased",
    opened="opened",
    opened_on=TODAY,
    received_on=TODAY,
    made_on=None,
    expiry_on=None,
    last_test=NEGATIVE,
    recorded_on=TODAY,
    atmosphere="air",
    closure="plastic-screw",
    density_20c_kg_m3=Decimal(889),
)

# Days around leap days and month ends, and any others.
EDGES = [date(2024, 2, 28), date(2024, 2, 29), date(2024, 3, 1), date(2023, 2, 28), date(2023, 12, 31)]
DAYS = st.sampled_from(EDGES) | st.dates(date(2020, 1, 1), date(2026, 12, 31))
MAYBE_DAY = st.none() | DAYS
ORIGINS = st.sampled_from(["purchased", "made-here", "recovered", "blend"])
CLASSES = st.sampled_from(["A", "B", "C", "D", "unknown", "none"])
LEVELS_NEAR = st.sampled_from([Decimal(n) for n in ("0.5", "5", "24.999", "25", "99", "100", "100.001")])
AMOUNTS = LEVELS_NEAR | st.decimals(0, 150, places=3)


def _reading(
    lower: Decimal, width: Decimal | None, method: str, day: date | None, old: bool | None
) -> Reading:
    return Reading(lower, None if width is None else lower + width, method, day, old)


READINGS = st.builds(
    _reading,
    st.just(Decimal(0)) | AMOUNTS,
    st.none() | st.just(Decimal(0)) | st.decimals(0, 60, places=1),
    st.sampled_from(sorted(METHODS)),
    MAYBE_DAY,
    st.sampled_from([False, None, True]),
)
# Anything that a database could hold, in no order of time.
ANY_FACTS = st.builds(
    ContainerFacts,
    peroxide_class=CLASSES,
    inhibited=st.sampled_from([True, False, None]),
    origin=ORIGINS,
    opened=st.sampled_from(["unopened", "opened", "unknown"]),
    opened_on=MAYBE_DAY | st.just(date.max),
    received_on=MAYBE_DAY | st.just(date.min),
    made_on=MAYBE_DAY,
    expiry_on=MAYBE_DAY | st.sampled_from([date.min, date.max]),
    last_test=st.none() | READINGS,
    recorded_on=DAYS,
    atmosphere=st.sampled_from(["air", "inert", "unknown"]),
    closure=st.sampled_from([*CLOSURES, "unknown"]),
    signs=st.frozensets(st.sampled_from([*SIGNS, "a-sign-of-later"]), max_size=2),
    quarantined=st.booleans(),
    density_20c_kg_m3=st.none() | st.decimals(0, 4000, places=1),
    origin_unknown=st.booleans(),
    topped_up_on=MAYBE_DAY,
    treated_on=MAYBE_DAY,
    forecast_on=MAYBE_DAY,
    overridden_on=MAYBE_DAY,
)


@st.composite
def lives(draw: Any) -> tuple[ContainerFacts, date]:
    """A container whose days come in the order in which things happen, and a day on which it is asked for."""
    start = draw(DAYS)

    def later(day: Any) -> date:
        return date.fromordinal(day.toordinal() + draw(st.integers(0, 400)))

    origin = draw(ORIGINS)
    made = origin != "purchased"
    opened = "opened" if made else draw(st.sampled_from(["opened", "unopened"]))
    opened_on = None if opened == "unopened" else later(start)
    made_on = opened_on if made else None
    test = None
    if opened == "opened" and draw(st.booleans()):
        test = replace(
            draw(READINGS), tested_on=later(opened_on), reagent_expired=draw(st.sampled_from([False, None]))
        )
    last = (test.tested_on if test else None) or opened_on or start
    facts = ContainerFacts(
        peroxide_class=draw(CLASSES),
        inhibited=draw(st.booleans()),
        origin=origin,
        opened=opened,  # type: ignore[arg-type]
        opened_on=opened_on,
        received_on=None if made else start,
        made_on=made_on,
        expiry_on=draw(MAYBE_DAY),
        last_test=test,
        recorded_on=last,
        atmosphere=draw(st.sampled_from(["air", "inert", "unknown"])),
        closure=draw(st.sampled_from([*CLOSURES, "unknown"])),
        signs=draw(st.frozensets(st.sampled_from(SIGNS), max_size=1)),
        quarantined=draw(st.booleans()),
        density_20c_kg_m3=draw(st.decimals(600, 1700, places=1)),
        topped_up_on=draw(st.none() | st.just(opened_on)),
        treated_on=None,
        forecast_on=draw(MAYBE_DAY),
    )
    return facts, later(last)


def with_rules(policy: Policy, *rows: dict[str, Any], **changes: Any) -> Policy:
    """A policy with these rows for its own, through JSON as a lab would write it."""
    body = policy.to_json() | changes
    if rows:
        body["rules"] = [{"source": "this test", **row} for row in rows]
    return Policy.from_json(body)
