"""Run rows: what stops a row, what is a finding, what makes two runs two."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.rules.catalogue import resolve
from inventory.rules.sheets.headers import suggest_mapping
from inventory.rules.sheets.reading import read_table
from recovery.rules.sheets import BottleFacts, RunPlan, RunRow, plan_runs, totals_by_solvent

TODAY = date(2026, 11, 25)
HEADER = "Date;Who;What for;Solvent;From bottle;Out;Back;Back into;Remarks"
KNOWN = {"B1": "diethyl-ether", "B2": "acetone"}
GOOD = {
    "date": "2026-03-01",
    "who": "RT",
    "purpose": "fat in oat biscuits",
    "solvent": "Et2O",
    "bottle": "B1",
    "out": "100 mL",
    "back": "80 mL",
    "into": "same",
    "remarks": "",
}


def line(**changes: str) -> str:
    return ";".join({**GOOD, **changes}.values())


def plan(*lines: str, known: dict[str, str] = KNOWN, **kwargs: object) -> RunPlan:
    table = read_table("\n".join([HEADER, *lines]).encode(), delimiter=";")
    mapping = suggest_mapping(table.headers, "runs", table)
    return plan_runs(table, mapping, today=TODAY, known_codes=known, resolve=resolve, **kwargs)  # type: ignore[arg-type]


def one(**changes: str) -> RunRow:
    found = plan(line(**changes))
    assert len(found.rows) == 1, found.outcomes
    return found.rows[0]


def warnings(**changes: str) -> set[str]:
    return {o.code for o in plan(line(**changes)).outcomes if o.level == "warning"}


def test_a_plain_row_says_nothing() -> None:
    found = plan(line())
    assert found.outcomes == ()
    row = found.rows[0]
    assert (row.on, row.operator, row.solvent_key, row.code) == (
        date(2026, 3, 1),
        "RT",
        "diethyl-ether",
        "B1",
    )
    assert row.back is not None
    assert [row.out.to("mL"), row.back.to("mL")] == [100, 80]
    assert row.back_into == "same"


@pytest.mark.parametrize(
    ("changes", "column", "code"),
    [
        ({"date": "31.02.2026"}, "Date", "date-impossible"),
        ({"date": "2027-01-01"}, "Date", "date-future"),
        ({"date": ""}, "Date", "date-unreadable"),
        ({"bottle": "B99"}, "From bottle", "bottle-unknown"),
        ({"bottle": ""}, "From bottle", "code-missing"),
        ({"solvent": "acetone"}, "Solvent", "solvent-mismatch"),
        ({"solvent": "solvent X"}, "Solvent", "unknown-solvent"),
        ({"out": "some"}, "Out", "not-a-number"),
        ({"out": ""}, "Out", "empty"),
        ({"out": "0 mL"}, "Out", "zero"),
        ({"back": "-3 mL"}, "Back", "negative"),
        ({"back": "most"}, "Back", "not-a-number"),
    ],
)
def test_what_stops_a_row(changes: dict[str, str], column: str, code: str) -> None:
    found = plan(line(**changes), line())
    assert [r.line for r in found.rows] == [3]
    assert [(o.line, o.column, o.code) for o in found.outcomes if o.level == "error"] == [(2, column, code)]


def test_the_wrong_solvent_names_both() -> None:
    reason = plan(line(solvent="acetone")).outcomes[0].reason
    assert "acetone" in reason
    assert "diethyl-ether" in reason


def test_a_bottle_is_found_however_its_code_is_typed() -> None:
    assert one(bottle=" b1 ").code == "B1"


def test_no_solvent_named_takes_the_bottles_own() -> None:
    assert one(solvent="").solvent_key == "diethyl-ether"
    assert warnings(solvent="") == {"solvent-from-bottle"}


def test_more_back_than_out_is_a_finding() -> None:
    row = one(back="120 mL")
    assert [f.code for f in row.findings] == ["more-back-than-out"]
    assert warnings(back="120 mL") == {"more-back-than-out"}
    assert [f.code for f in one(back="120 mL", remarks="more back than out?").findings] == [
        "more-back-than-out"
    ]


def test_blank_back_is_nothing_recorded_and_zero_is_zero() -> None:
    blank = one(back="")
    assert (blank.back, blank.back_blank) == (None, True)
    assert warnings(back="") == {"back-blank"}
    zero = one(back="0 mL", into="")
    assert (zero.back.value, zero.back_blank, zero.back_into) == (0, False, None)  # type: ignore[union-attr]
    assert warnings(back="0", into="") == set()
    assert warnings(into="") == {"back-into-missing"}


def test_the_heel_is_read_from_the_remark() -> None:
    row = one(back="70 mL", remarks="left 20 ml in flask")
    assert row.heel is not None
    assert row.heel.to("mL") == 20
    tight = one(back="90 mL", remarks="left 20 ml in flask")
    assert {f.code for f in tight.findings} == {"heel-left", "heel-does-not-fit"}
    assert warnings(remarks="left 20 spoons") == {"heel-unreadable"}


def test_two_equal_rows_are_two_runs_yet_the_file_twice_changes_nothing() -> None:
    twice = plan(line(), line())
    prints = {r.fingerprint for r in twice.rows}
    assert len(prints) == 2
    again = plan(line(), line(), imported=prints)
    assert (again.rows, len(again.repeated)) == ((), 2)
    more = plan(line(), line(), line(), imported=prints)
    assert (len(more.rows), len(more.repeated)) == (1, 2)
    moved = plan(line(who="IK"), line(), imported=prints)
    assert [r.operator for r in moved.rows] == ["IK"]


def test_without_stock_the_bottles_are_a_question() -> None:
    found = plan(line(bottle="B99"), known={})
    assert found.blocked
    assert [(o.line, o.code) for o in found.outcomes if o.level == "error"] == [(0, "stock-missing")]
    assert found.rows[0].code == "B99"


def test_the_log_against_the_stock_list() -> None:
    facts = {"B1": BottleFacts(date(2026, 1, 1), date(2026, 4, 1), False, False)}
    found = plan(line(), line(date="2026-02-01"), line(date="2025-12-01", solvent="ether (BHT)"), facts=facts)
    assert [(o.line, o.code) for o in found.outcomes] == [
        (2, "drawn-before-opened"),
        (3, "drawn-before-opened"),
        (4, "drawn-before-received"),
        (4, "inhibitor-differs"),
    ]
    assert found.first_drawn == {"B1": date(2025, 12, 1)}
    sealed = plan(line(), facts={"B1": BottleFacts(unopened=True)})
    assert [o.code for o in sealed.outcomes] == ["drawn-while-sealed"]


def test_totals_never_add_unlike_things() -> None:
    rows = plan(line(), line(back=""), line(bottle="B2", solvent="acetone", out="1 L"), line(out="80 g")).rows
    totals = totals_by_solvent(rows)
    ether = totals["diethyl-ether"]
    # 100 + 100 out, 80 + nothing back; the weighed run is counted, not summed.
    assert (ether.runs, ether.weighed) == (3, 1)
    assert [ether.out_ml, ether.back_ml] == [200, 80]
    assert (totals["acetone"].runs, totals["acetone"].out_ml) == (1, Decimal(1000))


CELL = st.text(st.characters(exclude_categories=("Cs", "Cc"), exclude_characters=';"'), max_size=12)
ODD = st.sampled_from(
    ["?", "", "0", "-1 mL", "31.02.2026", "31.12.2025", "1 L", "500", "same", "left 20 ml", "B2"]
)


@given(st.lists(st.dictionaries(st.sampled_from(sorted(GOOD)), CELL | ODD), max_size=4))
def test_any_log_is_planned_and_every_row_is_accounted_for(changes: list[dict[str, str]]) -> None:
    lines = [line(**{"who": "RT", **c}) + ";" for c in changes]
    found = plan(*lines)
    planned = {r.line for r in found.rows}
    assert not planned & found.bad_lines
    assert len(planned | found.bad_lines) + sum(not x.strip("; ") for x in lines) >= len(lines)
    assert all(r.out.value > 0 and r.on <= TODAY for r in found.rows)
    assert len({r.fingerprint for r in found.rows}) == len(found.rows)
