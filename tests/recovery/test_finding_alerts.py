"""What was found in a run opens an alert, once, until somebody answers for it or it is undone."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from inventory.models import Alert, Movement
from inventory.services import reversal
from inventory.services.answering import alert_acknowledge
from inventory.services.audit import audit
from inventory.services.sweep import sweep
from recovery.models import Run
from recovery.services.runs import Loss
from tests import factories as make
from tests.recovery.club import Still

LATER = timedelta(minutes=5)


@pytest.fixture
def still(db: None) -> Still:
    return Still(make.club())


def swept(still: Still, minutes: int = 0) -> list[tuple[str, int]]:
    """The open alerts of runs after a sweep: rule and run."""
    sweep(now=still.now + timedelta(minutes=minutes))
    standing = Alert.objects.filter(subject_kind="run", closed_at=None).order_by("pk")
    return list(standing.values_list("rule", "subject_id"))


def answer(still: Still, rule: str, *, supervisor: bool) -> Alert:
    actor = still.club.supervisor if supervisor else still.club.member
    alert = Alert.objects.get(rule=rule, closed_at=None)
    by: dict[str, Any] = {"lab": still.lab, "actor": actor, "now": still.now}
    return alert_acknowledge(**by, alert=alert, note="seen to", may_loosen=supervisor)


def cure(rule: str) -> list[str]:
    return list(Alert.objects.filter(rule=rule).order_by("pk").values_list("cured_by", flat=True))


def test_a_heel_that_was_not_kept_waits_for_a_supervisor(still: Still) -> None:
    run = still.start()
    still.charge(run, still.bottle(), "200 mL")
    assert swept(still) == []
    still.back(run, still.flask(), "170 mL")
    assert swept(still) == swept(still) == [("heel-not-kept", run.pk)]
    assert answer(still, "heel-not-kept", supervisor=False).escalated_at is not None
    assert swept(still, 5) == [("heel-not-kept", run.pk)]
    answer(still, "heel-not-kept", supervisor=True)
    assert swept(still, 10) == []
    assert cure("heel-not-kept") == ["answered for"]
    # It is found still, and a later sweep opens nothing for what was answered for.
    assert Run.objects.get(pk=run.pk).findings == ["heel-not-kept"]
    assert swept(still, 15) == []
    assert audit(lab=still.lab).clean


def test_a_reversal_closes_it_and_the_next_time_is_a_new_alert(still: Still) -> None:
    run = still.start()
    still.charge(run, still.bottle(), "200 mL")
    taken = still.back(run, still.flask(), "170 mL")
    swept(still)
    reversal.reverse(**still.at(), entry=taken.entry, reason="another run")
    assert swept(still, 5) == []
    assert cure("heel-not-kept") == ["undone"]
    again = still.back(run, still.flask(), "180 mL")
    assert swept(still, 10) == [("heel-not-kept", run.pk)]
    answer(still, "heel-not-kept", supervisor=True)
    swept(still, 15)
    # What was answered for and undone is found anew when it happens once more.
    reversal.reverse(**still.at(), entry=again.entry, reason="the wrong flask")
    still.back(run, still.flask(), "190 mL")
    assert swept(still, 20) == [("heel-not-kept", run.pk)]
    assert cure("heel-not-kept") == ["undone", "answered for", ""]


def test_two_findings_are_two_alerts(still: Still) -> None:
    run = still.start()
    still.charge(run, still.bottle(), "100 mL")
    still.back(run, still.flask(), "110 mL")
    assert sorted(swept(still)) == [("heel-not-kept", run.pk), ("more-back-than-out", run.pk)]
    answer(still, "more-back-than-out", supervisor=False)
    assert swept(still, 5) == [("heel-not-kept", run.pk)]
    assert cure("more-back-than-out") == ["answered for"]


def test_a_former_that_boils_off_in_a_rinse_is_told(still: Still) -> None:
    run = still.start("rinsing", distils=False)
    still.charge(run, still.bottle(), "100 mL")
    still.close(run, Loss("air", "30 mL"))
    # Part of it went into the air, and of the rest nobody says where it is.
    assert swept(still) == [("distilled-without-clearance", run.pk), ("former-not-accounted-for", run.pk)]
    lost = Movement.objects.filter(source=run.place, kind="loss").earliest("pk")
    reversal.reverse(**still.at(), entry=lost.entry, reason="it went into the waste")
    assert swept(still, 5) == []
    assert cure("distilled-without-clearance") == ["undone"]


def test_closing_the_run_does_not_close_what_was_found_in_it(still: Still) -> None:
    run = still.start()
    still.charge(run, still.bottle(), "200 mL")
    still.back(run, still.flask(), "170 mL")
    swept(still)
    still.close(run)
    assert swept(still, 5) == [("heel-not-kept", run.pk)]


def test_a_finding_that_is_not_a_runs_own_is_an_audit_difference(still: Still) -> None:
    run = still.start()
    Run.objects.filter(pk=run.pk).update(unseen_findings="heel-not-kept")
    assert [found.check for found in audit(lab=still.lab).findings] == ["run-unseen"]
