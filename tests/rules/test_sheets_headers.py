"""Free headers to fields, units and date orders by evidence, mapping files."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.rules.errors import InputError
from inventory.rules.sheets.dates import DateOrder
from inventory.rules.sheets.fields import FIELDS
from inventory.rules.sheets.headers import (
    Mapping,
    checked_mapping,
    from_json,
    suggest_mapping,
    to_json,
    with_date_order,
)
from inventory.rules.sheets.reading import Table, read_table


def table_of(text: str) -> Table:
    return read_table(text.encode())


def stock_of(header: str, *rows: str) -> Mapping:
    table = table_of("\n".join([header, *rows]))
    return suggest_mapping(table.headers, "stock", table)


def codes(mapping: Mapping, *, blocking: bool) -> dict[str, str]:
    return {q.column: q.code for q in mapping.questions if q.blocking == blocking}


BASE = "Bottle;Solvent;Size;Left"


@pytest.mark.parametrize("target", ["stock", "runs"])
def test_no_word_means_two_fields(target: str) -> None:
    words = [word for field in FIELDS[target] for word in field.words]  # type: ignore[index]
    assert sorted(words) == sorted(set(words))


def test_english_headers_with_units() -> None:
    mapping = stock_of(
        "Container no;Chemical;Capacity (mL);volume_mL;Date received;Opened on;Stored in;"
        "Peroxide test [mg/L];Tested on",
        "B1;ether;1000;500;2026-01-02;2026-02-02;shelf;<1;2026-03-01",
    )
    assert mapping.columns == {
        "code": "Container no",
        "solvent": "Chemical",
        "size": "Capacity (mL)",
        "left": "volume_mL",
        "received_on": "Date received",
        "opened": "Opened on",
        "location": "Stored in",
        "peroxide": "Peroxide test [mg/L]",
        "tested_on": "Tested on",
    }
    assert mapping.units == {"size": "mL", "left": "mL", "peroxide": "mg/L"}
    assert mapping.questions == ()


def test_german_headers() -> None:
    mapping = stock_of(
        "Flaschen-Nr.;Lösungsmittel;Flaschengröße;Restmenge in ml;Erhalten am;Geöffnet am;"
        "Stabilisator;Lagerort;Bemerkungen",
        "B1;Ether;1 L;500;2026-01-02;2026-02-02;BHT;Schrank;",
    )
    assert set(mapping.columns) == {
        "code", "solvent", "size", "left", "received_on", "opened", "inhibitor", "location", "remarks",
    }  # fmt: skip
    assert mapping.units["left"] == "mL"
    runs = table_of(
        "Datum;Wer;Wofür;Lösungsmittel;Aus Flasche;Entnommen;Zurück;Zurück in\n"
        "2026-01-02;A;x;Ether;B1;1 L;1 L;same\n"
    )
    assert set(suggest_mapping(runs.headers, "runs", runs).columns) == {
        "on", "operator", "purpose", "solvent", "code", "out", "back", "back_into",
    }  # fmt: skip


def test_two_headers_never_fill_one_field() -> None:
    mapping = stock_of(f"{BASE};Remarks;Notes", "B1;ether;1 L;1 L;a;b")
    assert list(mapping.columns.values()).count("Remarks") <= 1
    twice = stock_of("Bottle no;Bottle nr;Solvent;Size;Left", "B1;B1;ether;1 L;1 L")
    assert "code" not in twice.columns
    assert codes(twice, blocking=True) == {"code": "column-twice"}


def test_required_columns_are_asked_and_strange_ones_listed() -> None:
    mapping = stock_of("Bottle;Solvent;Left;Colour of shelf", "B1;ether;1 L;green")
    assert codes(mapping, blocking=True) == {"size": "column-missing"}
    assert mapping.unmapped == ("Colour of shelf",)


def test_a_header_that_its_cells_belie_is_not_taken() -> None:
    mapping = stock_of(f"{BASE};Date of peroxide test", "B1;ether;1 L;1 L;2026-01-02")
    assert "peroxide" not in mapping.columns
    assert mapping.unmapped == ("Date of peroxide test",)


def test_bare_numbers_take_the_one_unit_of_their_size() -> None:
    mapping = stock_of(BASE, "B1;ether;1 L;500 mL", "B2;ether;500;250", "B3;ether;2.5 L;0,4 L")
    # As litres 500 would be 500 000 mL, far from the 1000 to 2500 mL stated; only L is stated in Size.
    assert codes(mapping, blocking=True) == {"Size": "unit-unknown"}
    assert mapping.units == {"left": "mL"}
    assert codes(mapping, blocking=False) == {"Left": "unit-suggested"}


def test_a_column_without_any_unit_leans_on_the_others_or_asks() -> None:
    leaning = stock_of(BASE, "B1;ether;1000 mL;886", "B2;ether;500 mL;250")
    assert leaning.units == {"left": "mL"}
    asked = stock_of(BASE, "B1;ether;1000;886")
    assert codes(asked, blocking=True) == {"Size": "unit-unknown", "Left": "unit-unknown"}
    both = stock_of(BASE, "B1;ether;5 L;2 mL", "B2;ether;5 L;3 L", "B3;ether;5 L;2")
    assert codes(both, blocking=True) == {"Left": "unit-unknown"}


def test_an_ambiguous_unit_in_a_header_is_asked() -> None:
    mapping = stock_of("Bottle;Solvent;Size (gal);Left", "B1;ether;1;1 L")
    assert "unit-ambiguous" in codes(mapping, blocking=True).values()


def test_dates_are_asked_found_or_contradicted() -> None:
    header = f"{BASE};Received;Opened"
    row = "B1;ether;1 L;1 L"
    asked = stock_of(header, f"{row};05.06.2026;05/06/2026")
    assert codes(asked, blocking=True) == {"Received": "date-order-unknown", "Opened": "date-order-unknown"}
    found = stock_of(header, f"{row};05.06.2026;05/06/2026", f"{row};17.06.2026;06/17/2026")
    assert found.date_order == {
        "received_on": {".": DateOrder.DAY_FIRST},
        "opened": {"/": DateOrder.MONTH_FIRST},
    }
    assert codes(found, blocking=True) == {}
    mixed = stock_of(header, f"{row};17.06.2026;", f"{row};06.17.2026;")
    assert codes(mixed, blocking=True) == {"Received": "date-order-mixed"}
    short = stock_of(header, f"{row};17.06.26;")
    assert codes(short, blocking=True) == {"Received": "date-year-short"}


def test_what_the_user_says_is_taken_unless_a_line_belies_it() -> None:
    text = f"{BASE};Received\nB1;ether;1 L;1 L;05.06.2026\n"
    table = table_of(text)
    stated = suggest_mapping(table.headers, "stock", table, date_order=DateOrder.MONTH_FIRST)
    assert codes(stated, blocking=True) == {}
    table = table_of(text + "B2;ether;1 L;1 L;17.06.2026\n")
    belied = suggest_mapping(table.headers, "stock", table, date_order=DateOrder.MONTH_FIRST)
    assert codes(belied, blocking=True) == {"Received": "date-order-contradicted"}


def test_a_mapping_survives_its_file() -> None:
    table = table_of(f"{BASE};Received\nB1;ether;1000 mL;500;17.06.2026\n")
    mapping = suggest_mapping(table.headers, "stock", table, century=2000, method="strip-25")
    back = checked_mapping(from_json(to_json(mapping)), table)
    for name in ("target", "columns", "units", "date_order", "century", "method", "unmapped"):
        assert getattr(back, name) == getattr(mapping, name)
    plain = from_json('{"target": "runs", "columns": {"on": "Day"}, "date_order": "day-first"}')
    assert plain.date_order == {"on": {"*": DateOrder.DAY_FIRST}}
    assert with_date_order(plain, DateOrder.MONTH_FIRST) == plain


@pytest.mark.parametrize(
    ("body", "name"),
    [
        ("not json", "mapping"),
        ("[]", "mapping"),
        ("[" * 50_000, "mapping"),
        ({"target": "shop"}, "mapping.target"),
        ({"target": "stock", "colums": {}}, "mapping.colums"),
        ({"target": "stock", "columns": {"colour": "A"}}, "mapping.columns.colour"),
        ({"target": "stock", "columns": {"code": 3}}, "mapping.columns.code"),
        ({"target": "stock", "columns": {"code": "A", "solvent": "A"}}, "mapping.columns.solvent"),
        ({"target": "stock", "units": {"left": "barrel"}}, "mapping.units.left"),
        ({"target": "stock", "units": {"code": "mL"}}, "mapping.units.code"),
        ({"target": "stock", "date_order": {"code": "day-first"}}, "mapping.date_order.code"),
        ({"target": "stock", "date_order": {"opened": {"x": "day-first"}}}, "mapping.date_order.opened.x"),
        ({"target": "stock", "date_order": {"opened": "backwards"}}, "mapping.date_order.opened.*"),
        ({"target": "stock", "century": 1800}, "mapping.century"),
        ({"target": "stock", "century": True}, "mapping.century"),
        ({"target": "stock", "method": "taste"}, "mapping.method"),
        ({"target": "stock", "method": 3}, "mapping.method"),
    ],
)
def test_a_bad_mapping_names_its_key(body: object, name: str) -> None:
    with pytest.raises(InputError) as fault:
        from_json(body if isinstance(body, str) else json.dumps(body))
    assert fault.value.field == name
    assert fault.value.remedy


def test_a_mapping_for_another_file_names_the_header() -> None:
    table = table_of("Bottle;Solvent\nB1;ether\n")
    with pytest.raises(InputError) as fault:
        checked_mapping(from_json('{"target": "stock", "columns": {"code": "Botle"}}'), table)
    assert (fault.value.field, fault.value.code) == ("mapping.columns.code", "column-missing")
    assert "Bottle" in fault.value.remedy


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
)


@given(
    st.dictionaries(st.sampled_from(["target", "columns", "units", "date_order", "century", "method"]), JSON)
)
def test_any_json_is_a_mapping_or_an_input_error(body: dict[str, object]) -> None:
    try:
        from_json(json.dumps({"target": "stock", **body}))
    except InputError as fault:
        assert fault.field.startswith("mapping")


@given(st.lists(st.text(max_size=15), min_size=1, max_size=8), st.sampled_from(["stock", "runs"]))
def test_any_headers_are_mapped_at_most_once(headers: list[str], target: str) -> None:
    try:
        table = table_of(";".join(h.replace('"', "").replace(";", "") for h in headers) + "\n1;2;3\n")
    except InputError:
        return
    mapping = suggest_mapping(table.headers, target, table)  # type: ignore[arg-type]
    used = list(mapping.columns.values())
    assert len(used) == len(set(used))
    assert set(used) | set(mapping.unmapped) == set(table.headers)
