"""The heel, to dryness, and runs that were not to distil: the past is booked, the future is not allowed."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.db import transaction
from hypothesis import given
from hypothesis import strategies as st

from inventory.models import Event, Movement
from inventory.rules.errors import Conflict
from inventory.services import reversal
from recovery.models import Clearance, Run
from recovery.rules.clearing import heel_ul
from recovery.services.clearances import start_distilling
from recovery.services.gate import Signature
from recovery.services.runs import Loss
from tests import factories as make
from tests.recovery.club import Still

ETHER, THF = "diethyl-ether", "tetrahydrofuran"
DAY = timedelta(days=1)
SIGNED = Signature("only the last drops", allowed=True)


@pytest.fixture
def still(db: None) -> Still:
    return Still(make.club())


def findings(run: Run) -> list[str]:
    return list(Run.objects.get(pk=run.pk).findings)


def refused(act: Callable[[], Any]) -> str:
    before = Movement.objects.count()
    with pytest.raises(Conflict) as refusal, transaction.atomic():
        act()
    assert Movement.objects.count() == before
    return refusal.value.code


@given(
    st.integers(min_value=1, max_value=10**12),
    st.decimals(min_value="0.01", max_value=1, places=4, allow_nan=False),
)
def test_the_heel_is_rounded_up_and_never_more_than_a_microlitre(volume_ul: int, fraction: Decimal) -> None:
    kept = heel_ul(volume_ul, fraction)
    assert 0 <= kept - volume_ul * fraction < 1


def test_a_tenth_of_what_no_tenth_divides() -> None:
    """100.003 mL by hand: 10.0003 mL, so 10 001 µl."""
    assert heel_ul(100_003, Decimal("0.1")) == 10_001


# -- the heel


def test_what_stays_behind_keeps_the_heel(still: Still) -> None:
    """A fifth of 200 mL is 40 mL: 160 mL may come back, and not a microlitre more."""
    run = still.start()
    still.charge(run, still.bottle(), "200 mL")
    still.back(run, still.flask(), "160 mL")
    assert findings(run) == []
    taken = still.back(run, still.flask(), "0.001 mL")
    assert findings(run) == ["heel-not-kept"]
    reversal.reverse(**still.at(), entry=taken.entry, reason="another flask")
    assert findings(run) == []


def test_each_charge_adds_its_heel(still: Still) -> None:
    run, bottle = still.start(), still.bottle()
    still.charge(run, bottle, "100 mL")
    still.charge(run, still.bottle(THF), "50 mL")
    still.charge(run, still.bottle("acetone"), "80 mL")
    assert Run.objects.get(pk=run.pk).heel_ul == 30_000


def test_a_close_that_names_where_the_heel_went_shows_it(still: Still) -> None:
    """150 of 200 mL came back and 20 mL went into the water: 30 mL at most were left, not 40."""
    run = still.start()
    still.charge(run, still.bottle(), "200 mL")
    still.back(run, still.flask(), "150 mL")
    assert findings(run) == []
    closed = still.close(run, Loss("water-layer", "20 mL"))
    assert closed.findings == ["heel-not-kept"]
    lost = Movement.objects.filter(source=run.place, kind="loss").earliest("pk")
    reversal.reverse(**still.at(), entry=lost.entry, reason="it was the other layer")
    assert findings(run) == []
    assert still.close(run, Loss("still-residue", "45 mL")).findings == []


def test_what_nobody_can_name_may_have_been_the_heel(still: Still) -> None:
    run = still.start()
    still.charge(run, still.bottle(), "200 mL")
    still.back(run, still.flask(), "160 mL")
    assert still.close(run).findings == []


# -- to dryness


def test_a_former_is_never_taken_to_dryness(still: Still) -> None:
    run = still.start()
    still.charge(run, still.bottle(), "100 mL")
    flask = still.flask()
    assert refused(lambda: still.back(run, flask, "70 mL", to_dryness=True)) == "never-to-dryness"
    assert refused(lambda: still.close(run, to_dryness=True)) == "never-to-dryness"
    assert Run.objects.get(pk=run.pk).closed_at is None
    still.back(run, flask, "100 mL")
    assert findings(run) == ["heel-not-kept"]
    assert still.close(run).closed_at is not None


def test_a_run_meant_to_go_to_dryness_takes_no_former(still: Still) -> None:
    run, acetone = still.start(to_dryness=True), still.bottle("acetone")
    bottle = make.cleared(still.club, still.bottle())
    assert refused(lambda: still.charge(run, bottle, "10 mL", signature=SIGNED)) == "never-to-dryness"
    still.charge(run, acetone, "100 mL")
    still.back(run, still.flask(), "100 mL", to_dryness=True)
    assert still.close(run, to_dryness=True).findings == []


def test_the_intent_may_come_with_the_return(still: Still) -> None:
    run = still.start()
    still.charge(run, still.bottle("acetone"), "100 mL")
    still.back(run, still.flask(), "60 mL", to_dryness=True)
    assert Run.objects.get(pk=run.pk).to_dryness
    ether = still.bottle()
    assert refused(lambda: still.charge(run, ether, "10 mL")) == "never-to-dryness"


def test_nor_does_a_rinse_meant_to_go_to_dryness(still: Still) -> None:
    run, bottle = still.start(distils=False, to_dryness=True), still.bottle()
    assert refused(lambda: still.charge(run, bottle, "10 mL")) == "never-to-dryness"


# -- runs that were not to distil


def test_distilled_solvent_from_a_rinse_is_booked_and_shown(still: Still) -> None:
    run = still.start("rinsing", distils=False)
    still.charge(run, still.bottle(), "100 mL")
    taken = still.back(run, still.flask(), "60 mL")
    assert findings(run) == ["distilled-without-clearance"]
    reversal.reverse(**still.at(), entry=taken.entry, reason="it was another run")
    assert findings(run) == []


def test_what_forms_no_peroxides_comes_back_from_a_rinse_without_a_word(still: Still) -> None:
    run = still.start("rinsing", distils=False)
    still.charge(run, still.bottle("acetone"), "100 mL")
    still.back(run, still.flask(), "60 mL")
    assert findings(run) == []


def test_a_rinse_distils_once_all_it_holds_has_passed(still: Still) -> None:
    run, one, two = still.start("rinsing", distils=False), still.bottle(), still.bottle(THF)
    first, second = (still.charge(run, bottle, "100 mL") for bottle in (one, two))
    make.tested(still.club, one)
    assert refused(lambda: start_distilling(**still.at(), run=run)) == "distilling-not-cleared"
    assert not Run.objects.get(pk=run.pk).distils
    test = make.tested(still.club, two)
    held = start_distilling(**still.at(), run=run)
    assert (held.distils, held.heel_ul) == (True, 40_000)
    rows = Clearance.objects.order_by("id")
    assert [row.entry for row in rows] == [first.entry, second.entry]
    assert rows[1].test_id == test.pk
    assert Event.objects.filter(verb="distilling-declared", subject_id=run.pk).count() == 1
    still.back(run, still.flask(), "80 mL", solvent=make.solvent(ETHER))
    assert findings(run) == []
    assert refused(lambda: start_distilling(**still.at(), run=run)) == "distils-already"


def test_a_rinse_whose_bottle_was_refilled_is_not_distilled(still: Still) -> None:
    run, bottle = still.start("rinsing", distils=False), still.bottle(amount="100 mL")
    still.charge(run, bottle, "100 mL")
    other = still.start()
    still.charge(other, still.bottle(), "100 mL")
    still.back(other, bottle, "60 mL")
    make.tested(still.club, bottle)
    assert refused(lambda: start_distilling(**still.at(), run=run)) == "distilling-not-cleared"
    held = start_distilling(**still.at(), run=run, signature=SIGNED)
    row = Clearance.objects.get(run=run)
    assert (held.distils, row.allowed, row.override_reason) == (True, False, SIGNED.reason)
    assert [reason["code"] for reason in row.reasons] == ["charged-without-test"]


def test_a_closed_or_empty_rinse(still: Still) -> None:
    empty = still.start("rinsing", distils=False)
    assert start_distilling(**still.at(), run=empty).distils
    closed = still.start("rinsing", distils=False)
    still.close(closed)
    assert refused(lambda: start_distilling(**still.at(), run=closed)) == "run-closed"


def test_a_finding_of_a_rinse_stays_when_it_distils_later(still: Still) -> None:
    run, bottle = still.start("rinsing", distils=False), still.bottle()
    still.charge(run, bottle, "200 mL")
    still.back(run, still.flask(), "60 mL")
    make.tested(still.club, bottle)
    start_distilling(**still.at(), run=run)
    still.back(run, still.flask(), "60 mL")
    assert findings(run) == ["distilled-without-clearance"]
