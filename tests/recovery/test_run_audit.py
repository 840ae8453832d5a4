"""The audit works the sums of runs out again from the movements and finds each way of tampering."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime
from typing import Any

import pytest
from django.db import connection
from django.db.models import F

from inventory.models import Movement, Place, append_only
from inventory.services import lab_editing, reversal
from inventory.services.audit import Finding, audit
from recovery.models import Run, RunSum
from recovery.services import audit as run_audit
from recovery.services.runs import Loss
from tests import factories as make
from tests.recovery.club import Still

pytestmark = pytest.mark.django_db


@pytest.fixture
def still() -> Still:
    """Runs of every kind: closed with a loss, more back than out, reversed and closed anew, open, unused."""
    still = Still(make.club())
    bottle = still.bottle(amount="900 mL")
    first = still.start()
    still.charge(first, bottle, "200 mL")
    still.back(first, still.flask(), "150 mL")
    still.close(first, Loss("still-residue", "10 mL"))
    more = still.start("more back than out")
    still.charge(more, bottle, "20 mL")
    still.back(more, still.flask(), "22 mL")
    still.close(more)
    again = still.start("reversed")
    wrong = still.charge(again, bottle, "30 mL")
    still.charge(again, bottle, "40 mL")
    undone = still.back(again, still.flask(), "5 mL")
    for entry in (undone.entry, wrong.entry):
        reversal.reverse(**still.at(), entry=entry, reason="wrong bottle")
    still.close(again)
    still.charge(still.start("open"), bottle, "50 mL")
    still.start("nothing yet")
    return still


def run_findings() -> list[Finding]:
    return [finding for finding in audit(full=True).findings if finding.check.startswith("run")]


def test_services_leave_nothing_to_find(still: Still) -> None:
    report = audit(full=True)
    assert report.findings == ()
    assert report.compared["runs"] == Run.objects.count() == 5


@pytest.mark.parametrize("part", ["charged_ul", "returned_ul", "lost_ul", "held_ul"])
def test_a_changed_sum_is_found(still: Still, part: str) -> None:
    kept = RunSum.objects.get(run__purpose="open")
    RunSum.objects.filter(pk=kept.pk).update(**{part: F(part) + 1})
    (found,) = run_findings()
    assert (found.check, found.table) == ("run-sum", "recovery_runsum")
    assert found.id == f"{kept.run_id} / {kept.solvent_id}"
    assert found.expected == "charged 50000, returned 0, lost 0, held 50000"
    changed = {"charged_ul": 50_000, "returned_ul": 0, "lost_ul": 0, "held_ul": 50_000}
    changed[part] += 1
    assert found.found == ", ".join(f"{name[:-3]} {value}" for name, value in changed.items())
    assert getattr(RunSum.objects.get(pk=kept.pk), part) == changed[part], "nothing was repaired"


@pytest.mark.parametrize("purpose", ["open", "reversed"])
def test_movements_without_a_sum_are_found(still: Still, purpose: str) -> None:
    RunSum.objects.filter(run__purpose=purpose).delete()
    (found,) = run_findings()
    assert (found.check, found.found) == ("run-sum", "no sum")


def test_a_sum_without_movements_is_found(still: Still) -> None:
    empty = Run.objects.get(purpose="nothing yet")
    RunSum.objects.create(run=empty, solvent=make.solvent("acetone"))
    (found,) = run_findings()
    assert (found.check, found.expected) == ("run-sum", "no sum")
    assert found.found == "charged 0, returned 0, lost 0, held 0"


def unguarded(change: Callable[[], Any]) -> None:
    with append_only.suspended(connection):
        change()


@pytest.mark.parametrize("kind", ["charge", "return", "loss", "reversal"])
def test_a_tampered_movement_of_a_run_is_found(still: Still, kind: str) -> None:
    row = Movement.objects.filter(kind=kind).earliest("pk")
    unguarded(lambda: Movement.objects.filter(pk=row.pk).update(volume_ul=F("volume_ul") + 3))
    assert [found.check for found in run_findings()] == ["run-sum"]


def test_a_closed_run_that_holds_something_is_found(still: Still) -> None:
    held = Run.objects.get(purpose="open")
    Run.objects.filter(pk=held.pk).update(closed_at=make.NOW)
    (found,) = run_findings()
    assert (found.check, found.expected, found.found) == ("run-closed-empty", "0", "50000")
    assert found.id.startswith(f"{held.pk} / ")


def test_a_heel_that_is_not_that_of_the_standing_charges_is_found(still: Still) -> None:
    """A fifth of 50 mL is to stay: 10 mL; once the charge is reversed nothing is."""
    run = still.start("heel")
    posted = still.charge(run, still.bottle(), "50 mL")
    assert run_findings() == []
    Run.objects.filter(pk=run.pk).update(heel_ul=5_000)
    (found,) = run_findings()
    assert (found.check, found.id, found.expected, found.found) == ("run-heel", str(run.pk), "10000", "5000")
    reversal.reverse(**still.at(), entry=posted.entry, reason="another run")
    assert run_findings() == []
    Run.objects.filter(pk=run.pk).update(heel_ul=10_000)
    assert [found.expected for found in run_findings()] == ["0"]


@pytest.mark.parametrize("purpose", ["fat in biscuits", "open"])
def test_an_entry_that_did_not_close_its_run_is_found(still: Still, purpose: str) -> None:
    run = Run.objects.get(purpose=purpose)
    charged = Movement.objects.filter(kind="charge", destination=Run.objects.get(purpose="open").place_id)
    Run.objects.filter(pk=run.pk).update(closing_entry=charged.get().entry)
    (found,) = run_findings()
    assert (found.check, found.id) == ("run-closing-entry", str(run.pk))


def test_a_draft_to_which_something_was_charged_is_found(still: Still) -> None:
    Run.objects.filter(purpose="open").update(is_draft=True)
    (found,) = run_findings()
    assert (found.check, found.found) == ("run-draft-moved", "50000")


def test_a_place_of_a_run_without_its_run_is_found(still: Still) -> None:
    stray = Place.objects.create(lab=still.lab, kind="run")
    (found,) = run_findings()
    assert (found.check, found.id, found.found) == ("run-place", str(stray.pk), "none")


def test_a_run_in_another_month_is_found(still: Still) -> None:
    run = Run.objects.earliest("pk")
    Run.objects.filter(pk=run.pk).update(month=date(2026, 4, 1))
    (found,) = run_findings()
    assert (found.check, found.id) == ("run-month", str(run.pk))
    assert (found.expected, found.found) == ("2026-03-01", "2026-04-01")


def test_months_are_those_of_the_zone_in_which_they_were_booked(still: Still) -> None:
    """22:30 UTC on 31 March is 1 April in Berlin (summer time, UTC+2), and stays so when the lab moves."""
    late = datetime(2026, 3, 31, 22, 30, tzinfo=UTC)
    run = still.start("midnight", now=late)
    assert run.month == date(2026, 4, 1)
    head, changes = still.club.supervisor, {"time_zone": "UTC"}
    lab_editing.lab_edit(lab=still.lab, actor=head, now=late, changes=changes, reason="the club moved")
    assert run_findings() == []
    Run.objects.filter(pk=run.pk).update(month=date(2026, 5, 1))
    assert [found.expected for found in run_findings()] == ["2026-03-01"]


def test_months_are_sampled_unless_all_are_asked_for(still: Still, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(run_audit, "MONTHS_SAMPLED", 2)
    Run.objects.update(month=date(2020, 1, 1))
    assert len(audit().findings) == 2
    assert len(audit(full=True).findings) == 5


def test_one_lab_is_audited_alone(still: Still) -> None:
    other = Still(make.second_club())
    other.whole("100 mL", "80 mL")
    RunSum.objects.filter(run__lab=other.lab).update(lost_ul=1)
    Run.objects.filter(lab=other.lab).update(month=date(2020, 1, 1))
    assert audit(lab=still.lab, full=True).clean
    assert sorted(found.check for found in audit(lab=other.lab).findings) == ["run-month", "run-sum"]
