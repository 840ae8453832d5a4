"""Bytes of a delimited text file to a table of cells, with the physical line of each row.

Cells are kept exactly as written; only headers are tidied. Nothing is dropped silently: a row with
more cells than the header has, or a quote that swallows the rows after it, is named as a problem.
"""

from __future__ import annotations

import codecs
import csv
import io
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain, islice

from inventory.rules.errors import InputError
from inventory.rules.phrases import Phrase
from inventory.rules.sheets.outcomes import Outcome, error, warning
from inventory.rules.sheets.workbook import workbook_text

BYTES_MAX = 20_000_000
ROWS_MAX = 200_000
COLUMNS_MAX = 200
CELL_CHARS_MAX = 10_000
HEADER_CHARS_MAX = 200
CELLS_MAX = 5_000_000  # what fits in memory beside everything else
DELIMITERS = (";", "\t", ",", "|")
_SAMPLE_ROWS = 200
# A line with one cell is a title when the next has as many as a table's headers.
TITLES_MAX, HEADERS_LEAST = 5, 3
_END = "\x1eend of table\x1e"
_BOMS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_WORKBOOK = b"PK\x03\x04"
_NOT_TABLES = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0", b"%PDF", b"\x1f\x8b")
_SAVE_AS = Phrase("Save the sheet as CSV text (UTF-8) and import that file.")


@dataclass(frozen=True, slots=True)
class SheetRow:
    """One row. line: physical line on which it begins, the first line of the file being 1."""

    line: int
    cells: dict[str, str]


@dataclass(frozen=True, slots=True)
class Table:
    """A table as read. problems: what was odd about the file; an error there stops that one row."""

    headers: list[str]
    rows: list[SheetRow]
    encoding: str
    delimiter: str
    problems: list[Outcome]


@dataclass(frozen=True, slots=True)
class _Record:
    line: int
    end_line: int
    cells: list[str]


def read_table(data: bytes, *, delimiter: str | None = None) -> Table:
    """Read a delimited text file, or the first sheet of a workbook (XLSX).

    data: the whole file, at most 20 MB, 200 000 rows, 200 columns, 10 000 characters in a cell.
    delimiter: one of ; , tab | or None to find it from the file.
    Raises InputError naming the field "file" (or "delimiter") for anything that is no such table.
    """
    problems: list[Outcome] = []
    if data.startswith(_WORKBOOK) and len(data) <= BYTES_MAX:
        body, skipped, mark, encoding = _first_sheet(data, problems), 0, "\t", "xlsx"
    else:
        text, encoding = _decoded(data)
        body, skipped, named = _without_separator_line(text)
        mark = _chosen_delimiter(delimiter, named, body)
    records = _records(body, mark, skipped)
    header, records = _below_titles(records, problems)
    if header is None:
        raise InputError(
            "file", "file-empty", Phrase("The file holds no text."), Phrase("Check that it was saved.")
        )
    problems += _encoding_notes(encoding)
    headers = _tidy_headers(header, problems)
    rows = _rows(records, headers, mark, problems)
    return Table(headers, rows, encoding, mark, problems)


def _first_sheet(data: bytes, problems: list[Outcome]) -> str:
    sheet = workbook_text(data)
    if sheet.sheets > 1:
        reason = Phrase("The workbook has {sheets} sheets; only the first is read.", sheets=sheet.sheets)
        problems.append(
            warning(0, "", "sheet-first", reason, Phrase("Import the others as files of their own."))
        )
    if sheet.merged:
        reason = Phrase("Cells are merged over several rows: {ranges}.", ranges=", ".join(sheet.merged[:5]))
        remedy = Phrase("Only the first of these rows has the value. Take them apart if each row should.")
        problems.append(warning(0, "", "cells-merged", reason, remedy))
    if sheet.hidden_columns or sheet.hidden_rows:
        columns = ", ".join(sheet.hidden_columns[:5]) or "–"
        reason = Phrase(
            "The sheet hides columns ({columns}) or rows ({rows}).", columns=columns, rows=sheet.hidden_rows
        )
        remedy = Phrase("They are read like the others. Delete what is not to come in.")
        problems.append(warning(0, "", "sheet-hides", reason, remedy))
    return sheet.text


def _below_titles(
    records: Iterator[_Record], problems: list[Outcome]
) -> tuple[_Record | None, Iterator[_Record]]:
    """The row of headers, and those below it. Lines with one cell above a wider row are titles."""
    ahead = list(islice(records, TITLES_MAX + 1))
    at = next((n for n, each in enumerate(ahead) if _filled(each) > 1), 0)
    if at and _filled(ahead[at]) < HEADERS_LEAST:
        at = 0
    for title in ahead[:at]:
        reason = Phrase("Line {line} stands above the table as its title.", line=title.line)
        problems.append(warning(title.line, "", "title-left-out", reason, Phrase("It is left out.")))
    return (ahead[at] if ahead else None), chain(ahead[at + 1 :], records)


def _filled(record: _Record) -> int:
    return sum(not cell.isspace() and cell != "" for cell in record.cells)


def _decoded(data: bytes) -> tuple[str, str]:
    if len(data) > BYTES_MAX:
        raise InputError(
            "file",
            "file-too-large",
            Phrase(
                "The file has {count} bytes; at most {bytes_max} are read.",
                count=len(data),
                bytes_max=BYTES_MAX,
            ),
            Phrase("Split it."),
        )
    if data.startswith(_NOT_TABLES):
        raise InputError("file", "file-not-text", Phrase("This is not a text table."), _SAVE_AS)
    encoding = next((name for bom, name in _BOMS if data.startswith(bom)), "")
    for name in (encoding,) if encoding else ("utf-8", "cp1252"):
        try:
            text = data.decode(name)
        except UnicodeDecodeError:
            continue
        if "\x00" in text:
            raise InputError(
                "file", "file-not-text", Phrase("The file holds zero bytes, as text never does."), _SAVE_AS
            )
        return text, name
    raise InputError(
        "file",
        "encoding-unknown",
        Phrase("The file is neither UTF-8, UTF-16 with a mark, nor Windows-1252."),
        _SAVE_AS,
    )


def _encoding_notes(encoding: str) -> list[Outcome]:
    if encoding != "cp1252":
        return []
    reason = Phrase("The file is not UTF-8; its letters were read as Windows-1252.")
    return [warning(0, "", "encoding-assumed", reason, Phrase("If accents look wrong, save it as UTF-8."))]


def _without_separator_line(text: str) -> tuple[str, int, str | None]:
    """Take off a first line such as "sep=;" that some programs write; say which delimiter it named."""
    first, end, rest = text.partition("\n")
    word = first.strip().lower()
    if end and len(word) == 5 and word.startswith("sep=") and word[4] in DELIMITERS:
        return rest, 1, word[4]
    if end and first.rstrip("\r\n").lower() == "sep=\t":
        return rest, 1, "\t"
    return text, 0, None


def _chosen_delimiter(asked: str | None, named: str | None, body: str) -> str:
    if asked is None:
        return named or _found_delimiter(body)
    if asked not in DELIMITERS:
        raise InputError(
            "delimiter",
            "delimiter-unknown",
            Phrase("“{asked}” is no delimiter.", asked=asked),
            Phrase("Use ; , tab or |."),
        )
    return asked


def _found_delimiter(body: str) -> str:
    """The delimiter that splits the header and keeps most of the first rows at the header's width.

    A comma inside "0,19 L" therefore never beats a semicolon that every row agrees on.
    """
    best, best_score = ",", (0.0, 0)
    sample = body[: CELL_CHARS_MAX * 20]
    for mark in DELIMITERS:
        widths = _sample_widths(sample, mark)
        if widths == [] and mark in sample:
            return mark
        while widths and widths[0] == 1 and max(widths[1 : TITLES_MAX + 1], default=0) >= HEADERS_LEAST:
            del widths[0]  # a title above the table
        if not widths or widths[0] < 2:
            continue
        agree = sum(w == widths[0] for w in widths) / len(widths)
        if (agree, widths[0]) > best_score:
            best, best_score = mark, (agree, widths[0])
    return best


def _sample_widths(sample: str, mark: str) -> list[int] | None:
    """Cells in each row that is not empty; None where the sample cannot be split so."""
    widths: list[int] = []
    try:
        for cells in csv.reader(io.StringIO(sample, newline=""), delimiter=mark):
            if any(c.strip() for c in cells):
                widths.append(len(cells))
            if len(widths) >= _SAMPLE_ROWS:
                break
    except csv.Error:
        return None
    return widths


def _records(body: str, mark: str, skipped: int) -> Iterator[_Record]:
    """Rows with something in them. A sentinel row at the end proves that no quote was left open."""
    joint = "" if not body or body[-1] in "\r\n" else "\n"
    reader = csv.reader(io.StringIO(f"{body}{joint}{_END}\n", newline=""), delimiter=mark)
    last, closed = skipped, False
    try:
        for cells in reader:
            line, last = last + 1, reader.line_num + skipped
            if cells == [_END]:
                closed = True
            elif any(_END in c for c in cells):
                raise _open_quote(line)
            elif any(cells) and not "".join(cells).isspace():
                yield _Record(line, last, cells)
    except csv.Error as fault:
        raise InputError(
            "file",
            "row-unreadable",
            Phrase("Line {line} cannot be read: {fault}.", line=last + 1, fault=fault),
            Phrase("Check its quotes."),
        ) from fault
    if not closed:
        raise _open_quote(last)


def _open_quote(line: int) -> InputError:
    detail = Phrase("A quoted cell in the row that begins on line {line} never ends.", line=line)
    return InputError("file", "quote-not-closed", detail, Phrase("Close the quote, or take it out."))


def _tidy_headers(header: _Record, problems: list[Outcome]) -> list[str]:
    """Unique, non-empty header names: an empty one becomes "column 3", a second "Size" "Size (2)"."""
    if len(header.cells) > COLUMNS_MAX:
        raise InputError(
            "file",
            "too-many-columns",
            Phrase(
                "{count} columns; at most {columns_max} are read.",
                count=len(header.cells),
                columns_max=COLUMNS_MAX,
            ),
            Phrase("Cut it."),
        )
    names = [" ".join(c.split()) for c in header.cells]
    while len(names) > 1 and not names[-1]:
        names.pop()
    longest = max(map(len, names))
    if longest > HEADER_CHARS_MAX:
        detail = Phrase(
            "A header has {longest} characters; at most {header_chars_max} are read.",
            longest=longest,
            header_chars_max=HEADER_CHARS_MAX,
        )
        raise InputError("file", "header-too-long", detail, Phrase("Put short headers in the first line."))
    taken: Counter[str] = Counter()
    result: list[str] = []
    for number, name in enumerate(names, start=1):
        result.append(_free_name(name, number, header.line, taken, problems))
    return result


def _free_name(name: str, number: int, line: int, taken: Counter[str], problems: list[Outcome]) -> str:
    base = name or f"column {number}"
    unique, count = base, 1
    while unique in taken:
        count += 1
        unique = f"{base} ({count})"
    taken[unique] += 1
    if not name:
        problems.append(
            warning(
                0,
                unique,
                "header-empty",
                Phrase("Column {number} has no header (line {line}).", number=number, line=line),
            )
        )
    elif unique != name:
        reason = Phrase(
            "Two columns are headed “{name}”; the later one is called “{unique}”.", name=name, unique=unique
        )
        problems.append(
            warning(0, unique, "header-twice", reason, Phrase("Give each column its own header."))
        )
    return unique


def _rows(
    records: Iterator[_Record], headers: list[str], mark: str, problems: list[Outcome]
) -> list[SheetRow]:
    width = len(headers)
    rows: list[SheetRow] = []
    blank = [""] * width
    for record in records:
        if len(rows) >= ROWS_MAX:
            raise InputError(
                "file",
                "too-many-rows",
                Phrase("More than {rows_max} rows.", rows_max=ROWS_MAX),
                Phrase("Split the file."),
            )
        if len(rows) * width >= CELLS_MAX:
            raise InputError(
                "file",
                "too-many-cells",
                Phrase("More than {cells_max} cells.", cells_max=CELLS_MAX),
                Phrase("Take out columns."),
            )
        cells, line = record.cells, record.line
        _check_lengths(record)
        if len(cells) != width:
            _note_width(record, width, problems)
            cells = (cells + blank)[:width]
        if record.end_line > line:
            _note_swallowed(record, width, mark, problems)
        rows.append(SheetRow(line, dict(zip(headers, cells, strict=True))))
    return rows


def _check_lengths(record: _Record) -> None:
    if max(map(len, record.cells)) > CELL_CHARS_MAX:
        detail = Phrase(
            "A cell on line {line} is longer than {cell_chars_max} characters.",
            line=record.line,
            cell_chars_max=CELL_CHARS_MAX,
        )
        raise InputError("file", "cell-too-long", detail, Phrase("Shorten it, or close the quote it began."))


def _note_width(record: _Record, width: int, problems: list[Outcome]) -> None:
    extra = [c for c in record.cells[width:] if c.strip()]
    if extra:
        reason = Phrase(
            "The row has {count} cells but the header has {width}; left over: “{extra}”.",
            count=len(record.cells),
            width=width,
            extra=extra[0],
        )
        remedy = Phrase("Put a cell that holds the delimiter in quotes, or add the missing header.")
        problems.append(error(record.line, "", "too-many-cells", reason, remedy))
    elif len(record.cells) < width:
        reason = Phrase(
            "The row has fewer cells than the header ({count} of {width}); the missing ones count as empty.",
            count=len(record.cells),
            width=width,
        )
        problems.append(Outcome(record.line, "", "info", "too-few-cells", reason))


def _note_swallowed(record: _Record, width: int, mark: str, problems: list[Outcome]) -> None:
    """A many-line cell is fine; one whose lines look like rows has most likely eaten them."""
    inner = (part for cell in record.cells for part in cell.splitlines()[1:])
    if width > 1 and any(part.count(mark) >= width - 1 for part in inner):
        reason = Phrase(
            "A quoted cell runs from line {line} to line {end_line} over what look like rows.",
            line=record.line,
            end_line=record.end_line,
        )
        problems.append(
            error(record.line, "", "quote-not-closed", reason, Phrase("Close the quote on its own line."))
        )
