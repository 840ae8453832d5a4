"""The published action levels and do-not-open rules, row by row, as verdicts of policies that hold them."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import Any

import pytest

from inventory.rules.outcomes import amount_mg_per_l
from inventory.rules.peroxide import Reading, parse_reading
from inventory.rules.verdict import distilling_terms, verdict
from tests.rules.facts import FRESH, POLICIES, TODAY, with_rules

USE, TEST, NO_STILL = "use", "test-first", "do-not-distil"
NO_USE, NO_TOUCH = "do-not-use", "do-not-touch"


def level(policy: str, use: str = "draw", **changes: Any) -> str:
    return verdict(replace(FRESH, **changes), POLICIES[policy], use, TODAY).level  # type: ignore[arg-type]


def read(text: str, method: str = "iodometric-titration") -> Reading:
    return parse_reading(text, method=method, tested_on=TODAY)


@pytest.mark.parametrize(
    ("policy", "use", "text", "expected"),
    [
        # "20 best" row 5. Michigan State EHS: 24 usable, 25 and 100 pickup, 101 leave and call.
        ("michigan-state", "draw", "24", USE),
        ("michigan-state", "draw", "25", NO_USE),
        ("michigan-state", "draw", "100", NO_USE),
        ("michigan-state", "draw", "101", NO_TOUCH),
        # Univ. Iowa: what reaches 25 should already be disposed of; same edge in the default.
        ("cautious-default", "draw", "24.9", USE),
        ("cautious-default", "draw", "25", NO_USE),
        # Iowa State EHS: 100 and above, dispose; below 100 it may be kept in use. The edge is "at or above".
        ("iowa-state", "draw", "99", USE),
        ("iowa-state", "keep", "99", USE),
        ("iowa-state", "draw", "100", NO_USE),
        ("iowa-state", "keep", "100", NO_USE),
        ("cautious-default", "draw", "100", NO_TOUCH),
        # Iowa State EHS pec/9: any detected, treat before distilling.
        ("iowa-state", "distil", "11", NO_STILL),
        ("iowa-state", "draw", "11", USE),
        ("cautious-default", "distil", "11", NO_STILL),
        # Princeton EHS: more than 100, dispose. 25 to 100 is the default's band.
        ("princeton", "keep", "100", NO_USE),
        ("princeton", "draw", "101", NO_USE),
        ("princeton", "move", "101", NO_USE),
        # common campus wording (from memory): 25 to 100 is not for distilling.
        ("michigan-state", "distil", "25", NO_USE),
    ],
)
def test_a_published_level(policy: str, use: str, text: str, expected: str) -> None:
    assert level(policy, use, last_test=read(text)) == expected


def test_princeton_alone_has_its_edge_above_a_hundred() -> None:
    # Princeton EHS disposes above 100 ppm. Without the rows from elsewhere exactly 100 stays in use.
    body = POLICIES["princeton"].to_json()
    own = [row for row in body["levels"] if row["source"].startswith("Princeton")]
    alone = with_rules(POLICIES["princeton"], levels=own)
    for text, expected in (("100", USE), ("100.1", NO_USE)):
        assert verdict(replace(FRESH, last_test=read(text)), alone, "draw", TODAY).level == expected


def test_mass_ppm_goes_through_the_density() -> None:
    # 100 mg/L in diethyl ether (0.7136 kg/L) is 140 mass ppm: standards table 2c.
    row = {"from": "140", "unit": "mass-ppm", "then": "do-not-use", "source": "this test"}
    policy = with_rules(POLICIES["cautious-default"], levels=[row])
    ether = replace(FRESH, density_20c_kg_m3=Decimal("713.6"))
    assert amount_mg_per_l(policy.levels[0], ether.density_20c_kg_m3) == Decimal("99.904")
    for text, expected in (("99.90", USE), ("99.91", NO_USE)):
        assert verdict(replace(ether, last_test=read(text)), policy, "draw", TODAY).level == expected
    # Rounded down to whole µg/L, so that the level gets lower; of an unknown density the least is taken.
    assert amount_mg_per_l(policy.levels[0], Decimal("713.999")) == Decimal("99.959")
    assert amount_mg_per_l(policy.levels[0], None) == Decimal(70)
    assert amount_mg_per_l(policy.levels[0], Decimal(0)) == Decimal(70)


LONG_AGO = date(2022, 5, 31)  # two years and a day before TODAY


@pytest.mark.parametrize(
    ("policy", "use", "changes", "expected"),
    [
        # Michigan State EHS: crystals, cloudiness; metal screw cap or glass stopper; class A past expiry.
        ("michigan-state", "open", {"signs": frozenset({"crystals"})}, NO_TOUCH),
        ("michigan-state", "open", {"signs": frozenset({"cloudy"})}, NO_TOUCH),
        ("michigan-state", "open", {"closure": "metal-screw"}, NO_TOUCH),
        ("michigan-state", "open", {"closure": "glass-stopper"}, NO_TOUCH),
        ("michigan-state", "open", {"closure": "unknown"}, NO_TOUCH),
        ("michigan-state", "open", {"closure": "plastic-screw"}, USE),
        ("michigan-state", "open", {"closure": "septum"}, USE),
        ("michigan-state", "open", {"peroxide_class": "A", "expiry_on": date(2024, 5, 31)}, NO_TOUCH),
        ("michigan-state", "open", {"peroxide_class": "A", "expiry_on": TODAY}, USE),
        ("michigan-state", "open", {"peroxide_class": "B", "expiry_on": date(2024, 5, 31)}, NO_USE),
        # UCLA EHS, held by the default: more than 2 years past expiry; crystals. Unknown date: see below.
        ("cautious-default", "move", {"expiry_on": LONG_AGO}, NO_TOUCH),
        ("cautious-default", "move", {"expiry_on": date(2022, 6, 1)}, NO_USE),
        ("cautious-default", "move", {"signs": frozenset({"crystals"})}, NO_TOUCH),
        # Princeton EHS, Iowa State EHS: unknown age or origin, never open, never test.
        ("princeton", "open", {"opened_on": None}, NO_TOUCH),
        ("iowa-state", "open", {"opened_on": None}, NO_TOUCH),
        ("princeton", "open", {"origin_unknown": True}, NO_TOUCH),
        ("iowa-state", "open", {"origin_unknown": True}, NO_TOUCH),
        # Virginia Tech: oily viscous layer, do not use; rusted and undated, dispose.
        ("virginia-tech", "draw", {"signs": frozenset({"viscous-layer"})}, NO_TOUCH),
        ("virginia-tech", "draw", {"signs": frozenset({"cap-rusted"}), "opened_on": None}, NO_TOUCH),
        # Cornell waste manual 7.16: odd viscosity, discoloration, crystals: do not open or move.
        ("cornell", "move", {"signs": frozenset({"odd-colour"})}, NO_TOUCH),
        ("cornell", "open", {"signs": frozenset({"viscous-layer"})}, NO_TOUCH),
        ("cornell", "move", {"signs": frozenset({"crystals"})}, NO_TOUCH),
        # Quick guide (scribd 681784123): uninhibited class C is not distilled.
        ("cautious-default", "distil", {"peroxide_class": "C", "inhibited": False}, NO_STILL),
        ("cautious-default", "distil", {"peroxide_class": "C", "inhibited": None}, NO_STILL),
        ("cautious-default", "distil", {"peroxide_class": "C", "inhibited": True}, USE),
        ("cautious-default", "draw", {"peroxide_class": "C", "inhibited": False}, USE),
    ],
)
def test_a_published_do_not_open_rule(policy: str, use: str, changes: dict[str, Any], expected: str) -> None:
    assert level(policy, use, **changes) == expected


def test_the_heel_of_virginia_tech() -> None:
    # Virginia Tech: leave at least 10 % of the starting volume.
    terms = distilling_terms(POLICIES["virginia-tech"])
    assert terms.heel_fraction == Decimal("0.1")
    assert terms.heel_source.startswith("Virginia Tech")
    # UC campuses 20 % (from memory), the larger figure, in the default.
    assert distilling_terms(POLICIES["cautious-default"]).heel_fraction == Decimal("0.2")
