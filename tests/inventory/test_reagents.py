"""Strips and solutions: until when they count, who may say longer, what a test with them is worth."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import pytest

from inventory.models import Container, Event, PeroxideTest, Reagent
from inventory.rules.errors import Conflict, Denied, InputError
from inventory.services import reagents, safety
from inventory.services.reagents import Strength
from inventory.services.titrations import test_by_titration as titrate
from tests.factories import NOW, TODAY, Club, club, fresh, second_club, stocked

pytestmark = pytest.mark.django_db
YESTERDAY, SOON = TODAY - timedelta(days=1), TODAY + timedelta(days=30)


@pytest.fixture
def lab() -> Club:
    return club()


def by(lab: Club, role: str = "steward") -> dict[str, Any]:
    return {"lab": lab.lab, "actor": lab.people[role], "now": NOW}


def strips(lab: Club, **facts: Any) -> Reagent:
    return reagents.reagent_add(
        **by(lab), **{"method": "strip-25", "name": "strips", "expiry_on": SOON, **facts}
    )


def ether(lab: Club) -> Container:
    return fresh(stocked(lab, "diethyl-ether", received_on=TODAY - timedelta(days=200)))


def read(lab: Club, bottle: Container, reading: str, reagent: Reagent | None, **more: Any) -> PeroxideTest:
    told = {"reading": reading, "method": "strip-25", "tested_on": TODAY, "reagent": reagent, **more}
    return safety.test_record(**by(lab, "member"), container=bottle, **told).test


def edit(lab: Club, reagent: Reagent, **changes: Any) -> Reagent:
    more = {name: changes.pop(name) for name in ("reason", "may_loosen") if name in changes}
    return reagents.reagent_edit(**by(lab, "supervisor"), reagent=reagent, changes=changes, **more)


def test_opened_strips_end_sooner_than_their_label(lab: Club) -> None:
    """Six months after opening: our choice, not published."""
    long = date(2029, 1, 31)
    assert strips(lab, expiry_on=long, opened_on=date(2026, 1, 31)).use_by_on == date(2026, 7, 31)
    assert strips(lab, expiry_on=long).use_by_on == long
    assert strips(lab, expiry_on=None).use_by_on is None


def test_a_good_strip_helps_and_an_old_one_does_not(lab: Club) -> None:
    helped, unhelped, unknown = ether(lab), ether(lab), ether(lab)
    before = helped.next_test_due
    assert read(lab, helped, "neg", strips(lab)).reagent_expired is False
    assert read(lab, unhelped, "neg", strips(lab, expiry_on=YESTERDAY)).reagent_expired is True
    assert read(lab, unknown, "neg", None).reagent_expired is None
    assert fresh(helped).next_test_due > (before or TODAY)  # type: ignore[operator]
    assert fresh(unhelped).next_test_due == before
    # A club that keeps no lots goes on as before.
    assert fresh(unknown).next_test_due == fresh(helped).next_test_due


def test_an_old_strip_still_harms_and_hides_nothing(lab: Club) -> None:
    bad, hidden, old = ether(lab), ether(lab), strips(lab, expiry_on=YESTERDAY)
    read(lab, bad, "25", old)
    assert fresh(bad).due_code == "reading-at-or-above-level"
    read(lab, hidden, "25", strips(lab), tested_on=YESTERDAY)
    read(lab, hidden, "neg", old)
    assert fresh(hidden).due_code == "reading-at-or-above-level"


def test_a_date_put_right_to_an_earlier_one_takes_the_help_back(lab: Club) -> None:
    bottle, tin = ether(lab), strips(lab)
    before = bottle.next_test_due
    read(lab, bottle, "neg", tin)
    assert fresh(bottle).next_test_due > before  # type: ignore[operator]
    edit(lab, tin, expiry_on=YESTERDAY)
    assert fresh(bottle).next_test_due == before
    assert PeroxideTest.objects.get().reagent_expired is False
    # Put back again, and signed for, it helps again.
    edit(lab, tin, expiry_on=SOON, may_loosen=True, reason="read it twice")
    assert fresh(bottle).next_test_due > before  # type: ignore[operator]


@pytest.mark.parametrize(
    ("facts", "change"),
    [
        ({}, {"expiry_on": SOON + timedelta(days=1)}),
        ({}, {"expiry_on": None}),
        ({"opened_on": date(2025, 12, 1), "expiry_on": date(2027, 1, 1)}, {"opened_on": TODAY}),
        ({"opened_on": date(2025, 12, 1), "expiry_on": None}, {"opened_on": None}),
        ({"opened_on": date(2025, 12, 1), "expiry_on": date(2026, 7, 1)}, {"expiry_on": date(2029, 1, 1)}),
    ],
)
def test_lasting_longer_is_signed(lab: Club, facts: dict[str, Any], change: dict[str, Any]) -> None:
    tin = strips(lab, **facts)
    with pytest.raises(Denied):
        edit(lab, tin, **change, reason="misread")
    with pytest.raises(InputError, match="reason"):
        edit(lab, tin, **change, may_loosen=True)
    assert not Event.objects.filter(verb="loosened").exists()
    edit(lab, tin, **change, may_loosen=True, reason="misread the printed date")
    told = Event.objects.get(verb="loosened")
    assert (told.subject_kind, told.data["reason"]) == ("reagent", "misread the printed date")


def test_lasting_shorter_is_free(lab: Club) -> None:
    assert edit(lab, strips(lab), opened_on=TODAY, expiry_on=YESTERDAY).use_by_on == YESTERDAY
    assert not Event.objects.filter(verb="loosened").exists()


@pytest.mark.parametrize(
    ("facts", "field", "code"),
    [
        ({"method": "not-stated"}, "method", "no-reagent"),
        ({"name": " "}, "name", "missing"),
        ({"opened_on": SOON}, "opened_on", "in-the-future"),
        ({"strength": Strength(Decimal("0.1"))}, "concentration", "does-not-apply"),
        ({"standardised_on": TODAY}, "standardised_on", "does-not-apply"),
        (
            {"method": "peroxide-number", "strength": Strength(Decimal("1e-9"))},
            "concentration",
            "out-of-range",
        ),
    ],
)
def test_what_is_at_fault_is_named(lab: Club, facts: dict[str, Any], field: str, code: str) -> None:
    with pytest.raises(InputError) as caught:
        strips(lab, **facts)
    assert (caught.value.field, caught.value.code) == (field, code)


def test_a_test_names_only_what_fits_it(lab: Club) -> None:
    bottle, tin = ether(lab), strips(lab, opened_on=TODAY)
    other = reagents.reagent_add(**by(second_club()), method="strip-25", name="theirs")
    for reagent, more, code in (
        (other, {}, "unknown-reagent"),
        (tin, {"method": "strip-100"}, "method-does-not-fit"),
        (tin, {"tested_on": YESTERDAY}, "not-opened-then"),
    ):
        with pytest.raises(InputError) as caught:
            read(lab, bottle, "neg", reagent, **more)
        assert caught.value.code == code
    ended = reagents.reagent_end(**by(lab) | {"now": NOW - timedelta(days=3)}, reagent=strips(lab))
    read(lab, bottle, "neg", ended, tested_on=TODAY - timedelta(days=4))
    with pytest.raises(Conflict, match="used up"):
        read(lab, bottle, "neg", ended)
    with pytest.raises(Conflict):
        edit(lab, ended, name="again")


THIOSULFATE: dict[str, Any] = {
    "method": "iodometric-titration",
    "name": "thiosulfate",
    "expiry_on": None,
    "standardised_on": TODAY,
    "strength": Strength(Decimal("0.01"), Decimal("0.00002")),
}


def test_a_titration_is_kept_with_its_working(lab: Club) -> None:
    """0.5 mL of 0.01 M on 25 mL is 3.4 mg/L; the interval is value ± 2 u, not below one drop."""
    bottle, solution = ether(lab), strips(lab, **THIOSULFATE)
    entry = {"titre": "0.6 mL", "blank": "0.1 mL", "sample": "25 mL"}
    told: dict[str, Any] = {"container": bottle, "titration": entry, "reagent": solution, "tested_on": TODAY}
    test = titrate(**by(lab, "member"), **told).test
    assert test.working["hydrogen_peroxide"]["value"] == "3.40"
    middle = Decimal("0.5") * Decimal("0.01") * Decimal("17007.34") / 25
    assert test.lower_ug_per_l < middle * 1000 < test.upper_ug_per_l  # type: ignore[operator]
    assert test.reagent_expired is False
    assert fresh(bottle).due_code == "after-passed-test"
    with pytest.raises(Conflict, match="strength"):
        edit(lab, solution, strength=Strength(Decimal("0.02")))
    with pytest.raises(InputError, match="density"):
        titrate(**by(lab), **told | {"titration": {**entry, "density": "0.1 g/mL"}})


def test_a_solution_standardised_long_ago_does_not_help(lab: Club) -> None:
    bottle = ether(lab)
    stale = strips(lab, **THIOSULFATE | {"standardised_on": TODAY - timedelta(days=40)})
    entry = {"titre": "0.6 mL", "blank": "0.1 mL", "sample": "25 mL"}
    before = bottle.next_test_due
    titrate(**by(lab), container=bottle, titration=entry, reagent=stale, tested_on=TODAY)
    assert fresh(bottle).next_test_due == before
