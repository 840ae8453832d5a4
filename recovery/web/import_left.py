"""The rows that an import left out: which, why, what to do, and as a file to mend and send again.

They are read out of the list itself, which is kept for some days. A row that went wrong then and could be
entered by now, since somebody named its solvent meanwhile, says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from hashlib import sha256

from django.http.response import HttpResponseBase
from django.shortcuts import redirect

from inventory.models import Event, ImportSheet
from inventory.services.import_report import ImportReport, RowResult
from inventory.services.import_undo import VERBS, kind_of, rows_of
from inventory.web.desk import Desk, desk_page
from recovery.web.importing import ShownRow, report_of, to_mend

ROWS_SHOWN = 100


@dataclass(frozen=True)
class Left:
    """sheet None: the list is not kept here any more, or never was. rows: those that are shown."""

    count: int
    sheet: ImportSheet | None = None
    rows: tuple[ShownRow, ...] = ()
    more: bool = False


def left_out(desk: Desk, told: Event) -> Left:
    """What an import left out, by the list as it is read now."""
    count = int(told.data.get("rows", {}).get("bad", 0))
    kept = sheet_of(desk, told) if count else None
    if kept is None:
        return Left(count)
    report, _fault = report_of(desk, kept)
    rows, notes = _left_rows(told, report), report.notes()
    shown = tuple(ShownRow(row, notes.get(row.line, [])) for row in rows[:ROWS_SHOWN])
    return Left(count, kept, shown, len(rows) > ROWS_SHOWN)


def sheet_of(desk: Desk, told: Event) -> ImportSheet | None:
    """The list that an import came from, byte for byte, while it is kept."""
    held = ImportSheet.objects.filter(lab=desk.lab, target=kind_of(told), expires_at__gt=desk.now)
    named = held.filter(filename=told.data.get("filename", "")).order_by("-pk")
    digest = told.data.get("file_sha256")
    return next((one for one in named if sha256(bytes(one.data)).hexdigest() == digest), None)


def _left_rows(told: Event, report: ImportReport) -> list[RowResult]:
    entered = set(rows_of(told).values_list("line", flat=True))
    return [row for row in report.rows if row.status in ("bad", "new") and row.line not in entered]


@desk_page("import.write")
def left_csv(desk: Desk, event: str) -> HttpResponseBase:
    """Just those rows as they were typed, with why not; back to its page once the list is not kept."""
    told = desk.caller.by_id(Event.objects.filter(verb__in=VERBS.values()), event)
    kept = sheet_of(desk, told)
    if kept is None:
        return redirect("import-past", slug=desk.lab.slug, event=told.pk)
    report, _fault = report_of(desk, kept)
    return to_mend(desk, report, [row.line for row in _left_rows(told, report)])
