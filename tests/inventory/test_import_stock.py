"""A club's stock list comes in: every good bottle with all its facts, each bad row with its reasons."""

from __future__ import annotations

from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any

import pytest
from django.db import IntegrityError, connection

from inventory.models import Container, Event, ImportedRow, Lot, Movement, Observation, PeroxideTest, Place
from inventory.rules.errors import InputError
from inventory.rules.sheets.mapping import from_json, to_json
from inventory.services import bulk, ledger
from inventory.services.audit import audit
from inventory.services.ledger import End, Line, Opening, Posting
from inventory.services.safety import SIGNS
from tests.factories import Club, club, second_club, solvent, stocked
from tests.inventory.club_lists import COUNTED_ON, HEAD, NOW, errors, held, row_counts, sheet, stock_in

pytestmark = pytest.mark.django_db


@pytest.fixture
def at() -> Club:
    return club(now=NOW)


def test_every_good_bottle_is_in_and_each_bad_row_is_named(at: Club) -> None:
    report = stock_in(at)
    assert report.counts == {"new": 34, "known": 0, "bad": 5, "unread": 0}
    assert (report.written, report.exit_code) == (True, 1)
    # Read off the file by eye: line 1 is the header.
    assert errors(report) == {
        (17, "What", "unknown-solvent"),
        (17, "Left", "not-a-number"),
        (27, "Left", "negative"),
        (27, "Opened", "date-future"),
        (28, "Bottle no.", "code-twice"),
        (28, "Opened", "date-impossible"),
        (33, "Left", "more-than-fits"),
        (40, "Bottle no.", "code-missing"),
    }
    codes = Container.objects.order_by("id").values_list("code", flat=True)
    assert list(codes) == [f"B{n:02}" for n in range(1, 35)]
    # awk over the good lines of the file, commas read as points and litres times 1000, column Left.
    assert sum(Container.objects.values_list("volume_ul", flat=True)) == 22_516_000
    assert Event.objects.filter(verb="stock-imported").count() == 1


def test_the_opening_balance_comes_from_before_counting_at_the_start_of_the_count(at: Club) -> None:
    stock_in(at)
    first = Movement.objects.select_related("source", "destination").get(destination=held("B04").place_id)
    assert (first.kind, first.source.kind, first.volume_ul) == ("receive", "before-counting", 190_000)
    # Midnight in Berlin on 31 October 2026 is 23:00 UTC the day before (winter time began on the 25th).
    assert first.happened_at == datetime(2026, 10, 30, 23, tzinfo=UTC)
    assert held("B04").counting_began_at == first.happened_at
    assert (first.as_entered["text"], first.as_entered["instrument"]) == ("0,19 L", "bottle-mark")
    # 5 % of the 250 mL bottle as half width, rectangular: 12.5 mL / √3 = 7.217 mL (JCGM 100 4.3.7), and
    # 190 mL × 5 K / √3 × about 1.4e-3 per K = 0.77 mL beside it: √(7.217² + 0.77²) = 7.26 mL.
    assert 7_230 <= first.u_volume_ul <= 7_260


def test_a_sealed_full_bottle_is_as_good_as_its_label(at: Club) -> None:
    stock_in(at)
    by_code = {
        code: entered["instrument"]
        for code, entered in Movement.objects.values_list("destination__container__code", "as_entered")
    }
    labelled = {code for code, instrument in by_code.items() if instrument == "supplier-label"}
    # Those said to be sealed in the column Opened; of B06, B15 and B16 it is not said.
    assert labelled == {"B07", "B12", "B13", "B28", "B29"}
    assert set(by_code.values()) == {"supplier-label", "bottle-mark"}


@pytest.mark.parametrize(
    ("code", "due", "why"),
    # By the cautious default, worked out by hand from the rows of the file.
    [
        ("B01", date(2025, 2, 20), "opened-interval"),  # class B inhibited, opened 2024-08-20: 6 months
        ("B11", date(2024, 1, 30), "opened-interval"),  # class B inhibited, opened 2023-07-30: 6 months
        ("B19", date(2024, 11, 27), "after-passed-test"),  # class A, <1 on 2024-08-27: 3 months
        ("B21", date(2026, 3, 21), "after-passed-test"),  # class B inhibited, 10 on 2025-09-21: 6 months
        ("B13", date(2027, 8, 24), "unopened-interval"),  # class B, sealed, received 2026-08-24: 12 months
        ("B27", date(2024, 1, 25), "made-interval"),  # class B distilled here 2023-10-25: 3 months
        ("B05", date(2026, 4, 13), "reading-at-or-above-level"),  # 30 mg/L on that day
        ("B18", date(2025, 11, 19), "reading-not-decisive"),  # "neg" by a method nobody wrote down
        ("B06", date(2026, 4, 8), "opening-date-unknown"),  # opening not stated: from receipt at the latest
        ("B03", None, "not-a-former"),  # acetone
    ],
)
def test_due_dates_by_hand(at: Club, code: str, due: date | None, why: str) -> None:
    stock_in(at)
    assert (held(code).next_test_due, held(code).due_code) == (due, why)


def test_a_stated_method_gives_neg_its_meaning(at: Club) -> None:
    # Class A, "neg" on 2025-11-19 by a strip whose first step is 0.5 mg/L passes: 3 months.
    stock_in(at, test_method="strip-25")
    assert held("B18").next_test_due == date(2026, 2, 19)
    assert PeroxideTest.objects.get(container=held("B18")).upper_ug_per_l == 500


def test_an_upper_bound_is_rounded_up_and_a_lower_one_down(at: Club) -> None:
    """By hand: 0.8765432 mg/L is 876.5432 µg/L, so below 877 µg/L is sure and below 876 µg/L is not."""
    row = "B51;ether;Sigma;1 L;0,5 L;2026-01-01;2026-02-01;;{};2026-10-01;"
    stock_in(at, sheet(row.format("< 0.8765432")), test_method="strip-25")
    test = PeroxideTest.objects.get()
    assert (test.lower_ug_per_l, test.upper_ug_per_l) == (0, 877)
    stock_in(at, sheet(row.replace("B51", "B52").format("0.8765432")), test_method="iodometric-titration")
    test = PeroxideTest.objects.get(container=held("B52"))
    assert test.lower_ug_per_l <= 876
    assert test.upper_ug_per_l is None or test.upper_ug_per_l >= 877


def test_facts_of_lots_tests_signs_and_remarks(at: Club) -> None:
    stock_in(at)
    ether = held("B02").lot
    assert ether is not None
    assert (ether.inhibited, ether.inhibitor, ether.inhibitor_ppm) == (True, "BHT", Decimal(7))
    distilled = held("B27").lot
    assert distilled is not None
    facts = (distilled.origin, distilled.inhibited, distilled.made_on, distilled.times_distilled)
    assert facts == ("recovered", False, date(2023, 10, 25), 1)
    assert (held("B02").opened, held("B02").opened_on) == ("opened", None)
    assert held("B14").note == "crystals round the cap??"
    assert PeroxideTest.objects.count() == 9
    # "vented cabinet " and "Vented cabinet" are one place.
    assert at.lab.locations.count() == 4


def test_crystals_in_a_remark_open_a_sign(at: Club) -> None:
    stock_in(at)
    assert held("B14").worst_sign == "crystals"
    sign = Observation.objects.get(container=held("B14"))
    assert (sign.sign, sign.words, sign.seen_on) == ("crystals", "crystals", COUNTED_ON)
    assert held("B07").worst_sign == "label-unreadable"
    assert held("B02").worst_sign == "cap-stuck"


def test_the_report_and_the_records_call_a_sign_by_one_name(at: Club) -> None:
    report = stock_in(at)
    told = {said.code.removeprefix("sign-") for said in report.outcomes if said.code.startswith("sign-")}
    kept = set(Observation.objects.values_list("sign", flat=True))
    assert "label-unreadable" in told
    assert told <= kept <= set(SIGNS)


def test_a_question_mark_for_a_reading_is_a_sign_and_no_test(at: Club) -> None:
    stock_in(at, sheet("B1;THF;bought;1 L;300 mL;2026-01-05;2026-02-01;;?;2026-06-01;"))
    assert held("B1").worst_sign == "peroxide-unknown"
    assert not PeroxideTest.objects.exists()


def test_an_undated_reading_harms_and_never_helps(at: Club) -> None:
    rows = (
        "B1;THF;bought;1 L;300 mL;2026-01-05;2026-10-20;BHT;<1;;",
        "B2;THF;bought;1 L;300 mL;2026-01-05;2026-10-20;BHT;60;;",
    )
    stock_in(at, sheet(*rows))
    # Inhibited class B: unopened 12 months after receipt, which opening does not put off; by that alone
    # it would be 2027-04-20. The undated pass does not lengthen that, the bad one is due.
    assert held("B1").next_test_due == date(2027, 1, 5)
    assert held("B2").due_code == "reading-at-or-above-level"


def test_the_audit_finds_every_figure_and_due_date_in_order(at: Club) -> None:
    stock_in(at)
    found = audit(lab=at.lab, full=True)
    assert (found.findings, found.due_dates) == ((), 34)


def test_the_same_list_twice_changes_nothing(at: Club) -> None:
    stock_in(at)
    before = row_counts()
    again = stock_in(at)
    assert again.counts == {"new": 0, "known": 34, "bad": 5, "unread": 0}
    assert row_counts() == before


def test_a_changed_row_of_a_known_bottle_is_told_and_not_applied(at: Club) -> None:
    stock_in(at, sheet("B1;acetone;bought;1 L;300 mL;2026-01-05;2026-02-01;;;;"))
    report = stock_in(at, sheet("B1;acetone;bought;1 L;900 mL;2026-01-05;2026-02-01;;;;"))
    assert errors(report) == {(2, "Bottle no.", "code-taken")}
    assert held("B1").volume_ul == 300_000


def test_a_bottle_entered_by_hand_is_not_overwritten(at: Club) -> None:
    stocked(at, "acetone", "500 mL", code="B1")
    report = stock_in(at, sheet("b1;acetone;bought;1 L;300 mL;2026-01-05;2026-02-01;;;;"))
    assert errors(report) == {(2, "Bottle no.", "code-taken")}


def test_all_or_none_writes_none(at: Club) -> None:
    before = row_counts()
    report = stock_in(at, all_or_none=True)
    assert (report.written, report.exit_code, report.counts["new"]) == (False, 1, 34)
    assert row_counts() == before


def test_a_dry_run_writes_nothing(at: Club) -> None:
    before = row_counts()
    report = stock_in(at, write=False)
    assert (report.written, report.counts["new"]) == (False, 34)
    assert row_counts() == before


def test_ambiguous_dates_are_asked_and_nothing_is_written(at: Club) -> None:
    rows = sheet("B1;acetone;bought;1 L;300 mL;05.06.2026;07.08.2026;;;;")
    asked = stock_in(at, rows)
    assert (asked.blocked, asked.written, asked.exit_code) == (True, False, 2)
    assert {q.code for q in asked.mapping.blocked} == {"date-order-unknown"}
    assert not Container.objects.exists()
    answered = stock_in(at, rows, date_order="day-first")
    assert answered.written
    assert (held("B1").received_on, held("B1").opened_on) == (date(2026, 6, 5), date(2026, 8, 7))


def test_a_mapping_kept_and_given_again_reads_the_same(at: Club) -> None:
    saved = to_json(stock_in(at, write=False).mapping)
    report = stock_in(at, mapping=from_json(saved))
    assert (report.counts["new"], to_json(report.mapping)) == (34, saved)
    other = second_club(now=NOW)
    by_hand: dict[str, Any] = {**report.as_dict()["mapping"], "date_order": "day-first"}
    assert stock_in(other, mapping=by_hand).counts["new"] == 34


def test_a_mapping_for_runs_is_refused(at: Club) -> None:
    with pytest.raises(InputError) as fault:
        stock_in(at, mapping={"target": "runs", "columns": {}})
    assert fault.value.field == "mapping.target"


def test_masses_come_in_by_density(at: Club) -> None:
    # Acetone 0.7899 to 0.791 g/mL at 20 °C (CRC Handbook): 395 g are 499 to 500 mL.
    stock_in(at, sheet("B1;acetone;bought;1 L;395 g;2026-01-05;2026-02-01;;;;"))
    assert 498_000 < held("B1").volume_ul < 501_000
    report = stock_in(at, sheet("B2;acetone;bought;250 mL;395 g;2026-01-05;2026-02-01;;;;"))
    assert errors(report) == {(2, "Left", "more-than-fits")}


def test_an_empty_bottle_comes_in_without_a_movement(at: Club) -> None:
    stock_in(at, sheet("B1;acetone;bought;1 L;0 mL;2026-01-05;2026-02-01;;;;"))
    assert held("B1").volume_ul == 0
    assert not Movement.objects.exists()
    assert audit(lab=at.lab, full=True).findings == ()


def test_what_does_not_fit_the_records_is_told(at: Club) -> None:
    head = HEAD.replace("Remarks", "Kept in")
    rows = (f"{'B' * 25};acetone;bought;1 L;1 mL;;;;;;shelf", f"B1;acetone;bought;1 L;1 mL;;;;;;{'s' * 121}")
    assert errors(stock_in(at, sheet(*rows, head=head))) == {
        (2, "Bottle no.", "code-too-long"),
        (3, "Kept in", "place-too-long"),
    }


def test_each_lab_has_its_own_bottles(at: Club) -> None:
    stock_in(at)
    assert stock_in(second_club(now=NOW)).counts["new"] == 34
    assert Container.objects.filter(lab=at.lab).count() == 34


def test_a_crash_in_the_middle_leaves_nothing(at: Club, monkeypatch: pytest.MonkeyPatch) -> None:
    """The power goes after the first of two chunks is in the database and before the second."""
    before = row_counts()
    monkeypatch.setattr(bulk, "CHUNK", 17)
    real, calls = bulk.insert, []

    def failing(model: Any, columns: Any, rows: Any) -> None:
        calls.append(model)
        if calls.count(ImportedRow) == 2:
            assert Container.objects.count() == 34
            raise RuntimeError("no power")
        real(model, columns, rows)

    monkeypatch.setattr(bulk, "insert", failing)
    with pytest.raises(RuntimeError):
        stock_in(at)
    assert row_counts() == before


def test_the_database_refuses_an_opening_above_capacity(at: Club) -> None:
    """The constraint bites in the bulk path too."""
    lot = Lot.objects.create(lab=at.lab, solvent=solvent("acetone"), origin="purchased", created_at=NOW)
    (place,) = bulk.take_ids(Place, 1)
    bulk.insert(Place, ["id", "lab_id", "kind"], [(place, at.lab.pk, "container")])
    line = Line("receive", lot.pk, lot.solvent_id, at.end("before-counting"), End(place, "container"), 2000)
    facts = {
        "id": bulk.take_ids(Container, 1)[0], "code": "B1", "capacity_ul": 1999, "material": "",
        "opened": "unknown", "atmosphere": "unknown", "counting_began_at": bulk.stored(NOW), "note": "",
        "due_code": "not-a-former", "due_words": "", "worst_sign": "", "version": 1,
        "created_at": bulk.stored(NOW),
    }  # fmt: skip
    opening = Opening(place, lot.pk, tuple(facts.values()), line)
    with pytest.raises(IntegrityError, match="container_volume_in_bounds"):
        ledger.open_balances(
            lab=at.lab, actor=at.steward, now=NOW, happened_at=NOW, columns=list(facts), openings=[opening]
        )


def test_bulk_posting_refuses_containers(at: Club) -> None:
    bottle = stocked(at, "acetone")
    assert bottle.lot is not None
    line = Line(
        "draw", bottle.lot.pk, bottle.lot.solvent_id, End(bottle.place_id, "container"), at.end("air"), 1
    )
    with pytest.raises(ValueError, match="left behind"):
        ledger.post_many(lab=at.lab, actor=at.steward, now=NOW, postings=[Posting(NOW, [line])])


def test_ids_taken_beforehand_clash_with_none(at: Club) -> None:
    taken = bulk.take_ids(Lot, 3)
    rows = [
        (pk, at.lab.pk, solvent("acetone").pk, "purchased", "", "", "", "", 0, bulk.stored(NOW), "")
        for pk in taken
    ]
    columns = ["id", "lab_id", "solvent_id", "origin", "maker", "maker_lot", "inhibitor", "assay"]
    bulk.insert(Lot, [*columns, "times_distilled", "created_at", "note"], rows)
    later = Lot.objects.create(lab=at.lab, solvent=solvent("acetone"), origin="purchased", created_at=NOW)
    assert later.pk > max(taken)
    assert connection.in_atomic_block
