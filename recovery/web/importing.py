"""A list comes in: sent, its columns looked at, each row's outcome seen, then entered under one key."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace
from hashlib import sha256
from typing import Any

from django.contrib import messages
from django.db.models import Q
from django.http import HttpResponse, StreamingHttpResponse
from django.shortcuts import redirect
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from inventory.models import Event, ImportSheet, Solvent
from inventory.rules.errors import Conflict, InputError
from inventory.rules.phrases import Phrase
from inventory.rules.sheets.outcomes import Outcome
from inventory.services import import_sheets
from inventory.services.import_report import ImportReport, RowResult
from inventory.services.import_undo import VERBS
from inventory.services.importing import import_stock
from inventory.web.csv_out import csv_file
from inventory.web.desk import Desk, desk_page, done, refused, status_of
from inventory.web.language import spoken
from recovery.services.importing import import_runs
from recovery.web.import_form import FIELD_WORDS, REMEDIES, BookForm, ColumnsForm, UploadForm

PAST_SHOWN = 20
ROWS_SHOWN = 100
_T = gettext_lazy
STATUSES = {
    "bad": _T("cannot be entered"),
    "new": _T("can be entered"),
    "known": _T("in already"),
    "unread": _T("not read yet"),
}


@dataclass(frozen=True)
class ShownRow:
    """A row with what is to say of it."""

    row: RowResult
    said: list[Outcome]

    @property
    def notes(self) -> list[tuple[Outcome, Any]]:
        """Each remark with what is to be done about it here."""
        return [(note, REMEDIES.get(note.code, note.remedy)) for note in self.said]

    @property
    def words(self) -> Any:
        return STATUSES[self.row.status]

    @property
    def style(self) -> str:
        return {"bad": "danger", "unread": "warn"}.get(self.row.status, "soon")


@desk_page("import.write", "POST")
def start(desk: Desk) -> HttpResponse:
    """Send a list, or go back to one that was sent or entered before."""
    request = desk.request
    posted = request.method == "POST"
    form = UploadForm(request.POST, request.FILES) if posted else UploadForm(initial=request.GET.dict())
    if posted and form.is_valid():
        kept = _kept(desk, form)
        if kept is not None:
            return redirect("import-sheet", slug=desk.lab.slug, sheet=kept.pk)
    waiting = ImportSheet.objects.filter(lab=desk.lab, actor=desk.caller.user, expires_at__gt=desk.now)
    past = Event.objects.filter(lab=desk.lab, verb__in=VERBS.values()).select_related("actor")
    context = {
        "form": form,
        "waiting": waiting.defer("data").order_by("-pk"),
        "past": past.order_by("-pk")[:PAST_SHOWN],
    }
    return desk.render("recovery/import.html", context, here="more", status=status_of(form))


def _kept(desk: Desk, form: UploadForm) -> ImportSheet | None:
    upload = form.cleaned_data["file"]
    if upload.size > import_sheets.BYTES_MAX:
        form.add_error("file", _("The file is larger than 4 MB. Split it, or send it through the API."))
        return None
    try:
        return import_sheets.sheet_keep(
            **desk.by, target=form.cleaned_data["target"], data=upload.read(), filename=upload.name or ""
        )
    except InputError as fault:
        form.add_error(fault.field if fault.field in form.fields else None, refused(fault))
        return None


def looked_at(desk: Desk, kept: ImportSheet, *, write: bool = False) -> ImportReport:
    """The report of a sheet as it is to be read now; with `write`, its good rows are entered."""
    work = import_runs if kept.target == "runs" else import_stock
    return work(**desk.by, **import_sheets.options(kept), write=write)


@desk_page("import.write", "POST")
def sheet(desk: Desk, sheet: str) -> HttpResponse:
    """How its columns are read, and what would become of each row."""
    kept = desk.caller.by_id(ImportSheet.objects.filter(expires_at__gt=desk.now), sheet)
    sent = desk.request.POST if desk.request.method == "POST" else None
    if sent is not None and sent.get("do") == "forget":
        kept.delete()
        messages.info(desk.request, _("Forgotten. Nothing of it was entered."))
        return redirect("import", slug=desk.lab.slug)
    report, fault = report_of(desk, kept)
    columns = ColumnsForm(
        sent if sent is not None and sent.get("do") == "read" else None,
        target=import_sheets.target_of(kept), report=report, chosen=kept.choices if fault is None else {},
    )  # fmt: skip
    if columns.is_bound and columns.is_valid() and _read_as(kept, columns):
        return redirect("import-sheet", slug=desk.lab.slug, sheet=kept.pk)
    book = BookForm(
        sent if sent is not None and sent.get("do") == "book" else None, initial={"seen": _seen(kept)}
    )
    if book.is_bound and book.is_valid():
        event = _entered(desk, kept, book)
        if event is not None:
            messages.success(desk.request, _("Entered."))
            return redirect("import-past", slug=desk.lab.slug, event=event)
    context = {
        "sheet": kept, "report": report, "columns": columns, "book": book, "fault": fault,
        **_shown(desk, report),
    }  # fmt: skip
    status = max(status_of(columns), status_of(book))
    return desk.render("recovery/import_sheet.html", context, here="more", status=status)


def report_of(desk: Desk, kept: ImportSheet) -> tuple[ImportReport, str | None]:
    """The report, and why the choices could not be followed, if so: then it is read as guessed."""
    try:
        return looked_at(desk, kept), None
    except InputError as fault:
        kept.choices = {}
        return looked_at(desk, kept), refused(fault)


def _read_as(kept: ImportSheet, form: ColumnsForm) -> bool:
    try:
        import_sheets.sheet_read_as(sheet=kept, choices=form.choices())
    except InputError as fault:
        form.add_error(None, refused(fault))
        return False
    return True


def _seen(kept: ImportSheet) -> str:
    return sha256(json.dumps(kept.choices, sort_keys=True).encode()).hexdigest()


def _entered(desk: Desk, kept: ImportSheet, form: BookForm) -> str | None:
    """The entry of the audit trail that tells of it, or None after saying in the form why not."""

    def work() -> str:
        if form.cleaned_data["seen"] != _seen(kept):
            detail = _("How it is read was changed meanwhile.")
            raise Conflict("", "read-otherwise", detail, _("Look at the rows below, then enter them."))
        if not looked_at(desk, kept, write=True).written:
            raise Conflict("", "not-written", _("There is no row to enter."), _("Look at the rows below."))
        ImportSheet.objects.filter(pk=kept.pk).update(booked_at=desk.now)
        told = Event.objects.filter(lab=desk.lab, verb=VERBS[kept.target], at=desk.now)
        return str(told.latest("pk").pk)

    return done(desk, form, work)


def _shown(desk: Desk, report: ImportReport) -> dict[str, Any]:
    """Questions first, then the rows of one outcome, a hundred at a time."""
    notes, counts = report.notes(), report.counts
    asked = desk.request.GET.get("show", "")
    show = asked if asked in STATUSES else next((s for s in STATUSES if counts[s]), "new")
    after = desk.request.GET.get("after", "")
    first = int(after) if after.isascii() and after.isdigit() and len(after) < 9 else 0
    rows = [row for row in report.rows if row.status == show and row.line > first]
    whole = [
        (_asked(note), REMEDIES.get(note.code, note.remedy), _column(report, note))
        for note in notes.get(0, [])
    ]
    keys = [total["solvent"] for total in report.totals]
    known = Solvent.objects.filter(Q(lab=None) | Q(lab=desk.lab), key__in=keys)
    return {
        "names": dict(known.values_list("key", "name")),
        "questions": [each for each in whole if each[0].level == "error"],
        "to_know": [each for each in whole if each[0].level != "error"],
        "tabs": [(status, words, counts[status]) for status, words in STATUSES.items() if counts[status]],
        "show": show,
        "rows": [ShownRow(row, notes.get(row.line, [])) for row in rows[:ROWS_SHOWN]],
        "more_after": rows[ROWS_SHOWN - 1].line if len(rows) > ROWS_SHOWN else None,
        "new": counts["new"],
        "can_enter": bool(counts["new"])
        and not report.blocked
        and not (report.all_or_none and counts["bad"]),
    }


@desk_page("import.write")
def bad_csv(desk: Desk, sheet: str) -> StreamingHttpResponse:
    """The rows that cannot be entered, as they were typed, with why not: to be mended and sent again."""
    kept = desk.caller.by_id(ImportSheet.objects.filter(expires_at__gt=desk.now), sheet)
    report, _fault = report_of(desk, kept)
    return to_mend(desk, report, [row.line for row in report.rows if row.status == "bad"])


def to_mend(desk: Desk, report: ImportReport, lines: Collection[int]) -> StreamingHttpResponse:
    """These lines of a list as a file of its own, each with what is wrong with it."""
    last = (_("Line in the list"), _("What is wrong"), _("What to do"))
    rows = _to_mend(report, frozenset(lines))
    return csv_file(f"{desk.lab.slug}-rows-to-mend", [*report.table.headers, *last], rows)


def _to_mend(report: ImportReport, lines: frozenset[int]) -> Iterator[list[str]]:
    cells, notes = {row.line: row.cells for row in report.table.rows}, report.notes()
    for row in report.rows:
        if row.line not in lines:
            continue
        wrong = [note for note in notes.get(row.line, []) if note.level == "error"]
        said = [": ".join(filter(None, (note.column, spoken(note.reason)))) for note in wrong]
        todo = [str(REMEDIES.get(note.code, "")) or spoken(note.remedy) for note in wrong]
        typed = [cells[row.line].get(header, "") for header in report.table.headers]
        yield [*typed, str(row.line), " ".join(said), " ".join(dict.fromkeys(filter(None, todo)))]


def _asked(note: Outcome) -> Outcome:
    """The remark without the key of a field that the page names in words beside it."""
    if note.code == "column-missing":
        return replace(note, reason=Phrase("No column was recognised for it."))
    if note.code == "column-twice" and isinstance(note.reason, Phrase):
        return replace(note, reason=Phrase("{names} may both be it.", names=note.reason.parts["names"]))
    return note


def _column(report: ImportReport, note: Outcome) -> Any:
    """The column that a question is about, or the words for the field that has none."""
    return FIELD_WORDS[report.target].get(note.column, note.column)
