"""The plan before a run: portions, bottles, losses and vapour, and from there a draft run."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from django.contrib import messages
from django.http import HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import redirect
from django.utils.translation import gettext as _

from inventory.rules.errors import InputError
from inventory.rules.phrases import Phrase
from inventory.rules.pictures.style import Look
from inventory.selectors.drawn_sizes import note_size
from inventory.services.speaking import language_asked, speaker
from inventory.web.csv_out import csv_file
from inventory.web.desk import Desk, desk_page, done, status_of
from recovery.models import Run
from recovery.rules.pictures.plan_yields import yields_of
from recovery.rules.pictures.yield_curve import draw_yield_curve
from recovery.services.drafts import draft_from_plan, draft_give_up
from recovery.services.planning import plan_asked
from recovery.web.plan_form import DraftForm, PlanForm
from recovery.web.run_balance import planned_of
from recovery.web.run_forms import GiveUpForm

# Opened by itself, a picture runs nothing, loads nothing and sends nothing.
PICTURE_POLICY = "default-src 'none'; frame-ancestors 'none'; sandbox"


@desk_page("runs.read", "POST")
def plan(desk: Desk) -> HttpResponse:
    """A plan is asked for by its address and writes nothing; sending it makes a draft run."""
    request = desk.request
    posted = request.method == "POST"
    if posted:
        desk.require("runs.log")
    form = PlanForm(request.POST if posted else request.GET, desk.lab)
    draft = DraftForm(request.POST if posted else None)
    planned = _planned(desk, form)
    if posted and planned is not None and draft.is_valid():
        pk = done(desk, draft, lambda: _drafted(desk, form, draft))
        if pk is not None:
            messages.success(request, _("The draft is kept. Its first charge starts the run."))
            return redirect("run", slug=desk.lab.slug, run=pk)
    status = max(status_of(form), status_of(draft)) if posted else 200
    context = {
        "form": form,
        "draft": draft,
        "planned": planned,
        "query": urlencode(form.kept) if form.is_bound else "",
    }
    return desk.render("recovery/plan.html", context, here="runs", status=status)


def _planned(desk: Desk, form: PlanForm) -> dict[str, Any] | None:
    """The answer of a plan; None where nothing was asked yet, or something is to be mended."""
    if not form.is_bound or not form.is_valid():
        return None
    try:
        _, kept = plan_asked(desk.caller, form.asked, desk.today)
    except InputError as error:
        form.refuse(error)
        return None
    planned: dict[str, Any] = kept["planned"]
    return planned


def _drafted(desk: Desk, form: PlanForm, draft: DraftForm) -> str:
    found, kept = plan_asked(desk.caller, form.asked, desk.today)
    told = draft.cleaned_data
    names = {"purpose": told["purpose"], "operator_name": told["operator_name"]}
    return str(draft_from_plan(**desk.by, plan=found, kept=kept, **names).pk)


@desk_page("runs.read")
def plan_picture(desk: Desk) -> HttpResponse:
    """The yields of the plan that the address asks for, as SVG or PNG."""
    given = desk.request.GET
    form = PlanForm(given, desk.lab)
    planned = _planned(desk, form)
    if planned is None:
        return HttpResponse(status=400)
    wanted = form.cleaned_data.get("wanted_percent") or None
    curve = yields_of(planned, purpose=planned["solvent"]["name"], wanted_percent=wanted)
    look = Look(
        "dark" if given.get("theme") == "dark" else "light",
        "small" if given.get("width") == "small" else "large",
        "png" if given.get("format") == "png" else "svg",
        2,
        speaker(language_asked()),
    )
    content = draw_yield_curve(curve, look)
    note_size(desk.request.get_full_path(), look.width, content)
    media = "image/png" if look.kind == "png" else "image/svg+xml"
    return HttpResponse(content, content_type=media, headers={"Content-Security-Policy": PICTURE_POLICY})


WAY = {"for_yield": Phrase("for the wanted yield"), "same_total": Phrase("as much solvent in all")}
COLUMNS = ("way", "portions", "portion_ml", "total_ml", "yield_percent", "net_ml", "note")


@desk_page("runs.read")
def plan_csv(desk: Desk) -> HttpResponseBase:
    """The portions of the plan that the address asks for, as a table."""
    planned = _planned(desk, PlanForm(desk.request.GET, desk.lab))
    if planned is None:
        return HttpResponse(status=400)
    return _portions("plan", planned)


@desk_page("runs.read")
def drafted_csv(desk: Desk, run: str) -> HttpResponseBase:
    """The same of the plan that a run was drafted from; no row where it had none."""
    found = desk.caller.by_id(Run.objects.all(), run)
    return _portions(f"run-{found.pk}-plan", planned_of(found) or {})


def _portions(name: str, planned: dict[str, Any]) -> HttpResponseBase:
    of = planned.get("extraction") or {}
    rows = ([WAY[way], *(row[name] for name in COLUMNS[1:])] for way in WAY for row in of.get(way) or [])
    return csv_file(name, COLUMNS, rows)


@desk_page("runs.log", "POST")
def give_up(desk: Desk, run: str) -> HttpResponse:
    """A draft that will not be done."""
    found = desk.caller.by_id(Run.objects.all(), run)
    form = GiveUpForm(desk.request.POST if desk.request.method == "POST" else None)
    if desk.request.method == "POST" and form.is_valid():
        words = done(desk, form, lambda: _given_up(desk, found, form))
        if words is not None:
            messages.success(desk.request, words)
            return redirect("runs", slug=desk.lab.slug)
    context = {"form": form, "run": found, "title": _("Give the draft up"), "button": _("Give it up")}
    return desk.render("recovery/run_form.html", context, here="runs", status=status_of(form))


def _given_up(desk: Desk, found: Run, form: GiveUpForm) -> str:
    draft_give_up(**desk.by, run=found, reason=form.cleaned_data["reason"])
    return _("The draft is given up.")
