"""Bytes to tables: encodings, delimiters, quotes, odd rows, bounds."""

from __future__ import annotations

import csv
import gc
import io
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.rules.errors import InputError
from inventory.rules.sheets import reading
from inventory.rules.sheets.reading import read_table


def codes(data: bytes) -> dict[int, str]:
    return {p.line: p.code for p in read_table(data).problems}


@pytest.mark.parametrize("mark", [";", ",", "\t", "|"])
def test_finds_the_delimiter(mark: str) -> None:
    text = f"Bottle{mark}What{mark}Left\nB1{mark}ether{mark}12 mL\nB2{mark}THF{mark}1 L\n"
    table = read_table(text.encode())
    assert (table.delimiter, table.headers) == (mark, ["Bottle", "What", "Left"])
    assert table.rows[1].cells == {"Bottle": "B2", "What": "THF", "Left": "1 L"}


def test_decimal_commas_do_not_make_the_comma_the_delimiter() -> None:
    table = read_table(b"Bottle;Size, nominal;Left\nB1;0,50 L;0,19 L\nB2;1,5 L;0,2 L\n")
    assert table.delimiter == ";"
    assert table.rows[0].cells["Left"] == "0,19 L"


def test_a_line_that_names_the_delimiter_is_obeyed_and_counted() -> None:
    table = read_table(b"sep=;\r\nA;B\r\n1;2\r\n")
    assert (table.delimiter, table.headers, table.rows[0].line) == (";", ["A", "B"], 3)


@pytest.mark.parametrize(
    ("encoding", "named"),
    [
        ("utf-8", "utf-8"),
        ("utf-8-sig", "utf-8-sig"),
        ("utf-16", "utf-16"),
        ("utf-32", "utf-32"),
        ("cp1252", "cp1252"),
    ],
)
def test_reads_each_encoding(encoding: str, named: str) -> None:
    table = read_table("Flasche;Größe\nB1;½ L – ca.\n".encode(encoding))
    assert table.encoding == named
    assert table.headers == ["Flasche", "Größe"]
    assert table.rows[0].cells["Größe"] == "½ L – ca."
    assert bool(table.problems) == (named == "cp1252")


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_lines_are_counted_as_they_stand_in_the_file(end: str) -> None:
    text = end.join(["", "A;B", "", "1;2", ";", '"two', 'lines";3', "4;5"])
    table = read_table(text.encode())
    assert [row.line for row in table.rows] == [4, 6, 8]


def test_mixed_line_ends_are_counted_too() -> None:
    table = read_table(b"A;B\r\n1;2\n3;4\r5;6")
    assert [(r.line, r.cells["A"]) for r in table.rows] == [(2, "1"), (3, "3"), (4, "5")]


def test_short_and_long_rows_are_told() -> None:
    table = read_table(b"A;B;C\n1;2\n1;2;3;4\n1;2;3;;\n")
    assert table.rows[0].cells == {"A": "1", "B": "2", "C": ""}
    assert [(p.line, p.code, p.level) for p in table.problems] == [
        (2, "too-few-cells", "info"),
        (3, "too-many-cells", "error"),
    ]


def test_empty_and_double_headers_get_names_of_their_own() -> None:
    table = read_table(b"A;;A;A (2);B\n1;2;3;4;5\n")
    assert len(set(table.headers)) == 5
    assert table.rows[0].cells["A"] == "1"
    assert list(table.rows[0].cells.values()) == ["1", "2", "3", "4", "5"]
    assert {p.code for p in table.problems} == {"header-empty", "header-twice"}


def test_a_quote_never_closed_is_named_with_its_line() -> None:
    with pytest.raises(InputError, match="line 3") as fault:
        read_table(b'A;B\n1;2\n3;"four\n5;6\n7;8\n')
    assert fault.value.code == "quote-not-closed"


def test_a_quote_that_swallows_rows_is_an_error_of_its_row() -> None:
    data = b'A;B;C\n1;2;"x\n3;4;5\n6;7;y"\n8;9;10\n'
    assert codes(data) == {2: "quote-not-closed"}
    assert codes(b'A;B;C\n1;2;"x\ny"\n') == {}


@pytest.mark.parametrize(
    ("data", "code"),
    [
        (b"", "file-empty"),
        (b"\xef\xbb\xbf\r\n;;\r\n", "file-empty"),
        (b"PK\x03\x04 a workbook", "file-not-text"),
        (b"A;B\n1;\x00", "file-not-text"),
        (b"A;B\n\x81\x8d;\xff", "encoding-unknown"),
        (b"\xff\xfeA", "encoding-unknown"),
        (b"A;B\n1;" + b"x" * 10_001, "cell-too-long"),
        (b"A;B\n1;" + b"x" * 200_000, "row-unreadable"),
        (b"x" * 201 + b";B\n1;2\n", "header-too-long"),
        (b";".join([b"h"] * 201), "too-many-columns"),
        (b"A;B\n" + b"1;2\n" * 200_001, "too-many-rows"),
        (b";".join(b"h%d" % n for n in range(200)) + b"\n1" * 25_001, "too-many-cells"),
        (b"x" * 20_000_001, "file-too-large"),
    ],
)
def test_what_is_no_table_is_refused(data: bytes, code: str) -> None:
    with pytest.raises(InputError) as fault:
        read_table(data)
    assert (fault.value.field, fault.value.code) == ("file", code)
    assert fault.value.remedy


def test_a_delimiter_can_be_stated_but_not_any() -> None:
    assert read_table(b"A|B;C\n1|2;3\n", delimiter=";").headers == ["A|B", "C"]
    with pytest.raises(InputError) as fault:
        read_table(b"A:B\n", delimiter=":")
    assert fault.value.field == "delimiter"


@given(st.binary(max_size=400))
def test_any_bytes_give_a_table_or_an_input_error(data: bytes) -> None:
    try:
        table = read_table(data)
    except InputError as fault:
        assert fault.field == "file"
        return
    assert all(list(row.cells) == table.headers for row in table.rows)


CELL = st.text(st.characters(exclude_categories=("Cs", "Cc")) | st.sampled_from('\n";,|\t '), max_size=12)
HEADERS = st.lists(st.from_regex(r"[A-Za-z][a-z]{0,8}", fullmatch=True), min_size=2, max_size=6, unique=True)


@given(st.data(), HEADERS, st.sampled_from(reading.DELIMITERS), st.sampled_from(["\n", "\r\n"]))
def test_any_table_written_by_the_book_is_read_back(
    data: st.DataObject, headers: list[str], mark: str, end: str
) -> None:
    rows = data.draw(st.lists(st.lists(CELL, min_size=len(headers), max_size=len(headers)), max_size=6))
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=mark, lineterminator=end)
    writer.writerows([headers, *rows])
    table = read_table(out.getvalue().encode("utf-8-sig"), delimiter=mark)
    assert table.headers == headers
    kept = [row for row in rows if any(cell.strip() for cell in row)]
    assert [list(r.cells.values()) for r in table.rows] == kept


@pytest.mark.once
def test_a_hundred_thousand_rows_cost_little_more_than_to_split_them() -> None:
    """The floor is the standard library's reader on the same text."""
    row = "B1;Diethyl ether;bought;1000 mL;886 mL;2024-03-22;2024-08-20;yes;Vented cabinet;;;\r\n"
    data = ("a;b;c;d;e;f;g;h;i;j;k;l\r\n" + row * 100_000).encode()
    # What earlier tests left in memory is not to be gone through at our cost.
    gc.collect()
    gc.freeze()
    began = time.process_time()
    floor = len(list(csv.reader(io.StringIO(data.decode()), delimiter=";")))
    split = time.process_time()
    assert len(read_table(data).rows) == floor - 1 == 100_000
    took = time.process_time() - split
    gc.unfreeze()
    assert took < 10 * (split - began)


@pytest.mark.parametrize("title", ["Our bottles in autumn", "Our bottles in autumn;;;", "Club\n\nautumn;;;"])
def test_a_title_above_the_table_is_left_out_and_named(title: str) -> None:
    table = read_table(f"{title}\nBottle;What;Size\nB1;acetone;1 L\n".encode())
    assert table.headers == ["Bottle", "What", "Size"]
    assert [row.cells["What"] for row in table.rows] == ["acetone"]
    assert {each.code for each in table.problems} == {"title-left-out"}


def test_a_single_column_is_no_title() -> None:
    table = read_table(b"Bottle\nB1\nB2\n")
    assert (table.headers, len(table.rows), table.problems) == (["Bottle"], 2, [])
