"""Waste that had a grave reading or sign when it went in says so, from a bottle and from a run alike.

The level of 25 mg/L at which nothing more is used is that of Michigan State EHS, in the cautious default.
"""

from __future__ import annotations

from typing import Any

import pytest

from inventory.models import WasteContainer
from inventory.services import safety, volumes, waste, waste_filling, withdrawals
from inventory.services.waste import WasteFacts
from inventory.services.waste_suspect import suspicions
from recovery.services.runs import Loss
from tests import factories as make
from tests.recovery.club import Still

pytestmark = pytest.mark.django_db


@pytest.fixture
def still() -> Still:
    return Still(make.club())


def drum(still: Still) -> WasteContainer:
    return waste.waste_add(**still.at(), facts=WasteFacts(stream="ethers", capacity_ul=5_000_000))


def codes(held: WasteContainer) -> list[str]:
    return [
        one.code for one in suspicions(WasteContainer.objects.select_related("lab__policy").get(pk=held.pk))
    ]


def pour_away(still: Still, held: WasteContainer, bottle: Any) -> None:
    waste_filling.put_in(**still.at(), waste=held, container=make.fresh(bottle), amount="100 mL")


@pytest.mark.parametrize(
    ("reading", "expected"),
    [("2", []), ("30", ["reading-at-or-above-level"]), (">100", ["reading-at-or-above-level"])],
)
def test_a_grave_reading_goes_along(still: Still, reading: str, expected: list[str]) -> None:
    held, bottle = drum(still), still.bottle()
    make.tested(still.club, bottle, reading=reading, method="strip-100")
    pour_away(still, held, still.bottle("acetone"))
    assert codes(held) == []
    pour_away(still, held, bottle)
    assert codes(held) == expected


def test_a_sign_goes_along_through_a_blend_until_it_is_withdrawn(still: Still) -> None:
    held, bottle, other = drum(still), still.bottle(), still.bottle(amount="200 mL")
    seen = safety.observe(**still.at(), container=bottle, sign="viscous-layer")
    volumes.pour(**still.at(), source=make.fresh(bottle), into=make.fresh(other), amount="50 mL")
    pour_away(still, held, other)
    assert codes(held) == ["sign-viscous-layer"]
    withdrawals.sign_withdraw(**still.at(), sign=seen, reason="it was a reflection", may_loosen=True)
    assert codes(held) == []


def test_what_was_in_the_run_with_it_counts_too(still: Still) -> None:
    """The loss is booked of one lot; in the run all that was charged was together."""
    held, good, bad = drum(still), still.bottle(), still.bottle()
    run = still.start(distils=False)
    for bottle in (good, bad):
        still.charge(run, bottle, "100 mL")
    make.tested(still.club, bad, reading="60", method="strip-100")
    still.close(run, Loss("waste-container", "200 mL", waste=held))
    assert codes(held) == ["reading-at-or-above-level"]
