"""What was distilled although the gate forbade it stays marked until a test of it has passed.

Our rule, from the project's safety rule that a missing fact takes the worse case: nothing is known of what
came over from a still that should not have been lit.
"""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from inventory.models import Container, Event
from inventory.rules.errors import InputError
from inventory.services import quarantine, reversal, verdicts, volumes
from recovery.models import Run
from recovery.services import clearances
from recovery.services.gate import Signature
from tests import factories as make
from tests.recovery.club import Still

pytestmark = pytest.mark.django_db
WHY = "shown to the class, behind the shield"
SIGNED = Signature(WHY, allowed=True)
UNDER = "distilled-under-override"
HOUR, DAY = timedelta(hours=1), timedelta(days=1)


@pytest.fixture
def still() -> Still:
    return Still(make.club())


def said(bottle: Container, use: Any = "draw", day: Any = make.TODAY) -> Any:
    return verdicts.verdicts_of(make.fresh(bottle), day)[use]


def codes(bottle: Container, use: Any = "draw") -> dict[str, str]:
    return {reason.code: reason.level for reason in said(bottle, use).reasons}


def overridden(still: Still, **charged: Any) -> tuple[Run, Container]:
    """A run that took an untested bottle under a supervisor's hand, and a flask for what comes back."""
    run = still.start()
    still.charge(run, still.bottle(**charged), "300 mL", test=False, signature=SIGNED)
    return run, still.flask()


def test_it_is_due_at_once_and_says_when_and_why(still: Still) -> None:
    run, flask = overridden(still)
    still.back(run, flask, "200 mL")
    held = make.fresh(flask)
    assert held.lot is not None
    assert (held.lot.overridden_on, held.lot.override_reason) == (make.TODAY, WHY)
    assert (held.next_test_due, held.due_code) == (make.TODAY, UNDER)
    assert held.drawable_until is None
    for use in ("draw", "distil"):
        assert said(flask, use).level == "test-first"
        (reason,) = [each for each in said(flask, use).reasons if each.code == UNDER]
        assert WHY in reason.words
        assert "2026-03-10" in reason.words
    assert said(flask, "keep").allowed
    assert Event.objects.get(verb="returned-under-override").subject_id == flask.pk


def test_a_passed_test_answers_it_and_the_reason_stays_to_be_read(still: Still) -> None:
    run, flask = overridden(still)
    still.back(run, flask, "200 mL")
    make.tested(still.club, flask, now=make.NOW + HOUR)
    assert said(flask).level == "use"
    assert codes(flask)[UNDER] == "use"
    assert make.fresh(flask).due_code == "after-passed-test"


def test_a_cleared_run_leaves_no_mark(still: Still) -> None:
    run, flask = still.start(), still.flask()
    still.charge(run, still.bottle(), "300 mL")
    still.back(run, flask, "200 mL")
    assert UNDER not in codes(flask)
    assert make.fresh(flask).due_code == "made-interval"


def test_one_override_marks_what_comes_back_of_every_solvent(still: Still) -> None:
    """They were in one still: ether that nobody tested may have come over with the ethyl acetate."""
    run, flask = overridden(still)
    still.charge(run, still.bottle("ethyl-acetate"), "300 mL")
    still.back(run, flask, "200 mL", solvent=make.solvent("ethyl-acetate"))
    held = make.fresh(flask)
    assert (held.due_code, said(flask).level) == (UNDER, "test-first")
    make.tested(still.club, flask, now=make.NOW + HOUR)
    assert said(flask).level == "use"
    assert make.fresh(flask).due_code == "not-a-former"


def test_the_mark_goes_along_with_pours_blends_and_rinses(still: Still) -> None:
    run, flask = overridden(still)
    still.back(run, flask, "200 mL")
    other, third, fourth = still.flask(), still.bottle(amount="100 mL"), still.flask()
    for into in (other, third):
        volumes.pour(
            **still.at(make.NOW + HOUR), source=make.fresh(flask), into=make.fresh(into), amount="50 mL"
        )
        assert said(into).level == "test-first"
        assert UNDER in codes(into)
    rinse = still.start(distils=False, now=make.NOW + HOUR)
    still.charge(rinse, third, "20 mL", now=make.NOW + HOUR)
    still.back(rinse, fourth, "10 mL", now=make.NOW + HOUR)
    assert UNDER in codes(fourth)


def test_a_charge_under_override_that_is_taken_back_marks_nothing_more(still: Still) -> None:
    run, flask = still.start(), still.flask()
    posted = still.charge(run, still.bottle(), "300 mL", test=False, signature=SIGNED)
    reversal.reverse(**still.at(), entry=posted.entry, reason="charged by mistake")
    still.charge(run, still.bottle(), "300 mL")
    still.back(run, flask, "200 mL")
    assert UNDER not in codes(flask)


def test_a_charge_that_is_told_late_marks_what_had_come_back_by_then(still: Still) -> None:
    run, flask, bottle = still.start(), still.flask(), still.bottle()
    still.charge(run, still.bottle(), "300 mL", now=make.NOW + HOUR)
    still.back(run, flask, "200 mL", now=make.NOW + 3 * HOUR)
    assert UNDER not in codes(flask)
    late = {"happened_at": make.NOW + 2 * HOUR, "now": make.NOW + 4 * HOUR}
    still.charge(run, bottle, "100 mL", test=False, signature=SIGNED, **late)
    assert codes(flask)[UNDER] == "test-first"
    assert make.fresh(flask).due_code == UNDER


def test_a_run_switched_to_distilling_under_override_marks_what_comes_back(still: Still) -> None:
    run, flask = still.start(distils=False), still.flask()
    still.charge(run, still.bottle(), "300 mL")
    clearances.start_distilling(**still.at(), run=run, signature=SIGNED)
    still.back(run, flask, "200 mL")
    assert UNDER in codes(flask)


@pytest.mark.parametrize("reason", ["x", "because", "1234567890"])
def test_a_reason_of_one_letter_is_none(still: Still, reason: str) -> None:
    with pytest.raises(InputError) as error:
        still.charge(
            still.start(), still.bottle(), "300 mL", test=False, signature=Signature(reason, allowed=True)
        )
    assert (error.value.field, error.value.code) == ("override.reason", "reason-too-short")


def test_solvent_that_was_in_a_run_with_one_set_aside_is_set_aside_too(still: Still) -> None:
    """Nobody can tell two solvents of one run apart: both come back as the worse of them."""
    run, flask, bad = still.start(distils=False), still.flask(), still.bottle()
    still.charge(run, bad, "100 mL")
    still.charge(run, still.bottle("ethyl-acetate"), "300 mL")
    quarantine.set_aside(**still.at(), container=make.fresh(bad), reason="smells odd")
    still.back(run, flask, "200 mL", solvent=make.solvent("ethyl-acetate"))
    assert make.fresh(flask).quarantined_at is not None
