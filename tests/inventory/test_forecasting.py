"""Forecasts of containers: which readings count, what is stored, and that nothing is put off by them."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory.models import Container, PeroxideTest, Policy
from inventory.rules.errors import Denied
from inventory.selectors.loosening import loosened
from inventory.services import audit, reagents, safety, treatments, volumes, withdrawals
from inventory.services.facts import containers_with, gathered
from inventory.services.forecasting import forecasts_of, mixings, outlook_of
from inventory.services.policies import policy_set
from tests import factories as make

pytestmark = pytest.mark.django_db
THF = "tetrahydrofuran"
RISING = ((0, "neg"), (60, "0.5"), (120, "2"), (180, "2"))


@pytest.fixture
def club() -> make.Club:
    return make.club()


@pytest.fixture
def bottle(club: make.Club) -> Container:
    """Opened on the first day; the default policy gives it half a year from a passed test."""
    return make.stocked(club, THF, inhibited=True)


def fresh(bottle: Container) -> Any:
    return make.fresh(bottle)


def on(club: make.Club, days: float, role: str = "steward") -> dict[str, Any]:
    return {
        "lab": club.lab,
        "actor": club.people[role],
        "now": make.NOW + timedelta(hours=1) + timedelta(days=days),
    }


def probed(club: make.Club, bottle: Container, day: int, reading: str, **more: Any) -> PeroxideTest:
    by = on(club, day)
    return safety.test_record(
        **by, container=fresh(bottle), reading=reading, method="strip-25", tested_on=by["now"].date(),
        **more,
    ).test  # fmt: skip


def rising(club: make.Club, bottle: Container, *more: tuple[int, str]) -> PeroxideTest:
    """The last of the tests."""
    return [probed(club, bottle, day, reading) for day, reading in (*RISING, *more)][-1]


def after(days: int) -> Any:
    return make.TODAY + timedelta(days=days)


# -- what is stored


def test_a_forecast_that_comes_first_moves_the_next_test(club: make.Club, bottle: Container) -> None:
    rising(club, bottle, (240, "5"))
    held = fresh(bottle)
    assert held.forecast_code == "forecast"
    assert after(240) < held.forecast_on < held.policy_due
    assert (held.next_test_due, held.due_code) == (held.forecast_on, "forecast-earlier")
    assert "5 readings since 2026-03-10" in held.forecast_words
    due = safety.due_of(held)
    assert due is not None
    assert (due.on, due.code) == (held.next_test_due, held.due_code)
    assert audit.audit(lab=club.lab).findings == ()


def test_one_that_comes_later_puts_nothing_off(club: make.Club, bottle: Container) -> None:
    for day in range(0, 300, 30):
        probed(club, bottle, day, "0.5")
    held = fresh(bottle)
    assert held.forecast_on is not None
    assert held.forecast_on > held.policy_due
    assert (held.next_test_due, held.due_code) == (held.policy_due, "after-passed-test")


def test_why_there_is_none_is_stored(club: make.Club, bottle: Container) -> None:
    assert fresh(bottle).forecast_code == ""
    probed(club, bottle, 0, "neg")
    held = fresh(bottle)
    assert (held.forecast_on, held.forecast_code) == (None, "too-few")
    assert held.forecast_words.startswith("No forecast. 1 of the 4")
    assert held.next_test_due == held.policy_due


def test_what_forms_no_peroxides_has_none(club: make.Club) -> None:
    bottle = make.stocked(club, "ethyl-acetate")
    rising(club, bottle, (240, "5"))
    held = fresh(bottle)
    assert (held.forecast_on, held.forecast_code, held.next_test_due) == (None, "not-a-former", None)


def test_a_stricter_level_is_reached_sooner(club: make.Club, bottle: Container) -> None:
    rising(club, bottle)
    before = fresh(bottle).forecast_on
    body = dict(club.lab.policy.body) | {"key": "strict", "name": "Strict"}
    body["levels"] = [{"from": "10", "then": "do-not-use", "source": "the club's own"}, *body["levels"]]
    strict = Policy.objects.create(lab=club.lab, key="strict", name="Strict", source="ours", body=body)
    policy_set(**on(club, 181, "supervisor"), policy=strict, reason="a warm cupboard")
    held = fresh(bottle)
    assert "may reach 10 mg/L" in held.forecast_words
    assert held.forecast_on < before
    assert audit.audit(lab=club.lab).findings == ()


def test_expired_strips_may_read_low(club: make.Club, bottle: Container) -> None:
    sound = make.stocked(club, THF, inhibited=True)
    rising(club, sound)
    old = reagents.reagent_add(
        **on(club, 0), method="strip-25", name="Strips", maker_lot="", expiry_on=after(150)
    )
    for day, reading in RISING[:-1]:
        probed(club, bottle, day, reading)
    assert probed(club, bottle, *RISING[-1], reagent=old).reagent_expired is True
    spoilt, best = fresh(bottle).forecast_on, fresh(sound).forecast_on
    assert spoilt is not None
    assert spoilt <= best


# -- loosening


def test_withdrawing_the_test_that_brought_it_forward_is_signed(club: make.Club, bottle: Container) -> None:
    high = rising(club, bottle, (190, "10"))
    early = fresh(bottle).next_test_due
    assert early < after(200)
    with pytest.raises(Denied, match="Ask a supervisor"):
        withdrawals.test_withdraw(**on(club, 191), test=high, reason="another bottle")
    assert fresh(bottle).next_test_due == early
    signed: dict[str, Any] = {"may_loosen": True, "reason": "another bottle"}
    withdrawals.test_withdraw(**on(club, 192, "supervisor"), test=high, **signed)
    assert fresh(bottle).next_test_due > early
    (told,) = loosened(bottle)
    assert told["from"]["due_code"] == "forecast-earlier"


def test_withdrawing_a_low_test_brings_it_nearer_and_is_free(club: make.Club, bottle: Container) -> None:
    low = rising(club, bottle, (190, "10"), (240, "neg"))
    later = fresh(bottle).next_test_due
    withdrawals.test_withdraw(**on(club, 241), test=low, reason="another bottle")
    assert fresh(bottle).next_test_due < later
    assert loosened(bottle) == []


# -- resets


def test_a_drop_put_back_puts_nothing_off(club: make.Club, bottle: Container) -> None:
    rising(club, bottle, (190, "10"))
    early = fresh(bottle).forecast_on
    drawn = volumes.draw(
        **on(club, 191), container=fresh(bottle), amount="5 mL", destination=club.end("product")
    )
    assert drawn
    other = make.stocked(club, THF, inhibited=True, now=make.NOW + timedelta(days=192))
    volumes.pour(**on(club, 193), source=other, into=fresh(bottle), amount="5 mL")
    held = fresh(bottle)
    assert held.lot_id != bottle.lot_id, "a blend now"
    assert held.forecast_on == early
    assert held.next_test_due <= early


def test_after_mixing_a_new_test_begins_a_new_line(club: make.Club, bottle: Container) -> None:
    rising(club, bottle, (190, "10"))
    other = make.stocked(club, THF, inhibited=True, now=make.NOW + timedelta(days=192))
    volumes.pour(**on(club, 193), source=other, into=fresh(bottle), amount="5 mL")
    probed(club, bottle, 194, "2")
    held = fresh(bottle)
    assert (held.forecast_on, held.forecast_code) == (None, "too-few")
    assert [test.tested_on for test in outlook_of(held).tests] == [after(194)]


@pytest.mark.parametrize(
    ("found", "resets"),
    [
        (["500.3 mL"], 1),  # by nobody knows what: as good as poured in
        ([{"value": "500.3", "unit": "mL", "instrument": "cylinder-b-500"}], 0),
        ([{"value": "540", "unit": "mL", "instrument": "cylinder-b-500"}], 1),
        # So little each time, and in the end more than one count can be wrong by.
        ([{"value": str(500 + 2 * n), "unit": "mL", "instrument": "cylinder-b-500"} for n in range(1, 9)], 1),
    ],
)
def test_a_count_upwards_resets_the_line_as_it_ends_a_passed_test(
    club: make.Club, bottle: Container, found: list[Any], resets: int
) -> None:
    """A 500 mL cylinder of class B: 5 mL half width by ISO 4788 (from memory), so 2 u is about 6 mL."""
    for day, amount in enumerate(found, 1):
        volumes.count(**on(club, day), container=fresh(bottle), amount=amount)
    held = fresh(bottle)
    assert bool(mixings([held]).get(held.place_id, ())) == bool(resets)


def test_peroxides_that_were_taken_out_count_from_the_test_after(club: make.Club, bottle: Container) -> None:
    rising(club, bottle, (190, "10"))
    early = fresh(bottle).forecast_on
    treatments.peroxides_remove(**on(club, 191), container=fresh(bottle), how="through a column of alumina")
    assert fresh(bottle).forecast_on == early
    probed(club, bottle, 192, "neg")
    assert fresh(bottle).forecast_code == "too-few"
    for day, reading in ((230, "0.5"), (270, "2"), (310, "5")):
        probed(club, bottle, day, reading)
    held = fresh(bottle)
    assert held.forecast_code == "forecast"
    assert held.forecast_words.startswith(f"By 4 readings since {after(192).isoformat()}")
    assert audit.audit(lab=club.lab).findings == ()


def test_readings_from_before_a_passed_opening_do_not_count(club: make.Club) -> None:
    """A sealed bottle that was tested through its septum, then opened, and tested since."""
    bottle = make.stocked(club, THF, inhibited=True)
    rising(club, bottle, (240, "5"))
    assert len(outlook_of(fresh(bottle)).tests) == 5
    Container.objects.filter(pk=bottle.pk).update(opened_on=after(100))
    assert len(outlook_of(fresh(bottle)).tests) == 3
    Container.objects.filter(pk=bottle.pk).update(opened_on=after(300))
    assert len(outlook_of(fresh(bottle)).tests) == 5, "no test since: the older ones stand"


def test_a_withdrawn_and_an_undated_test_are_no_points(club: make.Club, bottle: Container) -> None:
    wrong = rising(club, bottle)
    withdrawals.test_withdraw(
        **on(club, 181, "supervisor"), test=wrong, reason="a slip of the pen", may_loosen=True
    )
    safety.test_record(
        **on(club, 182), container=fresh(bottle), reading="2", method="strip-25", tested_on=None
    )
    assert [test.tested_on for test in outlook_of(fresh(bottle)).tests] == [
        after(day) for day, _ in RISING[:3]
    ]


# -- cost


def test_many_cost_one_statement_more_and_few_tests_none(club: make.Club, bottle: Container) -> None:
    probed(club, bottle, 0, "neg")
    assert _statements([bottle.pk]) == 0
    others = [make.stocked(club, THF, inhibited=True) for _ in range(3)]
    for other in others:
        rising(club, other)
    assert _statements([bottle.pk, *(other.pk for other in others)]) == 1
    together = forecasts_of(gathered(containers_with([other.pk for other in others])))
    assert {told.on for told in together.values()} == {fresh(others[0]).forecast_on}


def _statements(ids: list[int]) -> int:
    found = gathered(containers_with(ids))
    with CaptureQueriesContext(connection) as asked:
        forecasts_of(found)
    return len(asked)
