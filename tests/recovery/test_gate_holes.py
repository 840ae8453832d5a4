"""Ways around the gate before a still that were tried, and are closed."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from inventory.models import Container, Event
from inventory.rules.errors import Refusal
from inventory.services import quarantine, reagents, reversal, safety, verdicts, volumes
from inventory.services.audit import audit
from recovery.models import Run
from recovery.services import clearances
from recovery.services.gate import Signature
from recovery.services.runs import Loss
from tests import factories as make
from tests.recovery.club import Still

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)


@pytest.fixture
def still() -> Still:
    return Still(make.club())


def by(still: Still, who: str = "member", now: Any = make.NOW) -> dict[str, Any]:
    return {"lab": still.lab, "actor": still.club.people[who], "now": now}


def level(bottle: Container, day: Any = make.TODAY) -> str:
    return verdicts.verdicts_of(make.fresh(bottle), day)["draw"].level


def refill(still: Still, bottle: Container, other: Container) -> None:
    end = still.club.end("reaction")
    volumes.draw(**by(still), container=make.fresh(bottle), amount=None, destination=end)
    volumes.pour(**by(still), source=make.fresh(other), into=make.fresh(bottle), amount="100 mL")


@pytest.mark.parametrize("found", ["80", ">100", "crystals"])
def test_a_run_that_does_not_distil_washes_nothing_out(still: Still, found: str) -> None:
    bottle, flask = still.bottle(inhibited=True), still.flask()
    if found == "crystals":
        safety.observe(**by(still), container=bottle, sign=found)
    else:
        make.tested(still.club, bottle, reading=found, method="strip-100")
    before = level(bottle)
    run = still.start(distils=False)
    still.charge(run, bottle, "400 mL")
    still.back(run, flask, "400 mL")
    assert level(flask) == before != "use"
    lot = make.fresh(flask).lot
    assert lot is not None
    assert (lot.origin, lot.times_distilled) == ("blend", 0)
    assert not audit(lab=still.lab, full=True).findings


def test_a_sign_on_what_is_in_the_still_counts_after_the_bottle_was_refilled(still: Still) -> None:
    bottle, other, third = still.bottle(), still.bottle(), still.bottle()
    run = still.start()
    still.charge(run, bottle, "100 mL")
    safety.observe(**by(still), container=make.fresh(bottle), sign="crystals")
    refill(still, bottle, other)
    with pytest.raises(Refusal):
        still.charge(run, third, "100 mL")


def test_strips_found_expired_count_after_the_bottle_was_refilled(still: Still) -> None:
    bottle, other, third = still.bottle(), still.bottle(), still.bottle()
    strips = reagents.reagent_add(
        **by(still, "steward"), method="strip-25", name="strips", expiry_on=make.TODAY + 30 * DAY
    )
    run = still.start()
    make.tested(still.club, bottle, reagent=strips)
    still.charge(run, bottle, "100 mL", test=False)
    changes = {"expiry_on": make.TODAY - 30 * DAY}
    reagents.reagent_edit(**by(still, "steward"), reagent=strips, changes=changes)
    refill(still, bottle, other)
    with pytest.raises(Refusal):
        still.charge(run, third, "100 mL")


def test_good_solvent_put_into_the_bottle_since_does_not_vouch_for_the_charge(still: Still) -> None:
    bottle, flask = still.bottle(), still.flask()
    volumes.pour(**by(still), source=make.fresh(bottle), into=flask, amount="200 mL")
    make.tested(still.club, bottle, reading="80", method="strip-100")
    run = still.start(distils=False)
    still.charge(run, bottle, "290 mL")
    later = make.NOW + DAY
    volumes.pour(**by(still, now=later), source=make.fresh(flask), into=make.fresh(bottle), amount="190 mL")
    make.tested(still.club, bottle, now=later + timedelta(minutes=5))
    with pytest.raises(Refusal):
        clearances.start_distilling(**by(still, now=later + timedelta(minutes=10)), run=run)


def test_an_unreadable_label_is_no_matter_of_quality(still: Still) -> None:
    bottle = still.bottle("acetone")
    safety.observe(**by(still), container=bottle, sign="label-unreadable")
    with pytest.raises(Refusal):
        still.charge(still.start(), bottle, "100 mL", test=False)


def test_a_drop_put_in_does_not_end_the_forecast(still: Still) -> None:
    start = make.NOW - 100 * DAY
    facts: dict[str, Any] = {"now": start, "happened_at": start, "received_on": start.date()}
    left_alone, topped = (make.stocked(still.club, "diethyl-ether", **facts) for _ in range(2))
    for number, reading in enumerate(("1", "2", "4", "8", "13"), start=1):
        for bottle in (left_alone, topped):
            make.tested(still.club, bottle, now=start + (20 * number - 1) * DAY, reading=reading)
    end = still.club.end("reaction")
    volumes.draw(**by(still), container=make.fresh(topped), amount="5 mL", destination=end)
    minute = make.NOW + timedelta(minutes=1)
    volumes.put_back(**by(still, now=minute), container=make.fresh(topped), amount="1 mL", source=end)
    for bottle in (left_alone, topped):
        make.tested(still.club, bottle, now=make.NOW + timedelta(minutes=5), reading="17")
    dues = [make.fresh(bottle).next_test_due for bottle in (topped, left_alone)]
    assert dues[0] is not None and dues[1] is not None and dues[0] <= dues[1]


def test_a_test_of_what_stayed_in_the_bottle_does_not_vouch_for_what_left_it_long_ago(still: Still) -> None:
    old = make.NOW - 30 * DAY
    facts: dict[str, Any] = {"happened_at": old, "received_on": old.date(), "inhibited": False}
    bottle = make.fresh(make.stocked(still.club, "diethyl-ether", now=old, **facts))
    run = still.start(distils=False, now=old)
    still.charge(run, bottle, "300 mL", now=old + DAY)
    make.tested(still.club, bottle)
    with pytest.raises(Refusal):
        clearances.start_distilling(**by(still), run=run)


def test_what_nobody_may_let_through_stays_so_after_more_was_put_into_the_bottle(still: Still) -> None:
    bottle, flask = still.bottle(), still.flask()
    volumes.pour(**by(still), source=make.fresh(bottle), into=flask, amount="200 mL")
    run = still.start(distils=False)
    still.charge(run, bottle, "100 mL")
    volumes.pour(**by(still), source=make.fresh(flask), into=make.fresh(bottle), amount="50 mL")
    make.tested(still.club, bottle, reading=">100", method="strip-100")
    signed = Signature("we need it", allowed=True)
    assert level(bottle) == "do-not-touch"
    with pytest.raises(Refusal):
        clearances.start_distilling(**by(still, "supervisor"), run=run, signature=signed)


def test_solvent_out_of_a_bottle_set_aside_stays_set_aside(still: Still) -> None:
    good, bad = still.bottle(), still.bottle()
    runs = [still.start(distils=False) for _ in range(2)]
    still.charge(runs[0], good, "100 mL")
    for bottle in (good, bad):
        still.charge(runs[1], bottle, "100 mL")
    quarantine.set_aside(**by(still), container=bad, reason="labels may be swapped")
    flasks = [still.flask(), still.flask()]
    for run, flask in zip(runs, flasks, strict=True):
        still.back(run, flask, "90 mL")
    assert [make.fresh(flask).quarantine_reason for flask in flasks] == ["", "labels may be swapped"]
    assert level(flasks[1]) == level(bad) != "use"
    told = Event.objects.get(verb="quarantined", subject_kind="container", subject_id=flasks[1].pk)
    assert told.data["from"] == bad.code


def test_what_boils_off_in_a_run_that_does_not_distil_is_shown(still: Still) -> None:
    """Also in a run that is closed by then; a reversed loss was none."""
    run = still.start(distils=False)
    still.charge(run, still.bottle(), "300 mL")
    assert still.close(run, Loss("air", "300 mL")).findings == ["distilled-without-clearance"]
    loss = run.place.outgoing.get(destination__kind="air")
    reversal.reverse(**by(still), entry=loss.entry, reason="it went down the drain")
    assert Run.objects.get(pk=run.pk).findings == []


@pytest.mark.parametrize(
    ("key", "to"), [("acetone", "air"), ("acetone", "product"), ("diethyl-ether", "water-layer")]
)
def test_what_forms_no_peroxides_or_stays_liquid_is_no_finding(still: Still, key: str, to: str) -> None:
    run = still.start(distils=False)
    still.charge(run, still.bottle(key), "300 mL")
    assert still.close(run, Loss(to, "300 mL")).findings == []


# -- what a bottle holds by now says nothing of what left it


@pytest.mark.parametrize("reading", ["2", "30", ">100"])
def test_a_grave_test_stays_grave_once_the_bottle_holds_another_lot(still: Still, reading: str) -> None:
    """Michigan State EHS: from 25 ppm not used, above 100 left alone; Iowa State EHS: any, not distilled."""
    bottle, other, third = still.bottle(), still.bottle(), still.bottle()
    run = still.start()
    still.charge(run, bottle, "100 mL")
    make.tested(still.club, bottle, reading=reading, method="strip-100")
    refill(still, bottle, other)
    make.tested(still.club, third)
    signed = Signature("shown behind the shield", allowed=True)
    with pytest.raises(Refusal) as refusal:
        still.charge(run, third, "100 mL", test=False)
    assert "bad-test-since" in [cause.code for cause in refusal.value.causes]
    if reading == ">100":
        assert "Nobody may let this through" in refusal.value.remedy
        with pytest.raises(Refusal):
            still.charge(run, third, "100 mL", test=False, signature=signed)
    else:
        still.charge(run, third, "100 mL", test=False, signature=signed)


def test_a_second_charge_out_of_a_bottle_does_not_hide_what_the_first_was(still: Still) -> None:
    """The first left it before better solvent was poured in and tested: that test is not of the first."""
    bottle, flask = still.bottle(), still.flask()
    volumes.pour(**by(still), source=make.fresh(bottle), into=flask, amount="200 mL")
    run = still.start()
    still.charge(run, bottle, "100 mL")
    later = make.NOW + 3 * DAY
    volumes.pour(**by(still, now=later), source=make.fresh(flask), into=make.fresh(bottle), amount="150 mL")
    make.tested(still.club, bottle, now=later + timedelta(minutes=5))
    with pytest.raises(Refusal) as refusal:
        still.charge(run, bottle, "50 mL", test=False, now=later + timedelta(minutes=10))
    assert {cause.code for cause in refusal.value.causes} == {"test-too-old"}


def test_each_charge_rests_on_its_own_test(still: Still) -> None:
    bottle, other, third = still.bottle(), still.bottle(), still.bottle()
    run = still.start()
    still.charge(run, bottle, "100 mL")
    later = make.NOW + 3 * DAY
    still.charge(run, bottle, "100 mL", now=later)
    end = still.club.end("reaction")
    at = by(still, now=later)
    volumes.draw(**at, container=make.fresh(bottle), amount=None, destination=end)
    volumes.pour(**at, source=make.fresh(other), into=make.fresh(bottle), amount="100 mL")
    make.tested(still.club, third, now=later)
    with pytest.raises(Refusal) as refusal:
        still.charge(run, third, "100 mL", test=False, now=later)
    assert "test-too-old" in [cause.code for cause in refusal.value.causes]


@pytest.mark.parametrize("to", ["product", None])
def test_a_former_that_nobody_can_account_for_is_a_finding(still: Still, to: str | None) -> None:
    """It may have boiled off, which leaves the rest concentrated. A reversed loss was none."""
    run = still.start(distils=False)
    still.charge(run, still.bottle(), "300 mL")
    closed = still.close(run, *([Loss(to, "300 mL")] if to else []))
    assert closed.findings == ["former-not-accounted-for"]
    loss = run.place.outgoing.get(kind="loss")
    reversal.reverse(**by(still), entry=loss.entry, reason="it went down the drain")
    assert Run.objects.get(pk=run.pk).findings == []
