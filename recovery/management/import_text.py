"""The report of an import for a terminal of 100 columns."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from decimal import Decimal
from textwrap import wrap

from inventory.rules.sheets.fields import FIELDS
from inventory.rules.sheets.outcomes import Outcome
from inventory.rules.text_table import millilitres, percent, text_table
from inventory.services.import_report import ImportReport, RowResult

WIDTH = 100
MARKS = {"error": "✗", "warning": "!", "info": "·"}
TITLES = {"stock": "Stock list", "runs": "Run log"}
STATUS_WORDS = {"new": "new", "known": "already in", "bad": "BAD", "unread": "not read"}
DELIMITER_NAMES = {"\t": "tab", ";": "semicolon", ",": "comma", "|": "bar"}


def report_text(report: ImportReport, *, asked_to_write: bool) -> str:
    """Heading, columns, questions, every row, totals, and what happened."""
    parts = [_heading(report), mapping_text(report), _file_notes(report), _rows(report), _totals(report)]
    ending = _wrapped(_ending(report, asked_to_write), "")
    return "\n\n".join([*(part for part in parts if part), ending])


def _heading(report: ImportReport) -> str:
    table = report.table
    how = (
        f"{len(table.rows)} rows, {table.encoding}, {DELIMITER_NAMES.get(table.delimiter, '?')} between cells"
    )
    return f"{TITLES[report.target]} {report.filename} ({how})"


def mapping_text(report: ImportReport) -> str:
    """Which column is what, and how its units and dates are read."""
    mapping = report.mapping
    rows = []
    for field in FIELDS[report.target]:
        header = mapping.columns.get(field.key)
        if header is not None:
            orders = mapping.date_order.get(field.key, {})
            notes = [f"bare numbers in {mapping.units[field.key]}"] if field.key in mapping.units else []
            notes += [f"{'all' if sep == '*' else sep} {order}" for sep, order in sorted(orders.items())]
            rows.append((f"  {header[:34]}", field.key, ", ".join(notes)))
    text = text_table(["  column", "is read as", "how"], rows)
    if mapping.unmapped:
        text += "\n" + _wrapped(f"Not read: {', '.join(mapping.unmapped)}.", "  ")
    return text


def _file_notes(report: ImportReport) -> str:
    """Questions first to answer, then to confirm, then what else there is to say about the file."""
    notes = report.notes().get(0, [])
    groups = {"error": "To answer before anything is written", "warning": "To know", "info": "To confirm"}
    parts = []
    for level, title in groups.items():
        chosen = [note for note in notes if note.level == level]
        if chosen:
            parts.append("\n".join([title, *_note_lines(chosen, "  ")]))
    return "\n\n".join(parts)


def _rows(report: ImportReport) -> str:
    notes = report.notes()
    return "\n".join(line for row in report.rows for line in _row_lines(row, notes.get(row.line, [])))


def _row_lines(row: RowResult, notes: list[Outcome]) -> Iterator[str]:
    yield f"line {row.line:>4}  {STATUS_WORDS[row.status]:<10}  {row.title}".rstrip()[:WIDTH]
    yield from _note_lines(notes, " " * 11)


def _note_lines(notes: Iterable[Outcome], indent: str) -> Iterator[str]:
    for note in notes:
        where = f"{note.column}: " if note.column else ""
        yield _wrapped(f"{MARKS[note.level]} {where}{note.reason} {note.remedy}".rstrip(), indent)


def _wrapped(text: str, indent: str) -> str:
    lines = wrap(text, WIDTH, initial_indent=indent, subsequent_indent=f"{indent}  ", break_on_hyphens=False)
    return "\n".join(lines)


def _totals(report: ImportReport) -> str:
    if not report.totals:
        return ""
    if report.target == "stock":
        rows = [
            (t["solvent"], t["containers"], millilitres(t["volume_ul"]), millilitres(t["capacity_ul"]))
            for t in report.totals
        ]
        rows.append((
            "all", sum(row[1] for row in rows), *(
                millilitres(sum(t[key] for t in report.totals)) for key in ("volume_ul", "capacity_ul")
            ),
        ))  # fmt: skip
        return text_table(["new", "containers", "left mL", "size mL"], rows, right=(1, 2, 3))
    return _run_totals(report)


def _run_totals(report: ImportReport) -> str:
    keys = ("charged_ul", "returned_ul", "lost_ul")
    rows = []
    for total in report.totals:
        share = Decimal(total["lost_ul"]) / total["charged_ul"] if total["charged_ul"] else None
        amounts = (millilitres(total[key]) for key in keys)
        rows.append((total["solvent"], total["runs"], total["history"], *amounts, percent(share)))
    # No loss rate over all solvents: it would say nothing about any of them.
    sums = (millilitres(sum(t[key] for t in report.totals)) for key in keys)
    counts = (sum(t[key] for t in report.totals) for key in ("runs", "history"))
    rows.append(("all", *counts, *sums, ""))
    headers = ["new", "runs", "before the count", "out mL", "back mL", "lost mL", "loss"]
    return text_table(headers, rows, right=range(1, 7))


def _ending(report: ImportReport, asked_to_write: bool) -> str:
    counts = report.counts
    total = len(report.rows)
    words = f"{counts['new']} new, {counts['known']} already in, {counts['bad']} bad, of {total} rows."
    if report.blocked:
        return f"{words} Nothing was written: the questions above come first."
    if not counts["new"]:
        return f"{words} There is nothing new to write."
    if report.written:
        return f"{words} The new rows are written."
    if not asked_to_write:
        return f"{words} This was a dry run: nothing was written; --write writes the new rows."
    return f"{words} Nothing was written, as all or none was asked for."
