"""A club's run log comes in: history counts in the loss rates, later runs draw on the real bottles."""

from __future__ import annotations

from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any

import pytest

from inventory.models import Container, ImportedRow, Lot, LotParent, Membership, Movement
from inventory.services import bulk
from inventory.services.audit import audit
from inventory.services.import_report import ImportReport
from recovery.models import Run, RunSum
from recovery.selectors.losses import loss_rates
from recovery.services.importing import import_runs
from tests.factories import Club, club
from tests.inventory.club_lists import NOW, RUNS, errors, held, sheet, stock_in

pytestmark = pytest.mark.django_db

# Added up apart from this project, with awk over the raw file, leaving out the lines of B99 and 31.02.2026:
# names grouped by eye, then in each group the count of lines, the sum of the digits of Out and of Back.
BY_HAND = {
    "acetone": (16, 2280, 1493),
    "cyclohexane": (11, 1590, 792),
    "dichloromethane": (8, 1020, 767),
    "diethyl-ether": (37, 5040, 3392),
    "ethyl-acetate": (30, 4130, 1913),
    "petroleum-ether-40-60": (21, 2800, 1782),
    "tert-butyl-methyl-ether": (17, 2050, 1364),
}
HEAD = "Date;Who;What for;Solvent;From bottle;Out;Back;Back into;Remarks"
BOTTLES = (
    "E1;Diethyl ether;bought;1 L;500 mL;2026-08-01;2026-10-01;BHT;;;",
    "E2;Diethyl ether;bought;1 L;0 mL;2026-08-01;2026-10-01;BHT;;;",
    "A1;acetone;bought;1 L;400 mL;2026-08-01;2026-10-01;;;;",
    "S1;Diethyl ether;bought;1 L;1 L;2026-08-01;sealed;BHT;;;",
)


@pytest.fixture
def at() -> Club:
    return club(now=NOW)


def runs_in(at: Club, data: bytes | None = None, **options: Any) -> ImportReport:
    asked = {"write": True, "filename": "runs.csv", **options}
    body = RUNS.read_bytes() if data is None else data
    return import_runs(lab=at.lab, actor=at.steward, now=NOW, data=body, **asked)


def log(*rows: str) -> bytes:
    return sheet(*rows, head=HEAD)


def balances() -> dict[str, int]:
    return dict(Container.objects.values_list("code", "volume_ul"))


def test_every_good_run_is_in_and_each_bad_one_named(at: Club) -> None:
    stock_in(at)
    report = runs_in(at)
    assert report.counts == {"new": 140, "known": 0, "bad": 2, "unread": 0}
    assert errors(report) == {
        (19, "From bottle", "bottle-unknown"),
        (42, "Date", "date-impossible"),
        (42, "Solvent", "solvent-mismatch"),
    }
    assert (Run.objects.count(), Run.objects.filter(is_history=True).count()) == (140, 140)
    assert not Run.objects.filter(closed_at=None).exists()


def test_totals_and_loss_rates_equal_the_sums_by_hand(at: Club) -> None:
    stock_in(at)
    report = runs_in(at)
    told = {t["solvent"]: (t["runs"], t["charged_ul"], t["returned_ul"]) for t in report.totals}
    rates = loss_rates(lab=at.lab, by=["solvent"])
    stored = {r.group["solvent"]: (r.runs, r.charged_ul, r.returned_ul) for r in rates}
    by_hand = {key: (n, out * 1000, back * 1000) for key, (n, out, back) in BY_HAND.items()}
    assert told == stored == by_hand
    acetone = next(r for r in rates if r.group["solvent"] == "acetone")
    assert (acetone.lost_ul, acetone.loss_fraction) == (787_000, Decimal("0.3452"))  # 787 of 2280 mL


def test_history_leaves_todays_balances_untouched_and_the_audit_clean(at: Club) -> None:
    stock_in(at)
    before = balances()
    runs_in(at)
    assert balances() == before
    assert audit(lab=at.lab, full=True).findings == ()
    # One lot stands for each solvent of the past, and no bottle holds it.
    assert Lot.objects.filter(origin="not-known").count() == 7
    assert not Container.objects.filter(lot__origin="not-known").exists()


def test_where_a_run_of_the_past_took_from_and_lost_to(at: Club) -> None:
    """Line 2: 27.09.2025;RT;wax from citrus;…;B02;250;156 mL;same;left 20 ml in flask."""
    stock_in(at)
    runs_in(at)
    run = Run.objects.get(pk=ImportedRow.objects.get(kind="runs", line=2).subject_id)
    moved = Movement.objects.filter(source=run.place) | Movement.objects.filter(destination=run.place)
    ends = set(moved.values_list("kind", "source__kind", "destination__kind", "volume_ul"))
    assert ends == {
        ("charge", "before-counting", "run", 250_000),
        ("return", "run", "before-counting", 156_000),
        ("loss", "run", "still-residue", 20_000),
        ("loss", "run", "unaccounted", 74_000),
    }
    sums = RunSum.objects.values_list("charged_ul", "returned_ul", "lost_ul", "held_ul").get(run=run)
    assert sums == (250_000, 156_000, 94_000, 0)
    assert (run.operator_name, run.purpose, run.remarks) == ("RT", "wax from citrus", "left 20 ml in flask")
    assert (run.findings, run.month) == (["heel-left"], date(2025, 9, 1))
    # Noon in Berlin in summer.
    assert run.started_at == run.closed_at == datetime(2025, 9, 27, 10, tzinfo=UTC)


def test_a_bottle_drawn_from_was_open_by_then(at: Club) -> None:
    """B31 was said to be opened on 27.12.2025; line 9 has a draw on 15.10.2025."""
    stock_in(at)
    assert held("B31").next_test_due == date(2026, 6, 27)  # class B inhibited: 6 months after opening
    runs_in(at)
    assert held("B31").opened_on == date(2025, 10, 15)
    assert held("B31").next_test_due == date(2026, 4, 15)


def test_the_same_log_twice_changes_nothing(at: Club) -> None:
    stock_in(at)
    runs_in(at)
    counts = (Movement.objects.count(), Run.objects.count(), ImportedRow.objects.count())
    again = runs_in(at)
    assert again.counts == {"new": 0, "known": 140, "bad": 2, "unread": 0}
    assert (Movement.objects.count(), Run.objects.count(), ImportedRow.objects.count()) == counts


def test_all_or_none_and_a_dry_run_write_nothing(at: Club) -> None:
    stock_in(at)
    assert not runs_in(at, all_or_none=True).written
    assert not runs_in(at, write=False).written
    assert not Run.objects.exists()


def test_without_any_stock_it_asks_for_the_stock_list_first(at: Club) -> None:
    report = runs_in(at)
    assert (report.blocked, report.exit_code, report.counts["unread"]) == (True, 2, 142)
    assert not Run.objects.exists()


def test_operators_are_matched_by_initials_sign_in_name_and_name(at: Club) -> None:
    Membership.objects.filter(user=at.member).update(initials="NH")
    Membership.objects.filter(user__in=[at.steward, at.auditor]).update(initials="XX")
    stock_in(at, sheet(*BOTTLES))
    names = ("nh", at.steward.username, at.member.get_full_name(), "XX", "a visitor", "")
    rows = [f"2026-09-0{n};{who};fat;ether;E1;10 mL;5 mL;same;" for n, who in enumerate(names, 1)]
    runs_in(at, log(*rows))
    found = list(Run.objects.order_by("started_at").values_list("operator__username", "operator_name"))
    assert [who for who, _ in found] == [at.member.username, at.steward.username, at.member.username] + [
        None
    ] * 3
    assert [name for _, name in found][3:] == ["XX", "a visitor", "not stated"]


def test_more_back_than_out_is_a_finding_and_a_negative_loss(at: Club) -> None:
    stock_in(at, sheet(*BOTTLES))
    runs_in(at, log("2026-09-01;NH;fat;ether;E1;100 mL;120 mL;same;"))
    run = Run.objects.get()
    assert run.findings == ["more-back-than-out"]
    assert RunSum.objects.get(run=run).lost_ul == -20_000
    assert audit(lab=at.lab, full=True).findings == ()


def test_runs_after_the_count_draw_on_the_real_bottles(at: Club) -> None:
    """Counted on 31 October: the run of the 30th is history, those of November move the stock."""
    stock_in(at, sheet(*BOTTLES))
    report = runs_in(
        at,
        log(
            "2026-10-30;NH;fat in biscuits;ether;E1;100 mL;70 mL;same;",
            "2026-11-03;NH;fat in biscuits;ether;E1;100 mL;70 mL;E2;left 20 ml in flask",
            "2026-11-02;NH;fat in biscuits;ether;S1;50 mL;;;",
            "2026-11-04;NH;fat in biscuits;ether;E2;60 mL;50 mL;same;",
        ),
    )
    assert report.counts["new"] == 4
    # E1: 500 - 100. E2: 0 + 70 - 60 + 50. S1: 1000 - 50.
    assert balances() == {"E1": 400_000, "E2": 60_000, "A1": 400_000, "S1": 950_000}
    assert (held("S1").opened, held("S1").opened_on) == ("opened", date(2026, 11, 2))
    recovered = held("E2").lot
    assert recovered is not None
    assert recovered.origin == "blend"
    assert {p.parent.origin for p in LotParent.objects.filter(lot=recovered)} == {"recovered"}
    # Distilled on 3 November, uninhibited class B: 3 months from the older distillate.
    assert held("E2").next_test_due == date(2027, 2, 3)
    losses = Movement.objects.filter(
        kind="loss", source__run__is_history=False, source__run__started_at__day=3
    )
    assert set(losses.values_list("destination__kind", "volume_ul")) == {
        ("still-residue", 20_000),
        ("unaccounted", 10_000),
    }
    assert [t["history"] for t in report.totals] == [1]
    assert audit(lab=at.lab, full=True).findings == ()


def test_a_run_that_cannot_be_booked_is_told_and_the_rest_goes_in(at: Club) -> None:
    stock_in(at, sheet(*BOTTLES))
    data = log(
        "2026-11-02;NH;fat;ether;E1;450 mL;400 mL;E2;",
        "2026-11-03;NH;fat;ether;E1;60 mL;;;",
        "2026-11-03;NH;fat;ether;E1;10 mL;8 mL;rec ether;",
        "2026-11-03;NH;fat;ether;E1;10 mL;8 mL;;",
        "2026-11-03;NH;fat;ether;E1;10 mL;8 mL;A1;",
        "2026-11-04;NH;fat;ether;E1;50 mL;40 mL;same;",
    )
    wanted = {
        (3, "Out", "not-enough"),
        (4, "Back into", "back-into-unknown"),
        (5, "Back into", "back-into-missing"),
        (6, "Back", "unlike-solvents"),
    }
    tried = runs_in(at, data, write=False)
    assert (errors(tried), tried.counts["new"]) == (wanted, 2)
    assert not Run.objects.exists()
    assert not runs_in(at, data, all_or_none=True).written
    assert not Run.objects.exists()
    report = runs_in(at, data)
    assert (errors(report), report.counts["new"], report.exit_code) == (wanted, 2, 1)
    assert balances() == {"E1": 40_000, "E2": 400_000, "A1": 400_000, "S1": 1_000_000}
    assert Run.objects.count() == ImportedRow.objects.filter(kind="runs").count() == 2
    # Once the bottle has a place in the records, the same file brings in what is still missing.
    stock_in(at, sheet("rec ether;Diethyl ether;distilled here;1 L;0 mL;2026-08-01;2026-08-01;no;;;"))
    again = runs_in(at, data)
    assert (again.counts["new"], again.counts["known"]) == (1, 2)
    assert held("rec ether").volume_ul == 8_000


def test_a_run_of_today_is_not_put_into_the_future(at: Club) -> None:
    """NOW is 10:00 in Berlin: noon has not come yet."""
    stock_in(at, sheet(*BOTTLES))
    report = runs_in(at, log("2026-11-25;NH;fat;ether;E1;100 mL;70 mL;same;"))
    assert report.counts["new"] == 1
    assert Run.objects.get().started_at == NOW


def test_an_overlong_purpose_is_told(at: Club) -> None:
    stock_in(at, sheet(*BOTTLES))
    report = runs_in(at, log(f"2026-09-01;NH;{'f' * 121};ether;E1;100 mL;70 mL;same;"))
    assert errors(report) == {(2, "What for", "purpose-too-long")}


def test_a_crash_in_the_middle_leaves_nothing(at: Club, monkeypatch: pytest.MonkeyPatch) -> None:
    stock_in(at)
    facts = [(c.code, c.opened_on, c.version) for c in Container.objects.order_by("id")]
    movements = Movement.objects.count()
    monkeypatch.setattr(bulk, "CHUNK", 50)
    real, calls = bulk.insert, []

    def failing(model: Any, columns: Any, rows: Any) -> None:
        calls.append(model)
        if calls.count(RunSum) == 3:
            raise RuntimeError("no power")
        real(model, columns, rows)

    monkeypatch.setattr(bulk, "insert", failing)
    with pytest.raises(RuntimeError):
        runs_in(at)
    assert not Run.objects.exists()
    assert Movement.objects.count() == movements
    assert [(c.code, c.opened_on, c.version) for c in Container.objects.order_by("id")] == facts
