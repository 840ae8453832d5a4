"""The gate before a still: who gets through, on what, and what is kept of it.

Figures are those of the policy in use, the cautious default with its sources: a heel of a fifth, a test of
today or yesterday, nothing detected.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.db import DatabaseError, transaction

from inventory.models import Container, Event, Lot, Movement, Solvent
from inventory.rules.errors import Conflict, Denied, InputError, Refusal
from inventory.services import reversal, safety, volumes, withdrawals
from inventory.services.audit import audit
from recovery.models import Clearance, Run
from recovery.services.gate import Signature
from tests import factories as make
from tests.recovery.club import Still

pytestmark = pytest.mark.django_db
ETHER, THF = "diethyl-ether", "tetrahydrofuran"
DAY = timedelta(days=1)
SIGNED = Signature("shown to the class, behind the shield", allowed=True)


@pytest.fixture
def still() -> Still:
    return Still(make.club())


def refused(act: Callable[[], Any]) -> Refusal:
    """The refusal; nothing at all was written."""
    before = Movement.objects.count(), Clearance.objects.count(), Event.objects.count()
    with pytest.raises(Refusal) as refusal, transaction.atomic():
        act()
    assert (Movement.objects.count(), Clearance.objects.count(), Event.objects.count()) == before
    assert refusal.value.code == "distilling-not-cleared"
    return refusal.value


def codes(refusal: Refusal) -> list[str]:
    return [cause.code for cause in refusal.causes]


def charge(still: Still, run: Run, bottle: Container, amount: str = "100 mL", **more: Any) -> Any:
    return still.charge(run, bottle, amount, test=False, **more)


# -- who gets through


def test_an_untested_former_is_not_charged(still: Still) -> None:
    run, bottle = still.start(), still.bottle()
    refusal = refused(lambda: charge(still, run, bottle))
    assert codes(refusal) == ["distil-test-missing"]
    (cause,) = refusal.causes
    assert bottle.code in cause.detail
    assert "Test what is in" in cause.remedy
    assert cause.source
    assert "supervisor" in refusal.remedy
    assert make.fresh(bottle).volume_ul == 500_000


def test_a_fresh_passed_test_of_that_container_lets_it_through(still: Still) -> None:
    run, bottle = still.start(), still.bottle()
    test = make.tested(still.club, bottle)
    posted = charge(still, run, bottle, "120 mL")
    (row,) = Clearance.objects.all()
    assert (row.entry, row.container_id, row.lot_id) == (posted.entry, bottle.pk, bottle.lot_id)
    assert (row.volume_ul, row.level, row.allowed, row.test_id) == (120_000, "use", True, test.pk)
    assert (row.heel_percent, row.heel_ul) == (Decimal(20), 24_000)
    assert (row.override_reason, row.actor) == ("", still.club.member)
    assert "distil-test-passed" in [reason["code"] for reason in row.reasons]
    run.refresh_from_db()
    assert (run.heel_ul, run.heel_source) == (24_000, row.heel_source)
    event = Event.objects.get(verb="distilling-cleared")
    assert (event.subject_id, event.data["clearance"]) == (run.pk, row.pk)


@pytest.mark.parametrize(
    ("reading", "code"),
    [("30", "reading-at-or-above-level"), ("2", "reading-at-or-above-level"), ("<2", "reading-not-decisive")],
)
def test_a_test_that_does_not_pass_stops_it(still: Still, reading: str, code: str) -> None:
    """Iowa State EHS: any detected, treat before distilling; Michigan State EHS: 25 ppm, do not use."""
    run, bottle = still.start(), still.bottle()
    make.tested(still.club, bottle, reading=reading)
    assert code in codes(refused(lambda: charge(still, run, bottle)))


def test_a_test_is_fresh_for_a_day(still: Still) -> None:
    """test_age_max_days = 1 of the cautious default: today's or yesterday's."""
    run, bottle = still.start(), still.bottle()
    make.tested(still.club, bottle)
    charge(still, run, bottle, now=make.NOW + DAY)
    late = refused(lambda: charge(still, run, bottle, now=make.NOW + 2 * DAY))
    assert codes(late) == ["distil-test-too-old"]


def test_another_bottle_of_the_lot_vouches_for_nothing(still: Still) -> None:
    run, bottle, other = still.start(), still.bottle(), still.flask()
    make.tested(still.club, bottle)
    volumes.pour(**still.at(), source=make.fresh(bottle), into=other, amount="200 mL")
    assert make.fresh(other).lot_id == bottle.lot_id
    assert codes(refused(lambda: charge(still, run, other))) == ["distil-test-missing"]
    charge(still, run, bottle)


def test_what_is_mixed_in_after_the_test_makes_it_worthless(still: Still) -> None:
    run, bottle, other = still.start(), still.bottle(amount="300 mL"), still.bottle(amount="300 mL")
    make.tested(still.club, bottle)
    later = make.NOW + timedelta(hours=1)
    volumes.pour(**still.at(later), source=other, into=make.fresh(bottle), amount="50 mL")
    assert codes(refused(lambda: charge(still, run, bottle, now=later))) == ["distil-test-missing"]
    make.tested(still.club, bottle, now=later)
    charge(still, run, bottle, now=later)


def test_what_came_back_is_tested_before_it_is_distilled_again(still: Still) -> None:
    run, bottle, flask = still.start(), still.bottle(), still.flask()
    still.charge(run, bottle, "200 mL")
    still.back(run, flask, "150 mL")
    again = still.start()
    assert codes(refused(lambda: charge(still, again, flask))) == ["distil-test-missing"]
    still.charge(again, flask, "100 mL")
    assert Clearance.objects.filter(run=again).get().container_id == flask.pk


def test_uninhibited_class_c_is_not_distilled(still: Still) -> None:
    """Laboratory quick guide on peroxide formers, by the policy's handling row."""
    Solvent.objects.filter(key=THF).update(peroxide_class="C")
    run, bottle = still.start(), still.bottle(THF)
    make.tested(still.club, bottle)
    refusal = refused(lambda: charge(still, run, bottle))
    assert "Do not distil" in refusal.detail
    assert any("class C" in cause.source for cause in refusal.causes)


def test_a_class_that_nobody_confirmed_is_a_former(still: Still) -> None:
    Solvent.objects.filter(key="ethyl-acetate").update(state=Solvent.State.UNCONFIRMED)
    run, bottle = still.start(), still.bottle("ethyl-acetate")
    assert "distil-test-missing" in codes(refused(lambda: charge(still, run, bottle)))


def test_what_forms_no_peroxides_needs_no_clearance(still: Still) -> None:
    run, bottle = still.start(), still.bottle("acetone", expiry_on=make.TODAY - 40 * DAY)
    charge(still, run, bottle)
    assert not Clearance.objects.exists()
    assert Run.objects.get(pk=run.pk).heel_ul == 0


def test_a_sign_stops_what_forms_no_peroxides_too(still: Still) -> None:
    run, bottle = still.start(), still.bottle("acetone")
    safety.observe(**still.at(), container=bottle, sign="crystals")
    assert codes(refused(lambda: charge(still, run, bottle))) == ["sign-crystals"]


def test_a_run_that_does_not_distil_takes_it_ungated(still: Still) -> None:
    run, bottle = still.start("rinsing", distils=False), still.bottle()
    charge(still, run, bottle)
    assert not Clearance.objects.exists()
    assert Run.objects.get(pk=run.pk).heel_ul == 0


# -- what is in the run already


def test_a_bad_test_since_stops_every_further_charge(still: Still) -> None:
    run, bottle, other = still.start(), still.bottle(), still.bottle()
    still.charge(run, bottle, "100 mL")
    make.tested(still.club, bottle, reading="30")
    make.tested(still.club, other)
    refusal = refused(lambda: charge(still, run, other))
    assert all(bottle.code in cause.detail for cause in refusal.causes)
    assert "reading-at-or-above-level" in codes(refusal)
    charge(still, still.start(), other)


def test_what_is_in_the_run_grows_old_too(still: Still) -> None:
    """Two days later the test of what was charged first is no longer one to distil on."""
    run, bottle, other = still.start(), still.bottle(), still.bottle()
    still.charge(run, bottle, "100 mL")
    later = make.NOW + 2 * DAY
    make.tested(still.club, other, now=later)
    assert codes(refused(lambda: charge(still, run, other, now=later))) == ["distil-test-too-old"]
    make.tested(still.club, bottle, now=later)
    charge(still, run, other, now=later)


def test_a_refilled_bottle_leaves_its_charge_to_the_clearance(still: Still) -> None:
    """All of the flask is charged, and what comes back goes into it: its first lot has the test of then."""
    run, flask, fresh = still.start(), still.flask(), still.bottle()
    first = still.start()
    still.charge(first, fresh, "200 mL")
    still.back(first, flask, "150 mL")
    still.charge(run, flask, "150 mL")
    still.back(run, flask, "100 mL")
    still.charge(run, fresh, "50 mL")
    old = Lot.objects.get(pk=Clearance.objects.filter(container=flask).get().lot_id)
    assert make.fresh(flask).lot_id != old.pk
    later = make.NOW + 2 * DAY
    make.tested(still.club, fresh, now=later)
    assert codes(refused(lambda: charge(still, run, fresh, now=later))) == ["test-too-old"]


def test_a_test_of_then_that_is_withdrawn_counts_no_more(still: Still) -> None:
    run, flask, fresh = still.start(), still.flask(), still.bottle()
    volumes.pour(**still.at(), source=fresh, into=flask, amount="100 mL")
    test = make.tested(still.club, flask)
    charge(still, run, flask, "100 mL")
    other = still.bottle()
    volumes.pour(**still.at(), source=other, into=make.fresh(flask), amount="50 mL")
    still.charge(run, fresh, "10 mL")
    at = {**still.at(), "actor": still.club.supervisor}
    withdrawals.test_withdraw(**at, test=test, reason="another flask", may_loosen=True)
    assert codes(refused(lambda: charge(still, run, fresh, "10 mL"))) == ["charged-without-test"]


def test_a_run_that_gave_all_back_is_judged_for_nothing(still: Still) -> None:
    run, bottle, other = still.start(), still.bottle(), still.bottle(THF)
    still.charge(run, bottle, "100 mL")
    still.back(run, still.flask(), "100 mL")
    make.tested(still.club, bottle, reading="30")
    still.charge(run, other, "50 mL")


# -- a supervisor's word


def test_a_supervisor_lets_it_through_with_a_reason(still: Still) -> None:
    run, bottle = still.start(), still.bottle()
    charge(still, run, bottle, signature=SIGNED)
    (row,) = Clearance.objects.all()
    assert (row.allowed, row.level, row.test) == (False, "test-first", None)
    assert row.override_reason == SIGNED.reason
    assert row.heel_ul == 20_000
    event = Event.objects.get(verb="distilling-overridden")
    assert event.data["reason"] == SIGNED.reason
    assert event.data["codes"] == ["distil-test-missing"]


def test_an_override_is_for_one_charge(still: Still) -> None:
    """The next one from that bottle is refused; one from a good bottle is not, as what is in was signed."""
    run, bottle, good = still.start(), still.bottle(), still.bottle()
    charge(still, run, bottle, signature=SIGNED)
    assert codes(refused(lambda: charge(still, run, bottle))) == ["distil-test-missing"]
    make.tested(still.club, good)
    charge(still, run, good)
    assert list(Clearance.objects.order_by("id").values_list("allowed", flat=True)) == [False, True]


def test_an_override_lasts_no_longer_than_its_day_and_its_reasons(still: Still) -> None:
    run, bottle, good = still.start(), still.bottle(), still.bottle()
    charge(still, run, bottle, signature=SIGNED)
    tomorrow = make.NOW + DAY
    make.tested(still.club, good, now=tomorrow)
    assert codes(refused(lambda: charge(still, run, good, now=tomorrow))) == ["distil-test-missing"]
    make.tested(still.club, bottle, reading="30")
    make.tested(still.club, good)
    assert "reading-at-or-above-level" in codes(refused(lambda: charge(still, run, good)))


def test_an_override_that_was_not_needed_leaves_none(still: Still) -> None:
    run, bottle = still.start(), still.bottle()
    make.tested(still.club, bottle)
    charge(still, run, bottle, signature=SIGNED)
    assert Clearance.objects.get().override_reason == ""


def test_nobody_overrides_what_may_not_be_touched(still: Still) -> None:
    run, bottle = still.start(), still.bottle()
    safety.observe(**still.at(), container=bottle, sign="crystals")
    refusal = refused(lambda: charge(still, run, bottle, signature=SIGNED))
    assert "sign-crystals" in codes(refusal)
    assert "Nobody may" in refusal.remedy
    assert "Ring 112." in refusal.remedy
    # Nobody is told to test what nobody may touch, though a test is missing too.
    assert "distil-test-missing" in codes(refusal)
    assert all("Leave" in cause.remedy and "Test" not in cause.remedy for cause in refusal.causes)


def test_an_override_needs_the_right_and_a_reason(still: Still) -> None:
    run, bottle = still.start(), still.bottle()
    with pytest.raises(Denied):
        charge(still, run, bottle, signature=Signature("please", allowed=False))
    with pytest.raises(InputError) as refusal:
        charge(still, run, bottle, signature=Signature("  ", allowed=True))
    assert (refusal.value.field, refusal.value.code) == ("override.reason", "missing")
    assert not Movement.objects.filter(kind="charge").exists()


# -- the past


def test_a_late_entry_passes_the_gate_of_today(still: Still) -> None:
    bottle = still.bottle(happened_at=make.NOW - 10 * DAY, received_on=None, opened_on=make.TODAY - 10 * DAY)
    run = still.start(started_at=make.NOW - 5 * DAY)
    when = make.NOW - 4 * DAY
    make.tested(still.club, bottle, tested_on=when.date())
    refusal = refused(lambda: charge(still, run, bottle, happened_at=when))
    assert codes(refusal) == ["distil-test-too-old"]
    assert "a supervisor can record it with a reason" in refusal.remedy
    charge(still, run, bottle, happened_at=when, signature=SIGNED)
    assert Movement.objects.get(kind="charge").happened_at == when


def test_clearances_are_append_only(still: Still) -> None:
    run, bottle = still.start(), still.bottle()
    still.charge(run, bottle, "100 mL")
    for change in (
        lambda: Clearance.objects.update(override_reason="later"),
        lambda: Clearance.objects.all().delete(),
    ):
        with pytest.raises(DatabaseError), transaction.atomic():
            change()
    assert Clearance.objects.get().override_reason == ""
    assert audit(full=True).clean


def test_a_reversed_charge_takes_its_heel_along(still: Still) -> None:
    run, bottle = still.start(), still.bottle()
    wrong = still.charge(run, bottle, "100 mL")
    still.charge(run, bottle, "50 mL")
    assert Run.objects.get(pk=run.pk).heel_ul == 30_000
    reversal.reverse(**still.at(), entry=wrong.entry, reason="wrong bottle")
    assert Run.objects.get(pk=run.pk).heel_ul == 10_000
    assert Clearance.objects.count() == 2


def test_a_run_that_is_closed_says_so_first(still: Still) -> None:
    run, bottle = still.start(), still.bottle()
    still.close(run)
    with pytest.raises(Conflict) as refusal:
        charge(still, run, bottle)
    assert refusal.value.code == "run-closed"
