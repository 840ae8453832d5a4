"""The stored date of the next test follows every change of fact.

Expected dates are counted by hand from published intervals: class A opened 3 months (Cornell EHS App. J,
Princeton EHS), class B opened and inhibited 6 months (Iowa State EHS, Virginia Tech), class B uninhibited
3 months (Princeton EHS), unopened 12 months (USC EHS 2021 for class B and C; for A our choice).
The action level of 25 mg/L is that of Michigan State EHS.
"""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from inventory.models import Container, Policy, Solvent
from inventory.rules.errors import Conflict, InputError
from inventory.services import containers, opening, policies, safety, volumes, withdrawals
from tests import factories as make
from tests.factories import day

pytestmark = pytest.mark.django_db
ETHER, THF, DIPE = "diethyl-ether", "tetrahydrofuran", "diisopropyl-ether"
SOON, LONG_AGO = ("2026-06-10", "opened-interval"), ("2024-02-29", "opening-date-unknown")


@pytest.fixture
def club() -> make.Club:
    return make.club()


def at(club: make.Club, days: int = 0) -> dict[str, Any]:
    return {"lab": club.lab, "actor": club.steward, "now": make.NOW + timedelta(days=days)}


def due(container: Container) -> tuple[str, str]:
    """What is stored, which must be what the rules say of the facts at this moment."""
    held = make.fresh(container)
    worked_out = safety.due_of(held)
    assert worked_out is not None
    assert (held.next_test_due, held.due_code) == (worked_out.on, worked_out.code)
    return (str(held.next_test_due) if held.next_test_due else "never", held.due_code)


def record_test(club: make.Club, container: Container, reading: str, on: str | None, days: int = 0) -> Any:
    return safety.test_record(
        **at(club, days), container=make.fresh(container), reading=reading, method="strip-25",
        tested_on=day(on) if on else None,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("key", "facts", "expected"),
    [
        (ETHER, {"opened": "unopened", "inhibited": True}, ("2027-03-10", "unopened-interval")),
        (DIPE, {"opened": "unopened"}, ("2027-03-10", "unopened-interval")),
        (DIPE, {"opened": "opened", "inhibited": True}, ("2026-06-10", "opened-interval")),
        (THF, {"opened": "opened", "inhibited": True}, ("2026-09-10", "opened-interval")),
        (THF, {"opened": "opened", "inhibited": False}, ("2026-06-10", "opened-interval")),
        (THF, {"opened": "opened", "inhibited": None}, ("2026-06-10", "opened-interval")),
        # Its origin is not known, so it may be distilled: the claim is not believed.
        (THF, {"opened": "opened", "inhibited": True, "origin": "not-known"}, SOON),
        (THF, {"opened": "unknown", "inhibited": True}, ("2026-03-10", "opening-date-unknown")),
        (THF, {"opened": "unknown", "received_on": day("2024-02-29")}, LONG_AGO),
        (THF, {"opened": "unopened", "received_on": None}, ("2026-03-10", "receipt-date-unknown")),
        (THF, {"inhibited": True, "expiry_on": day("2026-05-01")}, ("2026-05-01", "expiry")),
        (THF, {"origin": "recovered", "made_on": day("2026-03-01")}, ("2026-06-01", "made-interval")),
        ("ethyl-acetate", {"opened": "unknown"}, ("never", "not-a-former")),
    ],
)  # fmt: skip
def test_a_receipt_sets_the_date(
    club: make.Club, key: str, facts: dict[str, Any], expected: tuple[str, str]
) -> None:
    assert due(make.stocked(club, key, **facts)) == expected


def test_drawing_from_a_sealed_bottle_starts_its_clock_that_day(club: make.Club) -> None:
    container = make.stocked(club, ETHER, opened="unopened", inhibited=True)
    volumes.draw(
        **at(club, 20), container=container, amount="10 mL", destination=club.end("reaction"),
        happened_at=make.NOW + timedelta(days=5),
    )  # fmt: skip
    assert due(container) == ("2026-09-15", "opened-interval")
    held = make.fresh(container)
    assert (held.opened, held.opened_on) == ("opened", day("2026-03-15"))


def test_a_draw_entered_late_moves_the_opening_back_never_on(club: make.Club) -> None:
    container = make.stocked(
        club, ETHER, inhibited=True, happened_at=make.NOW - timedelta(days=40),
        received_on=day("2026-01-29"), opened_on=make.TODAY,
    )  # fmt: skip
    for days in (-30, 10):
        volumes.draw(
            **at(club, 20), container=make.fresh(container), amount="10 mL",
            destination=club.end("reaction"), happened_at=make.NOW + timedelta(days=days),
        )  # fmt: skip
        assert due(container) == ("2026-08-08", "opened-interval")


def test_a_draw_seen_as_sealed_cannot_move_an_opening_on(club: make.Club) -> None:
    """Two draws from a sealed bottle, each of which saw it sealed: the earlier day stays."""
    seen = make.stocked(club, ETHER, opened="unopened", inhibited=True)
    same = make.fresh(seen)
    end = club.end("reaction")
    volumes.draw(**at(club, 1), container=seen, amount="1 mL", destination=end)
    volumes.draw(**at(club, 40), container=same, amount="1 mL", destination=end)
    assert due(seen) == ("2026-09-11", "opened-interval")


def test_marking_a_sealed_bottle_opened(club: make.Club) -> None:
    container = make.stocked(club, THF, opened="unopened", inhibited=True)
    opening.mark_opened(container=container, actor=club.member, now=make.NOW, opened_on=make.TODAY)
    assert due(container) == ("2026-09-10", "opened-interval")


def test_a_bottle_of_unknown_opening_is_not_opened_for_the_first_time_today(club: make.Club) -> None:
    container = make.stocked(club, THF, opened="unknown")
    later = at(club, 30)
    with pytest.raises(Conflict) as refusal:
        opening.mark_opened(
            container=container, actor=club.member, now=later["now"], opened_on=day("2026-04-09")
        )
    assert refusal.value.code == "opening-not-known"
    assert due(container) == ("2026-03-10", "opening-date-unknown")


def test_an_unconfirmed_solvent_is_handled_as_the_worst_class(club: make.Club) -> None:
    shipped = make.solvent(THF)
    shipped.pk, shipped.lab, shipped.key, shipped.state = None, club.lab, "own", Solvent.State.UNCONFIRMED
    shipped.peroxide_class = "none"
    shipped.save(force_insert=True)
    received = containers.receive(
        **at(club), solvent=shipped, amount="100 mL", lot=containers.LotFacts(origin="purchased"),
        facts=containers.ContainerFacts(capacity_ul=100_000, opened="opened", opened_on=make.TODAY),
    )  # fmt: skip
    # Of an unknown class the strictest row of any holds: class C uninhibited, 24 h (Cornell EHS App. J).
    assert due(received.container) == ("2026-03-11", "opened-interval")


# -- tests


def test_a_passed_test_starts_the_clock_anew(club: make.Club) -> None:
    container = make.stocked(club, THF, inhibited=True, received_on=day("2025-01-15"))
    assert due(container) == ("2025-07-15", "opened-interval")
    record_test(club, container, "<1", "2026-03-08")
    assert due(container) == ("2026-09-08", "after-passed-test")


@pytest.mark.parametrize(
    ("reading", "code"),
    [
        ("24", "after-passed-test"),
        (">25", "reading-at-or-above-level"),
        ("25", "reading-at-or-above-level"),
        ("trace", "reading-not-decisive"),
        ("?", "reading-not-decisive"),
    ],
)
def test_only_a_reading_below_the_level_passes(club: make.Club, reading: str, code: str) -> None:
    container = make.stocked(club, THF, inhibited=True)
    record_test(club, container, reading, "2026-03-10")
    assert due(container)[1] == code


def test_an_undated_test_may_harm_and_never_helps(club: make.Club) -> None:
    container = make.stocked(club, THF, inhibited=True, received_on=day("2025-06-01"))
    before = due(container)
    record_test(club, container, "<1", None)
    assert due(container) == before
    record_test(club, container, "50", None)
    assert due(container)[1] == "reading-at-or-above-level"
    # A good test that is dated before the bad one was written down does not answer it ...
    record_test(club, container, "<1", "2026-03-09")
    assert due(container)[1] == "reading-at-or-above-level"
    # ... one on that day or later, recorded afterwards, does.
    record_test(club, container, "<1", "2026-03-11", days=1)
    assert due(container) == ("2026-09-11", "after-passed-test")


def test_of_two_tests_on_one_day_the_worse_counts(club: make.Club) -> None:
    container = make.stocked(club, THF, inhibited=True)
    record_test(club, container, "50", "2026-03-10")
    record_test(club, container, "<1", "2026-03-10")
    assert due(container)[1] == "reading-at-or-above-level"


def test_a_withdrawn_test_no_longer_counts(club: make.Club) -> None:
    container = make.stocked(club, THF, inhibited=True)
    wrong = record_test(club, container, "50", "2026-03-10").test
    with pytest.raises(InputError, match="reason"):
        withdrawals.test_withdraw(**at(club), test=wrong, reason=" ")
    row = withdrawals.test_withdraw(
        **at(club), test=wrong, reason="read from another bottle", may_loosen=True
    )
    assert due(container) == ("2026-09-10", "opened-interval")
    for spent in (wrong, row):
        with pytest.raises(Conflict, match="withdrawn already"):
            withdrawals.test_withdraw(**at(club), test=spent, reason="said once again", may_loosen=True)


def test_withdrawing_reaches_those_who_hold_the_lot_now(club: make.Club) -> None:
    """The tested bottle has been emptied and refilled since; what was in it has gone elsewhere."""
    bottle, other = make.stocked(club, THF, "100 mL"), make.stocked(club, THF, "200 mL")
    wrong = record_test(club, bottle, "50", "2026-03-10").test
    volumes.pour(**at(club), source=make.fresh(bottle), into=make.fresh(other))
    refill = make.stocked(club, ETHER, "50 mL")
    volumes.pour(**at(club), source=refill, into=make.fresh(bottle))
    assert due(other)[1] == "reading-at-or-above-level"
    withdrawals.test_withdraw(**at(club), test=wrong, reason="another bottle", may_loosen=True)
    assert due(other) == ("2026-06-10", "opened-interval")


def test_a_test_is_refused(club: make.Club) -> None:
    container = make.stocked(club, THF)
    with pytest.raises(InputError) as future:
        record_test(club, container, "<1", "2026-03-11")
    assert (future.value.field, future.value.code) == ("tested_on", "in-the-future")
    with pytest.raises(Conflict, match="never held"):
        record_test(club, make.empty(club), "<1", "2026-03-10")
    with pytest.raises(InputError):
        record_test(club, container, "fine", "2026-03-10")
    other = make.stocked(club, THF)
    volumes.pour(**at(club), source=other, into=make.fresh(container), amount="5 mL")
    with pytest.raises(Conflict) as stale:  # `container` was read before the pour
        safety.test_record(
            **at(club), container=container, reading="<1", method="strip-25", tested_on=make.TODAY
        )
    assert stale.value.code == "contents-changed"


# -- what the liquid brings along


def test_a_blend_inherits_a_bad_reading_until_it_passes_a_test(club: make.Club) -> None:
    bad, good = make.stocked(club, THF, "100 mL"), make.stocked(club, THF, "200 mL")
    record_test(club, bad, "50", "2026-03-10")
    record_test(club, good, "<1", "2026-03-10")
    volumes.pour(**at(club, 1), source=make.fresh(bad), into=make.fresh(good), amount="10 mL")
    assert due(good)[1] == "reading-at-or-above-level"
    # A day before the blending says nothing of the blend.
    record_test(club, good, "<1", "2026-03-09", days=2)
    assert due(good)[1] == "reading-at-or-above-level"
    record_test(club, good, "<1", "2026-03-12", days=2)
    assert due(good) == ("2026-06-12", "after-passed-test")


def test_containers_that_share_a_lot_share_its_bad_reading(club: make.Club) -> None:
    source, empty = make.stocked(club, THF, "300 mL"), make.empty(club)
    third = make.empty(club)
    volumes.pour(**at(club), source=source, into=empty, amount="50 mL")
    volumes.pour(**at(club), source=make.fresh(source), into=third, amount="50 mL")
    assert due(empty) == ("2026-06-10", "opened-interval")
    record_test(club, source, "30", "2026-03-10")
    assert due(empty)[1] == due(third)[1] == "reading-at-or-above-level"
    # One bottle's good reading cures that bottle alone.
    record_test(club, empty, "<1", "2026-03-11", days=1)
    assert due(empty) == ("2026-06-11", "after-passed-test")
    assert due(third)[1] == "reading-at-or-above-level"


def test_a_passed_test_ends_when_more_of_the_lot_is_put_in(club: make.Club) -> None:
    """Same lot, another bottle: nobody has tested what stood in that one."""
    old = make.stocked(club, THF, "300 mL", received_on=day("2025-05-01"))
    new = make.empty(club)
    volumes.pour(**at(club), source=old, into=new, amount="50 mL")
    record_test(club, new, "<1", "2026-03-11", days=1)
    assert due(new) == ("2026-06-11", "after-passed-test")
    volumes.pour(**at(club, 2), source=make.fresh(old), into=make.fresh(new), amount="50 mL")
    assert due(new) == ("2025-08-01", "opened-interval")


def test_a_bad_bottle_poured_into_a_tested_one_of_its_lot(club: make.Club) -> None:
    old, new = make.stocked(club, THF, "300 mL"), make.empty(club)
    volumes.pour(**at(club), source=old, into=new, amount="50 mL")
    record_test(club, new, "<1", "2026-03-11", days=1)
    record_test(club, old, "60", "2026-03-11", days=1)
    assert due(new) == ("2026-06-11", "after-passed-test")
    volumes.pour(**at(club, 2), source=make.fresh(old), into=make.fresh(new), amount="50 mL")
    assert due(new)[1] == "reading-at-or-above-level"


def test_pouring_does_not_make_an_overdue_sealed_bottle_young(club: make.Club) -> None:
    sealed = make.stocked(club, THF, "300 mL", opened="unopened", received_on=day("2024-02-29"))
    clean, fresh = make.empty(club), make.stocked(club, THF, "100 mL")
    for into in (clean, fresh):
        volumes.pour(**at(club), source=make.fresh(sealed), into=into, amount="50 mL")
    assert due(sealed) == ("2025-02-28", "opened-when-overdue")
    assert due(clean)[0] <= "2025-02-28"
    assert due(fresh)[0] <= "2025-02-28"


def test_a_blend_believes_no_inhibitor_that_a_part_may_lack(club: make.Club) -> None:
    into = make.stocked(club, THF, "100 mL", inhibited=True)
    claims: dict[str, Any] = {"inhibited": True, "origin": "recovered", "made_on": day("2026-03-05")}
    volumes.pour(**at(club), source=make.stocked(club, THF, "50 mL", **claims), into=into)
    blend = make.fresh(into).lot
    assert blend is not None
    assert blend.inhibited is False
    assert due(into) == ("2026-06-05", "opened-interval")


def test_a_blend_with_a_part_made_on_an_unknown_day_is_due_at_once(club: make.Club) -> None:
    into = make.stocked(club, THF, "100 mL")
    unknown = make.stocked(club, THF, "50 mL", origin="recovered", made_on=None)
    assert due(unknown) == ("2026-03-10", "made-date-unknown")
    volumes.pour(**at(club, 50), source=unknown, into=into)
    assert due(into) == ("2026-03-10", "opening-date-unknown")


def test_a_lot_put_into_another_bottle_keeps_its_age(club: make.Club) -> None:
    """Put back elsewhere, it is as old as the oldest bottle of its lot, not as the day it comes back."""
    old = make.stocked(club, THF, "100 mL", received_on=day("2025-12-01"))
    lot = make.fresh(old).lot
    end = club.end("unaccounted")
    volumes.draw(**at(club), container=old, amount="60 mL", destination=end)
    other = make.empty(club)
    volumes.put_back(**at(club), container=other, amount="60 mL", source=end, lot=lot)
    assert due(other) == ("2026-03-01", "opened-interval")


# -- signs, policy


def test_the_worst_sign_stands_until_it_is_withdrawn(club: make.Club) -> None:
    container = make.stocked(club, ETHER)
    cap = safety.observe(**at(club), container=container, sign="cap-stuck", words="needs a wrench")
    crystals = safety.observe(**at(club), container=container, sign="crystals", seen_on=day("2026-03-09"))
    assert make.fresh(container).worst_sign == "crystals"
    row = withdrawals.sign_withdraw(
        **at(club), sign=crystals, reason="sugar from the biscuits", may_loosen=True
    )
    assert make.fresh(container).worst_sign == "cap-stuck"
    for spent in (crystals, row):
        with pytest.raises(Conflict, match="withdrawn already"):
            withdrawals.sign_withdraw(**at(club), sign=spent, reason="said once again", may_loosen=True)
    withdrawals.sign_withdraw(**at(club), sign=cap, reason="it has a new cap", may_loosen=True)
    assert make.fresh(container).worst_sign == ""
    with pytest.raises(InputError, match="Use crystals"):
        safety.observe(**at(club), container=container, sign="smelly")
    with pytest.raises(InputError, match="not come yet"):
        safety.observe(**at(club), container=container, sign="crystals", seen_on=day("2026-03-11"))


def test_another_policy_works_every_date_out_again(club: make.Club) -> None:
    opened = make.stocked(club, THF, inhibited=True)
    sealed = make.stocked(club, ETHER, opened="unopened", inhibited=True)
    plain = make.stocked(club, "ethyl-acetate")
    other = make.second_club()
    elsewhere = make.stocked(other, THF, inhibited=True)
    policy = Policy.objects.get(lab=None, key="cornell")  # class B: 12 months opened, 18 unopened
    policies.policy_set(
        lab=club.lab, actor=club.supervisor, now=make.NOW, policy=policy, reason="the school's own table"
    )
    assert due(opened) == ("2027-03-10", "opened-interval")
    assert due(sealed) == ("2027-09-10", "unopened-interval")
    assert due(plain) == ("never", "not-a-former")
    assert due(elsewhere) == ("2026-09-10", "opened-interval")
