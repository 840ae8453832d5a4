"""The amounts at which a policy asks for something, as they are drawn beside the growth of peroxide."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from inventory.rules.outcomes import STEP_MG_PER_L, action_level, level_amounts
from inventory.rules.policy_rows import LevelRow
from tests.rules.facts import POLICIES

ETHER_KG_M3 = Decimal("713.6")


@pytest.mark.parametrize("key", POLICIES)
@pytest.mark.parametrize("density", [None, ETHER_KG_M3])
def test_the_first_that_forbids_drawing_is_the_action_level(key: str, density: Decimal | None) -> None:
    """At the amount, or a step above it where only more than that counts; "detected" is no amount."""
    found = level_amounts(POLICIES[key], density)
    amounts = [level.amount_mg_per_l for level in found]
    assert amounts == sorted(amounts)
    forbidding = [level.amount_mg_per_l for level in found if level.forbids_drawing]
    least = action_level(POLICIES[key], density)
    assert not forbidding or least <= forbidding[0] + STEP_MG_PER_L


def test_the_cautious_default_draws_its_levels_in_words() -> None:
    """25 and 100 mg/L: Michigan State EHS and others, named in the policy's own sources."""
    told = {level.words: level.amount_mg_per_l for level in level_amounts(POLICIES["cautious-default"])}
    assert told["do not use: 25 mg/L or more"] == 25
    assert told["do not touch: 100 mg/L or more"] == 100


def test_mass_ppm_go_through_the_density() -> None:
    """140 ppm by mass of a liquid of 713.6 kg/m³ are 140 × 0.7136 = 99.904 mg/L."""
    row = LevelRow("above", Decimal(140), "mass-ppm", "do-not-touch", frozenset({"move"}), "worked by hand")
    policy = replace(POLICIES["cautious-default"], levels=(row,))
    (level,) = level_amounts(policy, ETHER_KG_M3)
    assert (level.amount_mg_per_l, level.forbids_drawing) == (Decimal("99.904"), False)
    assert level.words == "do not touch (move): more than 140 mass ppm"
