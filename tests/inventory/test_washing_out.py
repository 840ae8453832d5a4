"""Nothing that is done with a bottle afterwards washes out what was found in it."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from inventory.models import Container, Lot, Policy, Solvent
from inventory.rules.errors import Conflict, Denied
from inventory.rules.levels import Level, Use
from inventory.rules.looser import looser
from inventory.rules.policy_data import Policy as Rules
from inventory.services import (
    catalogue,
    corrections,
    opening,
    quarantine,
    reversal,
    treatments,
    verdicts,
    volumes,
    withdrawals,
)
from tests import factories as make

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)
LONG_AGO = make.NOW - 400 * DAY


@pytest.fixture
def club() -> make.Club:
    return make.club()


def by(club: make.Club, who: str = "member", now: Any = make.NOW) -> dict[str, Any]:
    return {"lab": club.lab, "actor": club.people[who], "now": now}


def level(bottle: Container, use: Use = "draw", day: Any = make.TODAY) -> Level:
    return verdicts.verdicts_of(make.fresh(bottle), day)[use].level


def ether(club: make.Club, **facts: Any) -> Container:
    return make.fresh(make.stocked(club, "diethyl-ether", **facts))


def old_ether(club: make.Club, **facts: Any) -> Container:
    return ether(club, now=LONG_AGO, **{"received_on": LONG_AGO.date(), **facts})


def flask(club: make.Club) -> Container:
    return make.empty(club)


def emptied(club: make.Club, bottle: Container) -> None:
    volumes.draw(**by(club), container=make.fresh(bottle), amount=None, destination=club.end("reaction"))


def pour(club: make.Club, source: Container, into: Container, **more: Any) -> None:
    at = by(club, now=more.pop("now", make.NOW))
    volumes.pour(**at, source=make.fresh(source), into=make.fresh(into), **more)


def own_policy(club: make.Club, **change: Any) -> None:
    rules = Rules.from_json({**Policy.objects.get(lab=None, key="cautious-default").body, **change})
    row = Policy.objects.create(lab=club.lab, key="own", name="Own", source="made up", body=rules.to_json())
    type(club.lab).objects.filter(pk=club.lab.pk).update(policy=row)
    club.lab.refresh_from_db()


def test_an_upper_bound_is_never_rounded_down(club: make.Club) -> None:
    own_policy(club, levels=[{"above": "25", "then": "do-not-use", "source": "made up"}])
    bottle = ether(club)
    test = make.tested(club, bottle, reading="25.0004", method="iodometric-titration")
    assert test.upper_ug_per_l == 25_001
    assert level(bottle) != "use"


def test_what_a_residue_left_goes_along_when_it_is_poured_on(club: make.Club) -> None:
    bad, good, taker = ether(club), ether(club), flask(club)
    make.tested(club, bad, reading="80", method="strip-100")
    emptied(club, bad)
    pour(club, good, bad)
    assert level(bad) == "do-not-use"
    pour(club, bad, taker)
    assert level(taker) == "do-not-use"


def test_a_residue_stays_although_some_of_it_was_blended_and_passed_elsewhere(club: make.Club) -> None:
    bad, other = ether(club), ether(club)
    make.tested(club, bad, reading="80", method="strip-100")
    pour(club, bad, other, amount="50 mL")
    emptied(club, bad)
    later = make.NOW + DAY
    make.tested(club, other, now=later, reading="10")
    pour(club, other, bad, now=later + timedelta(hours=1))
    assert level(bad, day=later.date()) == "do-not-use"


def test_a_good_test_of_an_empty_bottle_is_not_taken_and_a_bad_one_is(club: make.Club) -> None:
    bottle = ether(club)
    emptied(club, bottle)
    with pytest.raises(Conflict, match="empty by the records"):
        make.tested(club, bottle)
    assert make.tested(club, bottle, reading="80", method="strip-100").pk


def test_opening_a_bottle_of_unknown_receipt_makes_it_no_younger(club: make.Club) -> None:
    bottle = ether(club, now=LONG_AGO, opened="unopened", received_on=None)
    taker = flask(club)
    pour(club, bottle, taker, amount="10 mL")
    assert level(taker) == "test-first"
    other = ether(club, now=LONG_AGO, opened="unopened", received_on=None)
    opening.mark_opened(container=other, actor=club.member, now=make.NOW, opened_on=make.TODAY)
    assert level(other) == "test-first"


def test_a_trace_of_inhibitor_is_no_inhibitor(club: make.Club) -> None:
    plain, traced = (ether(club, inhibited=False) for _ in range(2))
    treatments.inhibitor_add(**by(club), container=traced, inhibitor="BHT", mass_ug=1)
    for bottle in (plain, traced):
        make.tested(club, bottle)
    assert make.fresh(traced).next_test_due == make.fresh(plain).next_test_due


def test_quarantine_goes_along_when_liquid_is_poured(club: make.Club) -> None:
    bottle, taker = ether(club), flask(club)
    quarantine.set_aside(**by(club), container=bottle, reason="labels may be swapped")
    pour(club, bottle, taker)
    assert make.fresh(taker).quarantine_reason == "labels may be swapped"
    assert level(taker) == level(bottle) != "use"


@pytest.mark.parametrize("undecided_first", [True, False])
def test_a_doubtful_result_of_the_same_day_hides_nothing(club: make.Club, undecided_first: bool) -> None:
    bottle = ether(club)
    for reading in ("?", "15") if undecided_first else ("15", "?"):
        make.tested(club, bottle, reading=reading)
    # A later reading that says something answers one that does not; the trace forbids distilling either way.
    drawing = "use" if undecided_first else "test-first"
    assert (level(bottle), level(bottle, "distil")) == (drawing, "do-not-distil")


def test_withdrawing_a_trace_is_signed_also_behind_a_doubtful_result(club: make.Club) -> None:
    bottle = ether(club)
    trace = make.tested(club, bottle, reading="15", now=make.NOW - timedelta(hours=2))
    make.tested(club, bottle, reading="?")
    with pytest.raises(Denied):
        withdrawals.test_withdraw(**by(club, "steward"), test=trace, reason="wrong bottle")


def test_a_date_moved_behind_a_passed_test_is_signed(club: make.Club) -> None:
    bottle = old_ether(club)
    make.tested(club, bottle)
    changes = {"opened_on": make.TODAY - DAY}
    with pytest.raises(Denied):
        corrections.correct(**by(club, "steward"), container=bottle, changes=changes, reason="read again")


def test_a_receipt_moved_behind_an_undecided_test_is_signed(club: make.Club) -> None:
    bottle = old_ether(club, opened="unopened")
    make.tested(club, bottle, reading="?", tested_on=make.TODAY - DAY)
    changes = {"received_on": make.TODAY - 9 * DAY}
    with pytest.raises(Denied):
        corrections.correct(**by(club, "steward"), container=bottle, changes=changes, reason="note found")


def test_a_closure_that_matters_only_after_expiry_is_signed(club: make.Club) -> None:
    row = {"closures": ["metal-screw"], "expired_more_than_months": 0, "then": "do-not-touch"}
    own_policy(club, handling=[{**row, "source": "made up"}])
    bottle = ether(club, closure="metal-screw", expiry_on=make.TODAY + DAY)
    changes = {"closure": "plastic-screw"}
    with pytest.raises(Denied):
        corrections.correct(**by(club, "steward"), container=bottle, changes=changes, reason="looked again")


def test_a_discard_is_no_slip_once_the_class_was_confirmed(club: make.Club) -> None:
    known = Solvent.objects.get(lab=None, key="diethyl-ether")
    copied = {f.attname: getattr(known, f.attname) for f in Solvent._meta.concrete_fields}
    own = Solvent.objects.create(
        **{**copied, "id": None, "lab_id": club.lab.pk, "key": "own-ether", "cas": ""}
        | {"name": "own ether", "state": "unconfirmed", "peroxide_class": "unknown"}
    )
    bottle = old_ether(club)
    assert bottle.lot_id is not None
    Lot.objects.filter(pk=bottle.lot_id).update(solvent=own)
    minutes = [make.NOW + timedelta(minutes=n) for n in (1, 2, 3)]
    posted = volumes.discard(**by(club, "steward", minutes[0]), container=make.fresh(bottle))
    assert posted is not None
    confirm: dict[str, Any] = {"solvent": own, "peroxide_class": "none", "basis": "a guess"}
    catalogue.solvent_confirm(**by(club, "steward", minutes[1]), **confirm)
    with pytest.raises(Denied):
        reversal.reverse(**by(club, "steward", minutes[2]), entry=posted.entry, reason="wrong bottle")


def test_many_small_counts_upwards_end_a_passed_test(club: make.Club) -> None:
    bottle = ether(club)
    make.tested(club, bottle)
    start = make.NOW + DAY
    for number in range(1, 12):
        found = {"value": str(500 + 4 * number), "unit": "mL", "instrument": "cylinder-b-500"}
        at = by(club, "steward", start + timedelta(minutes=number))
        volumes.count(**at, container=make.fresh(bottle), amount=found)
    assert level(bottle, "distil", start.date()) != "use"


def test_a_condition_added_to_a_rule_of_danger_is_looser() -> None:
    body = load_body()
    row = {"class": ["A"], "then": "do-not-use", "source": "made up"}
    old, new = ({**body, "handling": [each]} for each in (row, {**row, "closures": ["plastic-screw"]}))
    assert looser(Rules.from_json(old), Rules.from_json(new))


def test_more_time_for_topped_up_distillate_is_looser() -> None:
    body = load_body()
    row = {
        "class": "B",
        "inhibited": True,
        "origins": ["recovered"],
        "counts_from": "test",
        "source": "made up",
    }
    old, new = ({**body, "rules": [{**row, "months": count}, *body["rules"]]} for count in (1, 12))
    assert looser(Rules.from_json(old), Rules.from_json(new))


def load_body() -> dict[str, Any]:
    body: dict[str, Any] = Policy.objects.get(lab=None, key="cautious-default").body
    return body
