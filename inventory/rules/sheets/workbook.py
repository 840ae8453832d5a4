"""A workbook (Office Open XML, as spreadsheets save it) to the text of its first sheet, tabs between cells.

Parts and cell types as in ECMA-376 part 1, chapter 18: shared strings (18.4), number formats (18.8.30, 31),
dates as days since the end of 1899 (18.17.4.1). A date comes out as 2026-01-31, a number as it was typed with
the words that its format puts around it (`0" mL"`), 0.25 shown as 25 % as "25 %", a formula as its last
result. A row of the sheet is a line of the text, so that remarks name the row one sees.
"""

from __future__ import annotations

import csv
import io
import re
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from xml.etree.ElementTree import Element, TreeBuilder
from xml.parsers import expat

from inventory.rules.errors import InputError
from inventory.rules.phrases import Phrase

# Unpacked; a small archive can hold any amount of nothing.
PART_BYTES_MAX = 12_000_000
ROWS_MAX = 200_000
COLUMNS_MAX = 200
MAIN, RELATIONS = "xl/workbook.xml", "xl/_rels/workbook.xml.rels"
STRINGS, STYLES = "xl/sharedStrings.xml", "xl/styles.xml"
DATE_FORMATS = frozenset([*range(14, 18), 22, *range(27, 37), *range(50, 59)])
# Of a format code: what is quoted, escaped or in brackets says nothing of days.
_NOT_CODE = re.compile(r'"[^"]*"|\\.|\[[^\]]*\]')
# The words of a format: quoted, or one sign behind a stroke. A gap as wide as a sign is none.
_WORDS = re.compile(r'"([^"]*)"|\\(.)|[_*].|\[[^\]]*\]')
_DIGITS = re.compile(r"[0#?][0#?.,]*")
PERCENT_FORMATS = frozenset([9, 10])
_CELL = re.compile(r"([A-Z]{1,3})\d+")
# What a part that is missing, cut off, packed otherwise or no such part comes to.
_BROKEN = (
    zipfile.BadZipFile,
    zlib.error,
    expat.ExpatError,
    LookupError,
    ValueError,
    ArithmeticError,
    RuntimeError,
    EOFError,
    OSError,
)
_SAVE_AS = Phrase("Save the sheet as CSV text (UTF-8) and import that file.")


@dataclass(frozen=True, slots=True)
class Sheet:
    """text: tabs between cells. sheets: how many are shown. merged: ranges such as "G2:G4" over several rows.

    hidden_columns: their letters; hidden_rows: how many. Both are read like the others.
    """

    text: str
    sheets: int
    merged: tuple[str, ...]
    hidden_columns: tuple[str, ...]
    hidden_rows: int


@dataclass(frozen=True, slots=True)
class _Format:
    """How a number is shown: as a date, in per cent, with words before and after it."""

    dated: bool = False
    percent: bool = False
    before: str = ""
    after: str = ""


def workbook_text(data: bytes) -> Sheet:
    """The first sheet that is shown, and what of it a person may not see at once.

    Raises InputError naming the field "file" for anything that is no such workbook.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            return _Workbook(archive).text()
    except InputError:
        raise
    except _BROKEN as fault:
        detail = Phrase("This is not a text table, nor a workbook (XLSX) that can be read.")
        raise InputError("file", "file-not-text", detail, _SAVE_AS) from fault


class _Workbook:
    def __init__(self, archive: zipfile.ZipFile) -> None:
        self.archive, self.names = archive, set(archive.namelist())
        self.main = self.part(MAIN)
        settings = self.main.find("workbookPr")
        since_1904 = settings is not None and settings.get("date1904") in ("1", "true")
        self.day_zero = date(1904, 1, 1) if since_1904 else date(1899, 12, 30)
        self.strings = [_words(item) for item in self.part(STRINGS)] if STRINGS in self.names else []
        self.formats = self._formats() if STYLES in self.names else []

    def part(self, name: str) -> Element:
        """One part as a tree without name spaces. Raises InputError for one that unpacks to too much."""
        if self.archive.getinfo(name).file_size > PART_BYTES_MAX:
            detail = Phrase(
                "The workbook unpacks to more than {part_bytes_max} bytes.", part_bytes_max=PART_BYTES_MAX
            )
            raise InputError("file", "file-too-large", detail, _SAVE_AS)
        with self.archive.open(name) as packed:
            return _tree(packed.read(PART_BYTES_MAX + 1))

    def _formats(self) -> list[_Format]:
        """How numbers are shown, by place in the list of cell formats."""
        styles = self.part(STYLES)
        own = {
            int(f.get("numFmtId", "0")): f.get("formatCode", "") for f in styles.iterfind("numFmts/numFmt")
        }
        kinds = [int(each.get("numFmtId", "0")) for each in styles.iterfind("cellXfs/xf")]
        return [_format_of(kind, own.get(kind)) for kind in kinds]

    def text(self) -> Sheet:
        sheets = list(self.main.iterfind("sheets/sheet"))
        shown = [sheet for sheet in sheets if sheet.get("state", "visible") == "visible"]
        targets = {each.get("Id"): each.get("Target", "") for each in self.part(RELATIONS)}
        first = targets[shown[0].get("id")]
        name = first.lstrip("/") if first.startswith("/") else f"xl/{first}"
        told = io.StringIO()
        writer = csv.writer(told, delimiter="\t", lineterminator="\n")
        sheet = self.part(name)
        writer.writerows(self.rows(sheet))
        return Sheet(told.getvalue(), len(shown), *_unseen(sheet))

    def rows(self, sheet: Element) -> Iterator[list[str]]:
        """Every row up to the last, empty ones too."""
        due, width = 1, 0
        for row in sheet.iterfind("sheetData/row"):
            number = int(row.get("r", due))
            if not due <= number <= ROWS_MAX:
                raise InputError(
                    "file",
                    "too-many-rows",
                    Phrase("More than {rows_max} rows.", rows_max=ROWS_MAX),
                    Phrase("Split the file."),
                )
            yield from ([] for _ in range(due, number))
            cells = self.cells(row)
            # A sheet leaves out empty cells at the end of a row.
            width = width or len(cells)
            yield cells + [""] * (width - len(cells)) if any(cells) else []
            due = number + 1

    def cells(self, row: Element) -> list[str]:
        found: list[str] = []
        for cell in row.iterfind("c"):
            place = _column(cell.get("r", ""), len(found))
            if place >= COLUMNS_MAX:
                text = self.value(cell)
                if not text:
                    continue
                detail = Phrase("More than {columns_max} columns.", columns_max=COLUMNS_MAX)
                raise InputError("file", "too-many-columns", detail, Phrase("Cut it."))
            found += [""] * (place - len(found))
            found.append(" ".join(self.value(cell).split()))
        return found

    def value(self, cell: Element) -> str:
        kind = cell.get("t", "n")
        if kind == "inlineStr":
            inline = cell.find("is")
            return "" if inline is None else _words(inline)
        text = cell.findtext("v") or ""
        if not text:
            return ""
        if kind == "s":
            return self.strings[int(text)]
        if kind == "b":
            return "yes" if text == "1" else "no"
        if kind != "n":
            return text
        return self.number(float(text), int(cell.get("s", "0")))

    def number(self, value: float, style: int) -> str:
        shown = self.formats[style] if 0 <= style < len(self.formats) else _Format()
        # Day 0 is a day only where they count from 1904; beyond the year 9995 it is none that anybody means.
        if shown.dated and (value > 0 or self.day_zero.year == 1904) and 0 <= value < 2_958_466 - 1462:
            return (self.day_zero + timedelta(days=int(value))).isoformat()
        if shown.percent:
            return f"{(Decimal(repr(value)) * 100).normalize():f} %"
        plain = str(int(value)) if value == int(value) and abs(value) < 1e15 else repr(value)
        return f"{shown.before}{plain}{shown.after}"


def _tree(data: bytes) -> Element:
    """The tree of a part, names without their name space. A document type is refused: none belongs there."""
    builder, parser = TreeBuilder(), expat.ParserCreate(namespace_separator=" ")

    def refused(*_: object) -> None:
        raise InputError("file", "file-not-text", Phrase("The workbook holds a document type."), _SAVE_AS)

    def begun(name: str, attributes: dict[str, str]) -> None:
        builder.start(name.rpartition(" ")[2], {key.rpartition(" ")[2]: v for key, v in attributes.items()})

    parser.StartDoctypeDeclHandler = refused
    parser.StartElementHandler = begun
    parser.EndElementHandler = lambda name: builder.end(name.rpartition(" ")[2])
    parser.CharacterDataHandler = builder.data
    parser.Parse(data, True)
    return builder.close()


def _words(item: Element) -> str:
    """The text of a string in one or several runs, without how it is to be spoken."""
    parts = [item.findtext("t") or "", *(run.findtext("t") or "" for run in item.iterfind("r"))]
    return "".join(parts)


def _column(reference: str, following: int) -> int:
    """Place of a cell such as "C7", counted from 0; of one without a reference, the next."""
    found = _CELL.fullmatch(reference)
    if found is None:
        return following
    place = 0
    for letter in found[1]:
        place = place * 26 + ord(letter) - ord("A") + 1
    return max(following, place - 1)


def _format_of(kind: int, code: str | None) -> _Format:
    if code is None:
        return _Format(dated=kind in DATE_FORMATS, percent=kind in PERCENT_FORMATS)
    bare = _NOT_CODE.sub("", code).lower()
    if "y" in bare or "d" in bare:
        return _Format(dated=True)
    if "%" in bare:
        return _Format(percent=True)
    # The first part is that of numbers above nothing.
    parts = _DIGITS.split(_first_part(code), maxsplit=1)
    return _Format(before=_said(parts[0]), after=_said(parts[1])) if len(parts) == 2 else _Format()


def _first_part(code: str) -> str:
    """Up to the first semicolon that is no word itself."""
    masked = _WORDS.sub(lambda found: "x" * len(found[0]), code)
    return code[: masked.index(";")] if ";" in masked else code


def _said(part: str) -> str:
    """The words in part of a format, such as " mL" or "< "; nothing where they say nothing of the number."""
    words = "".join((found[1] or found[2] or "") for found in _WORDS.finditer(part))
    return words if re.search(r"[^\W\d_]|[<>≤≥°%]", words) else ""


def _unseen(sheet: Element) -> tuple[tuple[str, ...], tuple[str, ...], int]:
    """Merged over several rows, hidden columns, and how many rows are hidden."""
    merged = [each.get("ref", "") for each in sheet.iterfind("mergeCells/mergeCell")]
    tall = [ref for ref in merged if len(set(re.findall(r"\d+", ref))) > 1]
    columns = []
    for each in sheet.iterfind("cols/col"):
        if each.get("hidden") in ("1", "true"):
            first, last = int(each.get("min", "1")), int(each.get("max", "1"))
            columns += [_letters(place) for place in range(first, min(last, COLUMNS_MAX) + 1)]
    rows = sum(row.get("hidden") in ("1", "true") for row in sheet.iterfind("sheetData/row"))
    return tuple(tall), tuple(columns), rows


def _letters(place: int) -> str:
    """Of a column counted from 1: 1 is A, 27 is AA."""
    letters = ""
    while place:
        place, rest = divmod(place - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters
