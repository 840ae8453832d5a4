"""A workbook as a spreadsheet saves it, built here part by part as ECMA-376 part 1 describes them."""

from __future__ import annotations

import io
import zipfile
from typing import Any

import pytest

from inventory.rules.errors import InputError
from inventory.rules.sheets import workbook
from inventory.rules.sheets.reading import read_table

SPACE = 'xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"'
LINKS = 'xmlns:r="http://schemas.openxmlformats.org/officeDocument/2006/relationships"'
MAIN = (
    f"<workbook {SPACE} {LINKS}><workbookPr/><sheets>"
    '<sheet name="old" sheetId="1" state="hidden" r:id="rId9"/>'
    '<sheet name="bottles" sheetId="2" r:id="rId1"/></sheets></workbook>'
)
RELATIONS = '<Relationships><Relationship Id="rId1" Target="worksheets/sheet1.xml"/></Relationships>'
STRINGS = (
    f"<sst {SPACE}><si><t>Bottle</t></si><si><t>Left</t></si>"
    "<si><r><t>Got</t></r><r><t> on</t></r></si></sst>"
)
# Formats: 0 general, 1 the built-in 14 (a date, 18.8.30), 2 own with a day, 3 own with a quoted word only.
STYLES = (
    f'<styleSheet {SPACE}><numFmts><numFmt numFmtId="164" formatCode="dd.mm.yyyy"/>'
    '<numFmt numFmtId="165" formatCode="0&quot; days&quot;"/></numFmts><cellXfs><xf numFmtId="0"/>'
    '<xf numFmtId="14"/><xf numFmtId="164"/><xf numFmtId="165"/></cellXfs></styleSheet>'
)
# 25569 is 1970-01-01, the day from which computers count (well known; 18.17.4.1 begins at the end of 1899).
SHEET = (
    f'<worksheet {SPACE}><sheetData><row r="1"><c r="A1" t="s"><v>0</v></c><c r="B1" t="s"><v>1</v></c>'
    '<c r="C1" t="s"><v>2</v></c><c r="D1" t="inlineStr"><is><t>Note</t></is></c></row>'
    '<row r="3"><c r="A3" t="str"><v>B1</v></c><c r="B3"><v>0.19</v></c>'
    '<c r="C3" s="1"><v>25569</v></c></row>'
    '<row r="4"><c r="A4" t="inlineStr"><is><t>B2</t></is></c><c r="C4" s="2"><v>25570.75</v></c>'
    '<c r="D4" s="3"><v>250</v></c></row></sheetData></worksheet>'
)


def packed(**parts: str) -> bytes:
    told = {
        "xl/workbook.xml": MAIN, "xl/_rels/workbook.xml.rels": RELATIONS, "xl/sharedStrings.xml": STRINGS,
        "xl/styles.xml": STYLES, "xl/worksheets/sheet1.xml": SHEET,
    }  # fmt: skip
    told |= {f"xl/{name}.xml": text for name, text in parts.items()}
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in told.items():
            archive.writestr(name, text)
    return made.getvalue()


def test_the_first_sheet_is_read_with_the_rows_that_one_sees() -> None:
    table = read_table(packed())
    assert (table.headers, table.encoding) == (["Bottle", "Left", "Got on", "Note"], "xlsx")
    assert [(row.line, *row.cells.values()) for row in table.rows] == [
        (3, "B1", "0.19", "1970-01-01", ""),
        (4, "B2", "", "1970-01-02", "250 days"),
    ]
    assert table.problems == []


def test_days_may_count_from_1904() -> None:
    """18.17.4.1: the other base lies 1462 days later."""
    table = read_table(packed(workbook=MAIN.replace("<workbookPr/>", '<workbookPr date1904="1"/>')))
    assert table.rows[0].cells["Got on"] == "1974-01-02"
    first = packed(
        workbook=MAIN.replace("<workbookPr/>", '<workbookPr date1904="1"/>'),
        **{"worksheets/sheet1": SHEET.replace("25569", "0")},
    )
    assert read_table(first).rows[0].cells["Got on"] == "1904-01-01"
    assert (
        read_table(packed(**{"worksheets/sheet1": SHEET.replace("25569", "0")})).rows[0].cells["Got on"]
        == "0"
    )


# Codes as LibreOffice Calc 7.4 and Excel write them, and what they show of 2.5 (18.8.31).
FORMATS = [
    ("0.0&quot; mL&quot;", "2.5 mL"),
    ("0.00\\ \\L", "2.5 L"),
    ("&quot;&lt; &quot;0", "< 2.5"),
    ("0%", "250 %"),
    ("#,##0.00&quot; mL&quot;;[RED]\\-#,##0.00&quot; mL&quot;", "2.5 mL"),
    ("_-* #,##0.00\\ _€_-", "2.5"),
    ("#,##0.00", "2.5"),
    ("General", "2.5"),
    ("[$-407]d\\. mmmm yyyy", "1900-01-01"),
]


@pytest.mark.parametrize(("code", "shown"), FORMATS)
def test_a_number_keeps_the_words_of_its_format(code: str, shown: str) -> None:
    """A column of 2.5 shown as "2.5 L" beside 250 shown as "250 mL" would be wrong by a thousand without."""
    styles = STYLES.replace('formatCode="0&quot; days&quot;"', f'formatCode="{code}"')
    table = read_table(packed(styles=styles, **{"worksheets/sheet1": SHEET.replace("<v>250<", "<v>2.5<")}))
    assert table.rows[1].cells["Note"] == shown


def test_what_a_sheet_merges_or_hides_is_named_and_read() -> None:
    """As Calc saves a cabinet merged over three bottles, a hidden column and a filtered row."""
    sheet = SHEET.replace("<sheetData>", '<cols><col min="2" max="3" hidden="true"/></cols><sheetData>', 1)
    sheet = sheet.replace('<row r="4">', '<row r="4" hidden="true">').replace(
        "</sheetData>",
        '</sheetData><mergeCells count="2"><mergeCell ref="D3:D5"/><mergeCell ref="A9:C9"/></mergeCells>',
    )
    table = read_table(packed(**{"worksheets/sheet1": sheet}))
    assert [row.line for row in table.rows] == [3, 4]
    assert [(each.code, str(each.reason)) for each in table.problems] == [
        ("cells-merged", "Cells are merged over several rows: D3:D5."),
        ("sheet-hides", "The sheet hides columns (B, C) or rows (1)."),
    ]


def test_further_sheets_are_named_as_not_read() -> None:
    two = MAIN.replace('state="hidden"', "").replace('r:id="rId9"', 'r:id="rId1"')
    assert [each.code for each in read_table(packed(workbook=two)).problems] == ["sheet-first"]


@pytest.mark.parametrize(
    "parts",
    [
        {"workbook": "<workbook>"},
        {"workbook": f"<workbook {SPACE}><sheets/></workbook>"},
        {"sharedStrings": f"<sst {SPACE}/>"},
        {"worksheets/sheet1": SHEET.replace("25569", "many")},
        {"worksheets/sheet1": SHEET.replace('r="4"', 'r="2"')},
        {"worksheets/sheet1": '<!DOCTYPE a [<!ENTITY b "bbbb">]><worksheet>&b;</worksheet>'},
    ],
)
def test_what_is_no_workbook_is_refused(parts: dict[str, Any]) -> None:
    with pytest.raises(InputError) as told:
        read_table(packed(**parts))
    assert told.value.field == "file"


def test_a_small_file_does_not_unpack_to_a_large_one(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workbook, "PART_BYTES_MAX", 50_000)
    bomb = packed(styles=STYLES + " " * 60_000)
    assert len(bomb) < 10_000
    with pytest.raises(InputError, match="unpacks"):
        read_table(bomb)
