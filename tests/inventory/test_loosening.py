"""Tightening is free, loosening is signed: what is withdrawn or told late needs a supervisor and a reason."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from inventory.models import Container, Event, Observation, PeroxideTest, Policy, Solvent
from inventory.rules.errors import Conflict, Denied, InputError
from inventory.selectors.loosening import loosened, policy_in_use
from inventory.services import (
    catalogue,
    containers,
    opening,
    places,
    reversal,
    safety,
    volumes,
    withdrawals,
)
from inventory.services.lab_editing import lab_edit
from inventory.services.moving import put_away
from tests import factories as make

pytestmark = pytest.mark.django_db
THF = "tetrahydrofuran"
HOUR = timedelta(hours=1)


@pytest.fixture
def club() -> make.Club:
    return make.club()


@pytest.fixture
def bottle(club: make.Club) -> Container:
    return make.stocked(club, THF, inhibited=True)


def at(club: make.Club, minutes: int = 60, role: str = "steward") -> dict[str, Any]:
    """By default an hour after the bottle came."""
    return {"lab": club.lab, "actor": club.people[role], "now": make.NOW + timedelta(minutes=minutes)}


def bad_test(club: make.Club, bottle: Container, reading: str = "50", **when: Any) -> PeroxideTest:
    return safety.test_record(
        **at(club, **when), container=make.fresh(bottle), reading=reading, method="strip-25",
        tested_on=make.TODAY,
    ).test  # fmt: skip


def crystals(club: make.Club, bottle: Container, **when: Any) -> Observation:
    return safety.observe(**at(club, **when), container=bottle, sign="crystals")


def signed(club: make.Club, minutes: int = 120) -> dict[str, Any]:
    return {**at(club, minutes, "supervisor"), "may_loosen": True, "reason": "it was sugar"}


# -- withdrawals


def test_a_sign_is_a_supervisors_to_withdraw(club: make.Club, bottle: Container) -> None:
    seen = crystals(club, bottle)
    with pytest.raises(Denied, match="Ask a supervisor"):
        withdrawals.sign_withdraw(**at(club, 120), sign=seen, reason="it was sugar")
    assert make.fresh(bottle).worst_sign == "crystals"
    assert Observation.objects.count() == 1, "nothing is left of a refused withdrawal"
    withdrawals.sign_withdraw(**signed(club), sign=seen)
    assert make.fresh(bottle).worst_sign == ""
    (told,) = loosened(bottle)
    assert (told["by"], told["what"]) == (club.supervisor.username, "Withdrawing a sign")
    assert (told["reason"], told["at"]) == ("it was sugar", make.NOW + 2 * HOUR)
    assert (told["from"]["worst_sign"], told["to"]["worst_sign"]) == ("crystals", "")


def test_a_lesser_sign_behind_a_worse_one_needs_it_too(club: make.Club, bottle: Container) -> None:
    lesser = safety.observe(**at(club, 50), container=bottle, sign="cap-stuck")
    crystals(club, bottle)
    with pytest.raises(Denied):
        withdrawals.sign_withdraw(**at(club, 120), sign=lesser, reason="a new cap")


def test_a_bad_test_is_a_supervisors_to_withdraw(club: make.Club, bottle: Container) -> None:
    before = make.fresh(bottle).next_test_due
    wrong = bad_test(club, bottle)
    with pytest.raises(Denied):
        withdrawals.test_withdraw(**at(club, 120), test=wrong, reason="another bottle")
    assert make.fresh(bottle).due_code == "reading-at-or-above-level"
    withdrawals.test_withdraw(**signed(club), test=wrong)
    assert make.fresh(bottle).next_test_due == before
    assert loosened(bottle)[0]["from"]["due_code"] == "reading-at-or-above-level"


def test_a_passed_test_goes_free_where_the_date_comes_nearer(club: make.Club, bottle: Container) -> None:
    """Opened 2026-03-10; tested a month later; without that test it is due a month earlier."""
    later = at(club, 30 * 24 * 60)
    passed = safety.test_record(
        **later, container=bottle, reading="neg", method="strip-25", tested_on=later["now"].date()
    ).test
    assert str(make.fresh(bottle).next_test_due) == "2026-10-09"
    withdrawals.test_withdraw(**at(club, 31 * 24 * 60), test=passed, reason="another bottle")
    assert str(make.fresh(bottle).next_test_due) == "2026-09-10"
    assert loosened(bottle) == []


def test_a_passed_test_that_shortened_the_time_is_not_free(club: make.Club) -> None:
    """The test opened a sealed bottle: six months from it, not twelve from receipt."""
    sealed = make.stocked(club, THF, opened="unopened", inhibited=True)
    passed = bad_test(club, sealed, "<1")
    assert str(make.fresh(sealed).next_test_due) == "2026-09-10"
    with pytest.raises(Denied):
        withdrawals.test_withdraw(**at(club, 120), test=passed, reason="another bottle")


def test_a_bottle_of_the_same_lot_is_watched_too(club: make.Club, bottle: Container) -> None:
    taker = make.empty(club)
    volumes.pour(**at(club, 10), source=make.fresh(bottle), into=taker, amount="100 mL")
    wrong = bad_test(club, bottle)
    assert make.fresh(taker).due_code == "reading-at-or-above-level"
    withdrawals.test_withdraw(**signed(club), test=wrong)
    assert len(loosened(bottle)) == len(loosened(taker)) == 1


def test_a_slip_of_the_finger_is_ones_own_to_mend(club: make.Club, bottle: Container) -> None:
    before = make.fresh(bottle).next_test_due
    withdrawals.test_withdraw(**at(club, 75), test=bad_test(club, bottle), reason="50 was the bottle")
    withdrawals.sign_withdraw(**at(club, 95), sign=crystals(club, bottle, minutes=80), reason="next bottle")
    assert (make.fresh(bottle).next_test_due, make.fresh(bottle).worst_sign) == (before, "")
    assert loosened(bottle) == []


@pytest.mark.parametrize(
    ("minutes", "role", "why"), [(76, "steward", "too late"), (61, "supervisor", "somebody else's")]
)
def test_what_is_no_slip(club: make.Club, bottle: Container, minutes: int, role: str, why: str) -> None:
    for kind, withdraw in (("sign", withdrawals.sign_withdraw), ("test", withdrawals.test_withdraw)):
        row: Any = crystals(club, bottle) if kind == "sign" else bad_test(club, bottle)
        with pytest.raises(Denied):
            withdraw(**at(club, minutes, role), **{kind: row}, reason=why)


@pytest.mark.parametrize("since", ["draw", "sign", "test", "policy", "put-away"])
def test_a_slip_that_something_came_after_is_none(club: make.Club, bottle: Container, since: str) -> None:
    row = crystals(club, bottle)
    _happens(club, bottle, since)
    with pytest.raises(Denied):
        withdrawals.sign_withdraw(**at(club, 65), sign=row, reason="next bottle")


def _happens(club: make.Club, bottle: Container, what: str) -> None:
    if what == "draw":
        end = club.end("reaction")
        volumes.draw(**at(club, 62), container=make.fresh(bottle), amount="1 mL", destination=end)
    elif what == "sign":
        safety.observe(**at(club, 62), container=bottle, sign="cloudy")
    elif what == "test":
        bad_test(club, bottle, "<1", minutes=62)
    elif what == "policy":
        chosen(club, minutes=62)
    else:
        shelf = places.location_get(lab=club.lab, name="Vented cabinet")
        by = at(club, 62)
        put_away(container=bottle, actor=by["actor"], now=by["now"], location=shelf)


# -- openings


def test_a_first_opening_is_free_and_puts_nothing_off(club: make.Club) -> None:
    """Sealed 12 months from receipt on 2025-04-10; opened on 2026-03-10 it would be 6 months from then."""
    received_on = make.day("2025-04-10")
    sealed = make.stocked(club, THF, opened="unopened", inhibited=True, received_on=received_on)
    assert str(make.fresh(sealed).next_test_due) == "2026-04-10"
    held = opening.mark_opened(container=sealed, actor=club.member, now=make.NOW, opened_on=make.TODAY)
    assert (str(held.next_test_due), held.due_code) == ("2026-04-10", "unopened-interval")
    make.tested(club, held)
    assert str(make.fresh(held).next_test_due) == "2026-09-10"
    assert loosened(sealed) == []


def test_an_earlier_day_for_an_unknown_opening_is_free(club: make.Club) -> None:
    """Not even its receipt is known: due since it was recorded; opened a year ago it is due since longer."""
    old = make.stocked(club, THF, opened="opened", received_on=None, opened_on=None)
    long_ago = make.day("2025-03-10")
    held = opening.mark_opened(container=old, actor=club.member, now=make.NOW, opened_on=long_ago)
    assert str(held.next_test_due) == "2025-06-10"
    assert loosened(old) == []


# -- reversals, and what a solvent is


def poured(club: make.Club, bottle: Container, minutes: int = 10) -> Any:
    """A bad bottle is poured into this one."""
    bad = make.stocked(club, THF, inhibited=True)
    bad_test(club, bad, minutes=minutes - 5)
    return volumes.pour(**at(club, minutes), source=make.fresh(bad), into=bottle, amount="20 mL")


def test_taking_a_pour_back_is_signed_where_it_looks_safer(club: make.Club, bottle: Container) -> None:
    posted = poured(club, bottle)
    assert make.fresh(bottle).due_code == "reading-at-or-above-level"
    with pytest.raises(Denied, match="Reversing an entry"):
        reversal.reverse(**at(club, 120), entry=posted.entry, reason="wrong bottle")
    assert make.fresh(bottle).due_code == "reading-at-or-above-level"
    reversal.reverse(**signed(club), entry=posted.entry)
    assert str(make.fresh(bottle).next_test_due) == "2026-09-10"
    (told,) = loosened(bottle)
    # Off the strip's scale, so it counts as the worst band.
    assert (told["what"], told["from"]["levels"]["draw"]) == ("Reversing an entry", "do-not-touch")


def test_a_pour_just_booked_is_ones_own_to_take_back(club: make.Club, bottle: Container) -> None:
    posted = poured(club, bottle)
    reversal.reverse(**at(club, 24), entry=posted.entry, reason="wrong bottle")
    assert (str(make.fresh(bottle).next_test_due), loosened(bottle)) == ("2026-09-10", [])


@pytest.mark.parametrize("since", ["draw", "sign", "policy", "put-away"])
def test_a_pour_that_something_came_after_is_not(club: make.Club, bottle: Container, since: str) -> None:
    posted = poured(club, bottle, 58)
    _happens(club, bottle, since)
    with pytest.raises((Denied, Conflict)):
        reversal.reverse(**at(club, 65), entry=posted.entry, reason="wrong bottle")


def test_a_pour_taken_back_takes_its_sign_along(club: make.Club, bottle: Container) -> None:
    source = make.stocked(club, THF, inhibited=True)
    crystals(club, source, minutes=5)
    posted = volumes.pour(**at(club, 10), source=make.fresh(source), into=bottle, amount="20 mL")
    assert make.fresh(bottle).worst_sign == "crystals"
    with pytest.raises(Denied):
        reversal.reverse(**at(club, 120), entry=posted.entry, reason="wrong bottle")
    reversal.reverse(**signed(club), entry=posted.entry)
    assert (make.fresh(bottle).worst_sign, make.fresh(source).worst_sign) == ("", "crystals")


def test_a_milder_class_is_signed_where_some_stands_on_the_shelf(club: make.Club) -> None:
    own = make.solvent("ethyl-acetate")
    own.pk, own.lab, own.key, own.state = None, club.lab, "own", Solvent.State.UNCONFIRMED
    own.peroxide_class = "unknown"
    own.save(force_insert=True)
    confirmed: dict[str, Any] = {
        "solvent": own,
        "peroxide_class": "none",
        "basis": "not listed by Cornell EHS App. J",
    }
    bottle = containers.receive(
        **at(club), solvent=own, amount="100 mL", lot=containers.LotFacts(origin="purchased"),
        facts=containers.ContainerFacts(capacity_ul=100_000, opened="opened", opened_on=make.TODAY),
    ).container  # fmt: skip
    assert make.fresh(bottle).due_code == "opened-interval"
    with pytest.raises(Denied, match="Another peroxide class"):
        catalogue.solvent_confirm(**at(club), **confirmed)
    assert Solvent.objects.get(pk=own.pk).state == Solvent.State.UNCONFIRMED
    catalogue.solvent_confirm(**at(club, role="supervisor"), **confirmed, may_loosen=True)
    assert make.fresh(bottle).due_code == "not-a-former"
    assert loosened(bottle)[0]["reason"] == "not listed by Cornell EHS App. J"


# -- the lab's policy


def chosen(club: make.Club, minutes: int = 60, reason: str = "the school's own table") -> None:
    policy = Policy.objects.get(lab=None, key="cornell")
    lab_edit(**at(club, minutes, "supervisor"), changes={}, policy=policy, reason=reason)


def test_a_policy_is_set_with_a_reason_that_stays(club: make.Club) -> None:
    assert policy_in_use(club.lab).is_default
    with pytest.raises(InputError) as refusal:
        chosen(club, reason=" ")
    assert refusal.value.field == "reason"
    chosen(club)
    used = policy_in_use(club.lab)
    assert (used.is_default, used.by, used.at) == (False, club.supervisor.display_name, make.NOW + HOUR)
    assert used.reason == "the school's own table"
    assert "Cornell" in used.source
    assert Event.objects.get(verb="policy-set").data == {
        "from": "cautious-default", "to": "cornell", "reason": "the school's own table"
    }  # fmt: skip
