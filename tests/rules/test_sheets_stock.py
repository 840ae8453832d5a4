"""Stock rows: what stops a row, what is kept at its worse, what makes a row the same row."""

from __future__ import annotations

import gc
import time
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.rules.catalogue import resolve
from inventory.rules.errors import InputError
from inventory.rules.sheets.headers import suggest_mapping
from inventory.rules.sheets.reading import Table, read_table
from inventory.rules.sheets.stock import StockPlan, StockRow, plan_stock

TODAY = date(2026, 11, 25)
HEADER = "Code;Solvent;Origin;Size;Left;Received;Opened;Inhibitor;Place;Peroxides;Tested;Method;Remarks"
GOOD = {
    "code": "B1",
    "solvent": "ether",
    "origin": "bought",
    "size": "1000 mL",
    "left": "500 mL",
    "received": "2026-01-10",
    "opened": "2026-02-10",
    "inhibitor": "BHT",
    "place": "shelf",
    "peroxides": "<1",
    "tested": "2026-05-01",
    "method": "",
    "remarks": "",
}


def line(**changes: str) -> str:
    return ";".join({**GOOD, **changes}.values())


def plan(*lines: str, known: dict[str, str | None] | None = None, counted_on: date = TODAY) -> StockPlan:
    table = read_table("\n".join([HEADER, *lines]).encode(), delimiter=";")
    mapping = suggest_mapping(table.headers, "stock", table)
    return plan_stock(
        table, mapping, today=TODAY, counted_on=counted_on, known_codes=known or {}, resolve=resolve
    )


def one(**changes: str) -> StockRow:
    found = plan(line(**changes))
    assert len(found.rows) == 1, found.outcomes
    return found.rows[0]


def warnings(**changes: str) -> set[str]:
    return {o.code for o in plan(line(**changes)).outcomes if o.level == "warning"}


def test_a_plain_row_says_nothing() -> None:
    found = plan(line())
    assert found.outcomes == ()
    assert found.rows[0].tested_since_opening


@pytest.mark.parametrize(
    ("changes", "column", "code"),
    [
        ({"code": " "}, "Code", "code-missing"),
        ({"solvent": "solvent X"}, "Solvent", "unknown-solvent"),
        ({"solvent": ""}, "Solvent", "solvent-missing"),
        ({"solvent": "(" * 9000}, "Solvent", "solvent-too-long"),
        ({"left": "half"}, "Left", "not-a-number"),
        ({"left": ""}, "Left", "empty"),
        ({"left": "-50 mL"}, "Left", "negative"),
        ({"left": "1.2 L"}, "Left", "more-than-fits"),
        ({"left": "1,200 mL"}, "Left", "ambiguous-number"),
        ({"left": "1 pint"}, "Left", "ambiguous-unit"),
        ({"size": "0 mL"}, "Size", "zero"),
        ({"received": "2026-02-30"}, "Received", "date-impossible"),
        ({"received": "2027-01-01"}, "Received", "date-future"),
        ({"opened": "2027-01-01"}, "Opened", "date-future"),
        ({"tested": "2027-01-01"}, "Tested", "date-future"),
        ({"opened": "05.06.2026"}, "Opened", "date-order-unknown"),
        ({"peroxides": "lots"}, "Peroxides", "reading-not-understood"),
    ],
)
def test_what_stops_a_row(changes: dict[str, str], column: str, code: str) -> None:
    found = plan(line(**changes), line(code="B2"))
    assert [r.code for r in found.rows] == ["B2"]
    said = [(o.line, o.column, o.code) for o in found.outcomes if o.level == "error" and o.line]
    assert said == [(2, column, code)]
    assert all(o.reason and o.remedy for o in found.outcomes if o.level == "error")


def test_all_faults_of_a_row_are_named_at_once() -> None:
    found = plan(
        line(solvent="solvent X", left="half", received="2026-02-30", opened="2027-01-01", peroxides="lots")
    )
    assert {o.column for o in found.outcomes} == {"Solvent", "Left", "Received", "Opened", "Peroxides"}


def test_a_misspelt_solvent_comes_with_suggestions() -> None:
    found = plan(line(solvent="ethyl acettate"))
    assert "ethyl" in found.outcomes[0].remedy


def test_the_second_of_two_equal_codes_is_bad_and_names_the_first() -> None:
    found = plan(line(), line(code="B2"), line(code=" b1 "))
    assert [r.code for r in found.rows] == ["B1", "B2"]
    assert [(o.line, o.code) for o in found.outcomes] == [(4, "code-twice")]
    assert "line 2" in found.outcomes[0].reason


def test_a_row_with_cells_to_spare_is_bad() -> None:
    assert plan(line() + ";oops").bad_lines == {2}


def test_sealed_is_believed_only_while_nothing_speaks_against_it() -> None:
    full = {"left": "1 L", "peroxides": "", "tested": ""}
    assert one(**full, opened="sealed").opened.state == "unopened"
    assert one(**full, opened="").opened.state == "not-stated"
    drawn = one(opened="sealed")
    assert (drawn.opened.state, drawn.opened.opened_on) == ("opened", None)
    assert "sealed-doubtful" in warnings(opened="sealed")
    assert "sealed-doubtful" in warnings(opened="sealed", left="1 L")
    assert "opening-assumed" in warnings(opened="")
    assert "opened-unknown" in warnings(opened="?")


def test_opened_before_received_takes_the_earlier_day() -> None:
    row = one(opened="2025-12-01")
    assert (row.received_on, row.opened.opened_on) == (date(2025, 12, 1), date(2025, 12, 1))
    assert warnings(opened="2025-12-01") == {"dates-doubtful"}


def test_a_doubt_about_the_dates_makes_the_opening_unknown() -> None:
    row = one(remarks="dates?")
    assert (row.opened.state, row.opened.opened_on) == ("opened", None)
    assert not row.tested_since_opening


def test_tests_that_vouch_for_less() -> None:
    assert warnings(tested="2026-01-20") == {"tested-before-opened"}
    assert warnings(tested="2026-01-01") == {"tested-before-opened", "tested-before-received"}
    assert not one(tested="2026-01-20").tested_since_opening
    assert warnings(tested="") == {"test-undated"}
    assert one(tested="").reading is not None
    assert warnings(peroxides="") == {"test-without-result"}
    assert warnings(received="") == {"received-unknown"}


def test_doubtful_readings_are_kept_as_signs() -> None:
    row = one(peroxides="?")
    assert row.reading is None
    assert [s.code for s in row.signs] == ["peroxide-unknown"]
    assert "reading-doubtful" in warnings(peroxides="?")


def test_a_negative_counts_by_its_method() -> None:
    assert one(peroxides="neg").reading.upper_mg_per_l is None  # type: ignore[union-attr]
    assert one(peroxides="neg", method="strip 100").reading.upper_mg_per_l == 1  # type: ignore[union-attr]


def test_inhibitors_that_disagree_count_as_none() -> None:
    assert one(solvent="ether (BHT)", inhibitor="").inhibitor.name == "BHT"
    assert one(solvent="ether (BHT)", inhibitor="no").inhibitor.state == "no"
    assert one(solvent="ether (BHT)", inhibitor="?").inhibitor.state in ("yes", "not-stated")
    assert one(solvent="ether (BHT)", inhibitor="yes").inhibitor.name == "BHT"
    assert one(origin="distilled here", inhibitor="yes").inhibitor.state == "no"
    assert one(origin="distilled here", inhibitor="BHT").inhibitor.state == "yes"
    assert "inhibitor-unknown" in warnings(inhibitor="magic")
    assert "origin-unknown" in warnings(origin="the moon")


def test_masses_are_kept_for_the_density() -> None:
    row = one(left="210 g")
    assert (row.left.dimension, row.left.text) == ("mass", "210 g")


def test_days_after_the_count_are_told() -> None:
    found = plan(line(), counted_on=date(2026, 4, 1))
    assert {o.code for o in found.outcomes} == {"after-the-count"}
    with pytest.raises(InputError) as fault:
        plan(line(), counted_on=TODAY + timedelta(days=1))
    assert fault.value.field == "counted_on"


def test_the_same_row_again_changes_nothing_and_another_is_refused() -> None:
    first = one()
    again = plan(line(place=" Shelf ", solvent="ETHER"), known={"b1": first.fingerprint})
    assert (again.rows, len(again.repeated), again.bad_lines) == ((), 1, frozenset())
    other = plan(line(left="400 mL"), known={"B1": first.fingerprint})
    assert [(o.line, o.code) for o in other.outcomes if o.level == "error"] == [(2, "code-taken")]
    assert plan(line(), known={"B1": None}).bad_lines == {2}


def test_a_german_list_with_tabs_decimal_commas_and_windows_letters() -> None:
    text = (
        "Flasche\tLösungsmittel\tGröße\tRestmenge\tErhalten am\tGeöffnet\t"
        "Stabilisator\tHaltbar bis\tBemerkung\r\n"
        "F1\tDiethylether\t2,5 L\t0,75 L\t5.6.2026\t17.6.2026\tBHT\t31.12.2027\tleicht trüb\r\n"
        "F2\tacetone\t1 L\t1 L\t19.6.2026\tverschlossen\tnein\t\tkeine Kristalle\r\n"
    )
    table = read_table(text.encode("cp1252"))
    mapping = suggest_mapping(table.headers, "stock", table)
    found = plan_stock(table, mapping, today=TODAY, counted_on=TODAY, known_codes={}, resolve=resolve)
    # The expiry column has one date, 31.12.2027, which is proof enough for its own column.
    first, second = found.rows
    assert (first.left.to("mL"), first.received_on, first.opened.opened_on) == (
        Decimal(750),
        date(2026, 6, 5),
        date(2026, 6, 17),
    )
    assert (first.expires_on, [s.code for s in first.signs]) == (date(2027, 12, 31), ["cloudy"])
    assert (second.opened.state, second.inhibitor.state, second.signs) == ("unopened", "no", ())


def test_a_missing_column_stops_everything_once() -> None:
    table = read_table(b"Code;Solvent\nB1;ether\nB2;ether\n")
    mapping = suggest_mapping(table.headers, "stock", table)
    found = plan_stock(table, mapping, today=TODAY, counted_on=TODAY, known_codes={}, resolve=resolve)
    assert found.blocked
    assert (found.rows, {o.line for o in found.outcomes}) == ((), {0})


CELL = st.text(st.characters(exclude_categories=("Cs", "Cc"), exclude_characters=';"'), max_size=12)
ODD = st.sampled_from(
    ["?", "", "0", "-1 mL", "sealed", "2026-02-30", "31.12.2025", "neg", "1 L", "500", "BHT"]
)


@given(st.lists(st.dictionaries(st.sampled_from(sorted(GOOD)), CELL | ODD), max_size=4))
def test_any_list_is_planned_and_every_row_is_accounted_for(changes: list[dict[str, str]]) -> None:
    lines = [line(code=f"B{n}", **{k: v for k, v in c.items() if k != "code"}) for n, c in enumerate(changes)]
    found = plan(*lines)
    assert {r.line for r in found.rows} | found.bad_lines == set(range(2, len(lines) + 2))
    for row in found.rows:
        if row.left.dimension == row.size.dimension == "volume":
            assert 0 <= row.left.to("mL") <= row.size.to("mL")
        assert row.opened.state == "opened" or row.left.to("mL") == row.size.to("mL")
        assert all(
            day is None or day <= TODAY for day in (row.received_on, row.opened.opened_on, row.tested_on)
        )


@pytest.mark.once
def test_planning_costs_little_beside_reading_its_dates_alone() -> None:
    """As a ratio in one process: 20 000 rows a second on an idle machine is a ratio of about 2.4."""
    days = [date(2025, 1, 1) + timedelta(days=n % 300) for n in range(50_000)]
    rows = [
        line(code=f"X{n}", left=f"{n % 9000 / 10} mL", received=str(day), opened=str(day), tested=str(day))
        for n, day in enumerate(days)
    ]
    table = read_table("\n".join([HEADER, *rows]).encode())
    mapping = suggest_mapping(table.headers, "stock", table)
    # As timeit does: what else this process keeps alive would be gone through again and again.
    gc.collect()
    gc.disable()
    try:
        turns = [_floor_and_ours(rows, table, mapping) for _ in range(3)]
    finally:
        gc.enable()
    assert {planned for _, _, planned in turns} == {len(rows)}
    # The least of each: what other work disturbed least. Beside much of it the ratio is 3 to 5.
    assert min(ours for _, ours, _ in turns) / min(floor for floor, _, _ in turns) <= 8


def _floor_and_ours(rows: list[str], table: Table, mapping: Any) -> tuple[float, float, int]:
    """Processor seconds of reading the dates and of planning, and how many rows were planned."""
    began = time.process_time()
    for _ in range(3):
        read = [
            [date.fromisoformat(text) for text in row.split(";") if text.startswith("2025-")] for row in rows
        ]
    floor = time.process_time() - began
    assert len(read) == len(rows)
    began = time.process_time()
    found = plan_stock(table, mapping, today=TODAY, counted_on=TODAY, known_codes={}, resolve=resolve)
    return floor, time.process_time() - began, len(found.rows)
