"""An import is taken back by reversal: nothing of it counts any more, and nothing is deleted."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from inventory.models import Container, Event, Flow, ImportedRow, Movement
from inventory.rules.errors import InputError
from inventory.services import volumes
from inventory.services.audit import audit
from inventory.services.import_undo import Undone, undo_stock
from recovery.models import Run
from recovery.selectors.losses import loss_rates
from recovery.services.import_undo import undo_runs
from recovery.services.importing import import_runs
from tests.factories import Club, club
from tests.inventory.club_lists import NOW, RUNS, sheet, stock_in

pytestmark = pytest.mark.django_db
LATER = NOW + timedelta(hours=1)
HEAD = "Date;Who;What for;Solvent;From bottle;Out;Back;Back into;Remarks"
BOTTLES = (
    "E1;Diethyl ether;bought;1 L;500 mL;2026-08-01;2026-10-01;BHT;;;",
    "E2;Diethyl ether;bought;1 L;0 mL;2026-08-01;2026-10-01;BHT;;;",
    "A1;acetone;bought;1 L;400 mL;2026-08-01;2026-10-01;;;;",
)


@pytest.fixture
def at() -> Club:
    return club(now=NOW)


def last_import(at: Club) -> Event:
    return Event.objects.filter(lab=at.lab, verb__in=("stock-imported", "runs-imported")).latest("pk")


def undone(at: Club, how: Any = undo_stock, **given: Any) -> Undone:
    asked: dict[str, Any] = {
        "actor": at.supervisor, "now": LATER, "reason": "columns were swapped", "may_loosen": True, **given,
    }  # fmt: skip
    asked.setdefault("event", last_import(at))
    found: Undone = how(lab=at.lab, **asked)
    return found


def flows() -> int:
    return sum(Flow.objects.values_list("volume_ul", flat=True))


def test_a_stock_list_is_taken_back_and_may_come_in_again(at: Club) -> None:
    tested = "T1;THF;bought;1 L;500 mL;2026-08-01;2026-10-01;;30;2026-10-02;"
    stock_in(at, sheet(*BOTTLES, tested))
    told = undone(at)
    assert (told.done, told.kept, told.left) == (4, (), 0)
    assert not Container.objects.filter(discarded_at=None).exists()
    assert flows() == 0
    assert audit(lab=at.lab, full=True).findings == ()
    assert (
        Movement.objects.filter(reversal_of=None).count()
        == Movement.objects.exclude(reversal_of=None).count()
    )
    again = stock_in(at, sheet(*BOTTLES, tested))
    assert (again.counts["new"], again.counts["known"]) == (4, 0)
    assert sorted(ImportedRow.objects.values_list("turn", flat=True)) == [0, 0, 0, 0, 1, 1, 1, 1]
    assert stock_in(at, sheet(*BOTTLES, tested)).counts["known"] == 4
    assert audit(lab=at.lab, full=True).findings == ()


def test_a_bottle_that_was_used_since_stays_and_is_named(at: Club) -> None:
    stock_in(at, sheet(*BOTTLES))
    bottle = Container.objects.get(code="A1")
    volumes.draw(
        lab=at.lab, actor=at.member, now=LATER, container=bottle, amount="5 mL", destination=at.end("product")
    )
    told = undone(at)
    assert told.done == 2
    assert [(kept.ref, kept.line) for kept in told.kept] == [("A1", 4)]
    assert "draw" in told.kept[0].why
    assert list(Container.objects.filter(discarded_at=None).values_list("code", flat=True)) == ["A1"]


def test_it_needs_a_reason_and_a_steward_cannot_take_a_sign_back(at: Club) -> None:
    stock_in(at, sheet("D1;1,4-dioxane;bought;1 L;500 mL;2026-08-01;2026-10-01;;;;crystals at the cap"))
    with pytest.raises(InputError):
        undone(at, reason=" ")
    told = undone(at, actor=at.steward, may_loosen=False)
    assert told.done == 0
    assert "supervisor" in told.kept[0].why.lower()
    assert undone(at).done == 1


def test_a_run_log_is_taken_back_and_counts_no_more(at: Club) -> None:
    stock_in(at)
    before = flows()
    first = b"\n".join(RUNS.read_bytes().splitlines()[:9])
    asked: dict[str, Any] = {"lab": at.lab, "actor": at.steward, "now": NOW, "data": first}
    import_runs(**asked, write=True)
    told = undone(at, undo_runs)
    assert (told.done, told.kept) == (8, ())
    assert loss_rates(lab=at.lab) == []
    assert flows() == before
    assert not Run.objects.filter(closed_at=None).exists()
    assert audit(lab=at.lab, full=True).findings == ()
    assert import_runs(**asked, write=True).counts["new"] == 8
    assert sum(rate.runs for rate in loss_rates(lab=at.lab)) == 8


def test_runs_after_the_count_give_their_solvent_back(at: Club) -> None:
    stock_in(at, sheet(*BOTTLES))
    rows = "\n".join([
        HEAD,
        "2026-11-20;MO;leaf pigments;acetone;A1;100 mL;80 mL;same;",
        "2026-11-21;MO;fat in biscuits;ether;E1;100 mL;70 mL;E2;",
    ])  # fmt: skip
    held = dict(Container.objects.values_list("code", "volume_ul"))
    report = import_runs(lab=at.lab, actor=at.steward, now=NOW, data=rows.encode(), write=True)
    assert report.written
    told = undone(at, undo_runs)
    assert (told.done, [kept.why for kept in told.kept]) == (2, [])
    assert dict(Container.objects.values_list("code", "volume_ul")) == held
    assert audit(lab=at.lab, full=True).findings == ()
