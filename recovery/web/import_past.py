"""An import that was entered: what it brought in, and how it is taken back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from inventory.models import Container, Event, ImportedRow
from inventory.services.import_undo import (
    ROWS_AT_ONCE,
    UNDONE,
    VERBS,
    Undone,
    kind_of,
    obstacles,
    rows_of,
    undo_stock,
    with_signs,
)
from inventory.web.desk import Desk, desk_page, done, status_of
from recovery.models import Run
from recovery.services.import_undo import obstacles as run_obstacles
from recovery.services.import_undo import undo_runs
from recovery.web.import_form import UndoForm
from recovery.web.import_left import left_out

ROWS_SHOWN = 200
SIGN_SEEN = gettext_lazy("A sign was seen on it. Only a supervisor takes that back.")


@dataclass(frozen=True)
class Came:
    """One row and what became of it. why: why it would stay if the import were taken back."""

    line: int
    bottle: Container | None = None
    run: Run | None = None
    undone: bool = False
    why: Any = ""


@desk_page("import.write", "POST")
def past(desk: Desk, event: str) -> HttpResponse:
    """The rows of one import, and a form that takes back those that nothing has happened to since."""
    told = desk.caller.by_id(Event.objects.filter(verb__in=VERBS.values()).select_related("actor"), event)
    form = UndoForm(desk.request.POST if desk.request.method == "POST" else None)
    if form.is_bound and form.is_valid():
        words = done(desk, form, lambda: _taken_back(desk, told, form.cleaned_data["reason"]))
        if words is not None:
            messages.success(desk.request, words)
            return redirect("import-past", slug=desk.lab.slug, event=told.pk)
    rows = list(rows_of(told).order_by("line", "pk")[: ROWS_SHOWN + 1])
    came = came_of(desk, told, rows)
    context = {
        "event": told,
        "kind": kind_of(told),
        "left": left_out(desk, told),
        "form": form,
        "rows": came[:ROWS_SHOWN],
        "more": len(rows) > ROWS_SHOWN,
        "standing": any(not each.undone for each in came),
        "stay": [each for each in came[:ROWS_SHOWN] if each.why and not each.undone],
        "undone": Event.objects.filter(lab=desk.lab, verb=UNDONE, data__import=told.pk).select_related(
            "actor"
        ),
        "at_once": ROWS_AT_ONCE,
    }
    return desk.render("recovery/import_past.html", context, here="more", status=status_of(form))


def came_of(desk: Desk, told: Event, rows: list[ImportedRow]) -> list[Came]:
    """What became of some rows of an import."""
    return _runs(told, rows) if kind_of(told) == "runs" else _bottles(desk, told, rows)


def _bottles(desk: Desk, told: Event, rows: list[ImportedRow]) -> list[Came]:
    held = Container.objects.select_related("lot__solvent").in_bulk([row.subject_id for row in rows])
    standing = [bottle for bottle in held.values() if bottle.discarded_at is None]
    why: dict[int, Any] = dict.fromkeys(
        [] if desk.caller.may("safety.loosen") else with_signs(standing), SIGN_SEEN
    )
    why |= obstacles(told.at, standing)
    return [
        Came(row.line, bottle=held[pk], undone=held[pk].discarded_at is not None, why=why.get(pk, ""))
        for row in rows
        if (pk := row.subject_id) in held
    ]


def _runs(told: Event, rows: list[ImportedRow]) -> list[Came]:
    held = Run.objects.prefetch_related("sums__solvent").in_bulk([row.subject_id for row in rows])
    gone = {pk for pk, run in held.items() if run.is_draft and run.closed_at is not None}
    why = run_obstacles(told.at, [run for pk, run in held.items() if pk not in gone])
    return [
        Came(row.line, run=held[pk], undone=pk in gone, why=why.get(pk, ""))
        for row in rows
        if (pk := row.subject_id) in held
    ]


def _taken_back(desk: Desk, told: Event, reason: str) -> str:
    undo = undo_runs if kind_of(told) == "runs" else undo_stock
    return words_of(undo(**desk.by, event=told, reason=reason, may_loosen=desk.caller.may("safety.loosen")))


def words_of(undone: Undone) -> str:
    """What was taken back, what stays and why, in one message."""
    said = [
        ngettext("%(n)d row was taken back.", "%(n)d rows were taken back.", undone.done) % {"n": undone.done}
    ]
    said += [_("Line %(line)d stays: %(why)s") % {"line": kept.line, "why": kept.why} for kept in undone.kept]
    if undone.left:
        left = ngettext("%(n)d row is left: press again.", "%(n)d rows are left: press again.", undone.left)
        said.append(left % {"n": undone.left})
    return " ".join(said)
