"""The audit finds every kind of difference, names it, and repairs nothing."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db import connection
from django.db.models import F

from inventory.models import Container, Flow, Lot, LotParent, Movement, Place, append_only
from inventory.services import audit as audit_service
from inventory.services import reversal, safety, volumes
from inventory.services.audit import Finding, audit
from tests import factories as make

pytestmark = pytest.mark.django_db


@pytest.fixture
def club() -> make.Club:
    """A lab where all kinds of entries have been made: a blend, a count, a discard, reversals."""
    club = make.club()
    at: dict[str, Any] = {"lab": club.lab, "actor": club.steward, "now": make.NOW}
    one, two, three = (make.stocked(club, "tetrahydrofuran", "400 mL") for _ in range(3))
    drawn = volumes.draw(**at, container=one, amount="50 mL", destination=club.end("reaction"))
    volumes.pour(**at, source=make.fresh(one), into=two, amount="100 mL")
    poured = volumes.pour(**at, source=make.fresh(one), into=three, amount="20 mL")
    reversal.reverse(**at, entry=poured.entry, reason="wrong bottle")
    reversal.reverse(**at, entry=drawn.entry, reason="wrong amount")
    volumes.count(**at, container=make.fresh(two), amount="480 mL")
    volumes.discard(**at, container=make.stocked(club, "acetone", "10 mL"))
    safety.observe(**at, container=one, sign="cloudy")
    return club


def kinds(findings: tuple[Finding, ...]) -> set[str]:
    return {finding.check for finding in findings}


def one_of(findings: tuple[Finding, ...], check: str) -> Finding:
    (found,) = [finding for finding in findings if finding.check == check]
    return found


def test_services_leave_nothing_to_find(club: make.Club) -> None:
    report = audit(full=True)
    assert report.findings == ()
    assert report.clean
    assert report.compared == {
        "containers": Container.objects.count(),
        "movements": Movement.objects.count(),
        "flows": Flow.objects.count(),
        "runs": 0,
        "months of reuse": 0,
    }
    assert report.due_dates == 3


def test_a_changed_balance_is_found(club: make.Club) -> None:
    container = Container.objects.earliest("pk")
    Container.objects.filter(pk=container.pk).update(volume_ul=F("volume_ul") + 1)
    found = audit(lab=club.lab).findings
    assert kinds(found) == {"container-balance", "container-lot", "zero-sum"}
    # 400 mL less the 100 mL poured over; the two that were reversed are back.
    assert one_of(found, "container-balance") == Finding(
        "container-balance", "inventory_container", str(container.pk), "300000", "300001"
    )
    assert one_of(found, "zero-sum").found == "1"
    assert Container.objects.get(pk=container.pk).volume_ul == 300_001, "nothing was repaired"


def test_a_movement_that_skipped_the_ledger_is_found(club: make.Club) -> None:
    row = Movement.objects.filter(kind="receive").earliest("pk")
    row.pk, row.volume_ul = None, 5
    row.save(force_insert=True)
    found = audit().findings
    assert kinds(found) == {"container-balance", "container-lot", "zero-sum", "flow"}
    assert one_of(found, "zero-sum").found == "-5"


def test_a_container_with_another_lot_is_found(club: make.Club) -> None:
    first, second = Container.objects.filter(volume_ul__gt=0).order_by("pk")[:2]
    Container.objects.filter(pk=first.pk).update(lot=second.lot_id)
    assert "container-lot" in kinds(audit().findings)


def test_a_changed_flow_is_found(club: make.Club) -> None:
    cell = Flow.objects.get(source_kind="container", destination_kind="waste-contractor")
    Flow.objects.filter(pk=cell.pk).update(volume_ul=9_999)
    found = one_of(audit().findings, "flow")
    assert (found.expected, found.found) == ("10000", "9999")
    assert found.id.startswith(f"{club.lab.pk} / {cell.solvent_id} / 2026-03-01 / container / waste")
    cell.delete()
    assert one_of(audit().findings, "flow").found == "0"


def test_an_old_due_date_is_found(club: make.Club) -> None:
    container = Container.objects.filter(due_code="opened-interval").earliest("pk")
    Container.objects.filter(pk=container.pk).update(next_test_due="2030-01-01", worst_sign="")
    found = one_of(audit().findings, "due-date")
    assert found.id == str(container.pk)
    assert (found.expected, found.found) == (
        "next_test_due 2026-06-10, worst_sign cloudy",
        "next_test_due 2030-01-01, worst_sign none",
    )


def unguarded(change: Callable[[], Any]) -> None:
    """What somebody with the database's password could do."""
    with append_only.suspended(connection):
        change()


def test_a_tampered_reversal_is_found(club: make.Club) -> None:
    back = Movement.objects.filter(reversal_of__isnull=False, kind="reversal").earliest("pk")
    unguarded(lambda: Movement.objects.filter(pk=back.pk).update(volume_ul=F("volume_ul") + 1))
    found = audit().findings
    assert one_of(found, "reversal-opposite").id == f"{back.pk} / {back.reversal_of_id}"
    unguarded(lambda: Movement.objects.filter(pk=back.pk).update(reversal_of=None))
    assert one_of(audit().findings, "reversal-whole").table == "inventory_movement"


def test_tampered_blends_are_found(club: make.Club) -> None:
    blend = LotParent.objects.filter(parent__origin="purchased").earliest("pk")
    unguarded(lambda: LotParent.objects.filter(pk=blend.pk).update(volume_ul=1))
    found = one_of(audit().findings, "blend-parents")
    assert (found.id, found.expected, found.found) == (str(blend.lot_id), "500000", "100001")
    out = Movement.objects.filter(kind="blend", destination__kind="blending").earliest("pk")
    unguarded(lambda: Movement.objects.filter(pk=out.pk).update(volume_ul=F("volume_ul") - 7))
    assert one_of(audit().findings, "blending").found == "-7"


def test_movements_across_labs_or_solvents_are_found(club: make.Club) -> None:
    other = make.second_club()
    row = Movement.objects.filter(kind="receive").earliest("pk")
    strange = Place.objects.filter(lab=other.lab, kind="supplier").get()
    unguarded(lambda: Movement.objects.filter(pk=row.pk).update(source=strange))
    assert one_of(audit(lab=club.lab).findings, "movement-belongs").id == str(row.pk)
    unguarded(lambda: Movement.objects.filter(pk=row.pk).update(source_id=row.source_id))
    Lot.objects.filter(pk=row.lot_id).update(solvent=make.solvent("acetone"))
    assert "movement-belongs" in kinds(audit().findings)


def test_one_lab_is_audited_alone(club: make.Club) -> None:
    other = make.second_club()
    bottle = make.stocked(other)
    Container.objects.filter(pk=bottle.pk).update(volume_ul=0)
    assert audit(lab=club.lab).clean
    assert audit(lab=other.lab).compared["movements"] == 1
    assert not audit(lab=other.lab).clean
    assert not audit().clean


def test_due_dates_are_sampled_unless_all_are_asked_for(
    club: make.Club, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(audit_service, "DUE_DATES_SAMPLED", 2)
    assert audit().due_dates == 2
    assert audit(full=True).due_dates == 3


# -- the command


def test_exit_code_0_when_clean(club: make.Club, capsys: pytest.CaptureFixture[str]) -> None:
    call_command("audit", "--full", "--lab", club.lab.slug)
    assert "No difference. Compared for lab biscuit-club: 4 containers" in capsys.readouterr().out


def test_exit_code_1_with_differences(club: make.Club, capsys: pytest.CaptureFixture[str]) -> None:
    Flow.objects.filter(destination_kind="waste-contractor").update(volume_ul=1)
    for options in ([], ["--json"]):
        with pytest.raises(SystemExit) as ended:
            call_command("audit", *options)
        assert ended.value.code == 1
    text, data = capsys.readouterr().out.strip().rsplit("\n", 1)
    assert "expected 10000, found 1" in text
    assert "1 differences; nothing was changed" in text
    report = json.loads(data)
    assert (report["clean"], len(report["findings"])) == (False, 1)
    assert report["findings"][0]["check"] == "flow"


def test_exit_code_2_when_it_cannot_run(club: make.Club) -> None:
    with pytest.raises(CommandError) as unknown:
        call_command("audit", "--lab", "nowhere")
    assert unknown.value.returncode == 2
    with connection.cursor() as cursor:
        cursor.execute("ALTER TABLE inventory_flow RENAME TO inventory_flow_elsewhere")
    with pytest.raises(CommandError, match="could not run") as broken:
        call_command("audit")
    assert broken.value.returncode == 2
