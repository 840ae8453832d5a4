"""Poured together, each fact is the worse one of the two, whatever the two are."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from inventory.models import Lot
from inventory.rules.peroxide import worst_class
from inventory.services import safety, treatments, volumes
from inventory.services.facts import facts_of
from inventory.services.pouring import blend_lot
from tests.factories import NOW, TODAY, Club, club, empty, fresh, solvent, stocked

pytestmark = pytest.mark.django_db
MADE = ("made-here", "recovered")
days = st.dates(date(2024, 1, 1), TODAY)
lots = st.fixed_dictionaries(
    {
        "origin": st.sampled_from(["purchased", "made-here", "recovered", "not-known"]),
        "expiry_on": st.none() | st.dates(date(2025, 1, 1), date(2028, 1, 1)),
        "inhibited": st.none() | st.booleans(),
        "inhibitor_ppm": st.none() | st.decimals(1, 300, places=3),
        "inhibitor": st.sampled_from(["", "BHT", "hydroquinone"]),
        "times_distilled": st.integers(0, 9),
        "topped_up_on": st.none() | days,
        "made_on": st.none() | days,
    }
)


@pytest.fixture
def lab() -> Club:
    return club()


def _lot(lab: Club, facts: dict[str, Any]) -> Lot:
    return Lot.objects.create(lab=lab.lab, solvent=solvent("diethyl-ether"), created_at=NOW, **facts)


def _believed(facts: dict[str, Any]) -> bool:
    """Whether a claim of inhibitor is worth anything: a distillate, or what may be one, holds none."""
    return facts["inhibited"] is True and facts["origin"] == "purchased"


FEW: dict[str, Any] = {
    "deadline": None,
    "suppress_health_check": [HealthCheck.function_scoped_fixture],
    # Each example writes to the database: shrinking one would take minutes.
    "phases": (Phase.explicit, Phase.reuse, Phase.generate),
}


@settings(max_examples=60, **FEW)
@given(one=lots, other=lots)
def test_every_fact_of_a_blend_is_the_worse_one(
    lab: Club, one: dict[str, Any], other: dict[str, Any]
) -> None:
    both = (one, other)
    blend = blend_lot([(_lot(lab, facts), 1000) for facts in both], now=NOW, day=TODAY)
    assert blend.origin == "blend"
    assert blend.made_on == TODAY
    assert (blend.inhibited is True) == all(_believed(facts) for facts in both)
    expiries = [facts["expiry_on"] for facts in both if facts["expiry_on"]]
    assert blend.expiry_on == min(expiries, default=None)
    assert blend.times_distilled == max(facts["times_distilled"] for facts in both)
    if blend.inhibitor_ppm is not None:
        assert all(_believed(facts) and facts["inhibitor_ppm"] >= blend.inhibitor_ppm for facts in both)
    tops = [facts["topped_up_on"] for facts in both]
    if None in tops:
        assert blend.topped_up_on is None
    else:
        assert blend.topped_up_on is not None
        assert blend.topped_up_on >= max(tops)
        assert blend.topped_up_on >= blend.made_on


bottles = st.fixed_dictionaries(
    {
        "origin": st.sampled_from(["purchased", "recovered"]),
        "inhibited": st.none() | st.booleans(),
        "opened_days": st.integers(0, 300),
        "expiry_on": st.none() | st.just(TODAY + timedelta(days=40)),
        "reading": st.sampled_from([None, "neg", "10", "30", ">100", "trace"]),
        "treated": st.sampled_from([None, "inhibitor", "removed"]),
    }
)


def _bottle(lab: Club, of: dict[str, Any]) -> Any:
    since = TODAY - timedelta(days=of["opened_days"])
    told: dict[str, Any] = {
        "origin": of["origin"],
        "inhibited": of["inhibited"],
        "expiry_on": of["expiry_on"],
    }
    made: dict[str, Any] = {"made_on": since} if of["origin"] in MADE else {}
    bottle = stocked(lab, "diethyl-ether", "100 mL", received_on=since, **told, **made)
    by: dict[str, Any] = {"lab": lab.lab, "actor": lab.member, "now": NOW}
    if of["treated"] == "inhibitor":
        treatments.inhibitor_add(**by, container=fresh(bottle), inhibitor="BHT", mass_ug=20_000)
    elif of["treated"] == "removed":
        treatments.peroxides_remove(**by, container=fresh(bottle), how="shaken with a ferrous salt")
    if of["reading"]:
        told = {"reading": of["reading"], "method": "strip-100", "tested_on": TODAY}
        safety.test_record(**by, container=fresh(bottle), **told)
    return fresh(bottle)


@settings(max_examples=20, **FEW)
@given(one=bottles, other=bottles)
def test_what_is_poured_together_is_due_no_later_than_either(
    lab: Club, one: dict[str, Any], other: dict[str, Any]
) -> None:
    """A passed test of one bottle says nothing of the mixture, so either alone may only be milder."""
    first, second = _bottle(lab, one), _bottle(lab, other)
    target = empty(lab)
    by: dict[str, Any] = {"lab": lab.lab, "actor": lab.member, "now": NOW + timedelta(minutes=1)}
    for bottle in (first, second):
        volumes.pour(**by, source=fresh(bottle), into=fresh(target), amount="50 mL")
    mixed = fresh(target)
    for bottle in (first, second):
        # What is due today or before is due at once, whichever of its days leads.
        assert mixed.next_test_due <= max(bottle.next_test_due, TODAY)
        if bottle.due_code.startswith("reading-"):
            assert mixed.due_code.startswith("reading-")
    facts = facts_of(mixed)
    assert facts is not None
    treated = [facts_of(bottle).treated_on for bottle in (first, second)]  # type: ignore[union-attr]
    assert (facts.treated_on is not None) == any(treated)
    classes = {facts_of(b).peroxide_class for b in (first, second)}  # type: ignore[union-attr]
    assert facts.peroxide_class == worst_class(classes, inhibited=False)
    if not all(b.lot.topped_up_on for b in (first, second)):
        assert facts.topped_up_on is None


def test_a_part_of_unknown_origin_makes_the_whole_unknown(lab: Club) -> None:
    """Princeton, Iowa State: of unknown origin, never open and never test. Mixing must not hide it."""
    known = stocked(lab, "diethyl-ether", "100 mL", code="K-1")
    unknown = stocked(lab, "diethyl-ether", "100 mL", code="U-1", origin="not-known")
    by: dict[str, Any] = {"lab": lab.lab, "actor": lab.member, "now": NOW + timedelta(minutes=1)}
    volumes.pour(**by, source=fresh(unknown), into=fresh(known), amount="10 mL")
    facts = facts_of(fresh(known))
    assert facts is not None
    assert facts.origin_unknown


def test_a_blend_of_topped_up_parts_counts_with_a_test_of_its_own(lab: Club) -> None:
    """Both parts hold inhibitor, so the whole does; but only a test of the whole says that it is good."""
    since = TODAY - timedelta(days=20)
    parts = [
        stocked(lab, "diethyl-ether", "100 mL", origin="recovered", made_on=since, received_on=since)
        for _ in range(2)
    ]
    by: dict[str, Any] = {"lab": lab.lab, "actor": lab.member, "now": NOW + timedelta(minutes=1)}
    for part in parts:
        treatments.inhibitor_add(**by, container=fresh(part), inhibitor="BHT", mass_ug=20_000)
    volumes.pour(**by, source=fresh(parts[0]), into=fresh(parts[1]), amount="50 mL")
    before = fresh(parts[1]).next_test_due
    safety.test_record(**by, container=fresh(parts[1]), reading="neg", method="strip-25", tested_on=TODAY)
    plain = stocked(lab, "diethyl-ether", "100 mL", origin="recovered", made_on=since, received_on=since)
    safety.test_record(**by, container=fresh(plain), reading="neg", method="strip-25", tested_on=TODAY)
    assert before is not None
    assert fresh(parts[1]).next_test_due > fresh(plain).next_test_due > before  # type: ignore[operator]
    assert fresh(parts[1]).lot.inhibitor_ppm in (None, Decimal(0))  # type: ignore[union-attr]
