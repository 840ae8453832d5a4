"""Runs: which are open, starting one, what went out and came back, and closing it with every loss named."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.db.models import Prefetch
from django.http import HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils.http import urlencode
from django.utils.translation import gettext as _

from inventory.models import Container, Movement
from inventory.rules.errors import InputError
from inventory.web.desk import Desk, desk_page, done, status_of
from inventory.web.finding import container_coded
from inventory.web.rows import start_of
from inventory.web.scan import code_in
from recovery.models import Clearance, Run, RunSum
from recovery.services import runs
from recovery.services.run_details import run_change
from recovery.services.times_distilled import FINDING, too_often
from recovery.web.close_form import CloseForm
from recovery.web.run_balance import balances_of, known_of, lost_known, measured, prompts, readings_known
from recovery.web.run_forms import StartForm
from recovery.web.standing import before_a_run

PAGE = 50
DRAFTS_SHOWN = 20


@desk_page("runs.read")
def runs_page(desk: Desk) -> HttpResponse:
    """Open runs first, then the newest closed ones."""
    sums = Prefetch("sums", RunSum.objects.select_related("solvent").order_by("solvent__name"))
    own = Run.objects.filter(lab=desk.lab).prefetch_related(sums)
    after = desk.request.GET.get("after", "")
    # A draft that was given up was never charged; one that was is a line of a log that was taken back.
    closed = own.exclude(closed_at=None).exclude(is_draft=True, sums__isnull=False).order_by("-id")
    if after.isdigit() and len(after) < 19:
        closed = closed.filter(pk__lt=int(after))
    shown = list(closed[: PAGE + 1])
    open_from = start_of(desk, "open_from")
    still = own.filter(closed_at=None).order_by("-started_at", "-id")
    some = [] if after else list(still[open_from : open_from + PAGE + 1])
    listed = [*some[:PAGE], *shown[:PAGE]]
    measured([row for run in listed for row in run.sums.all()], listed)
    return desk.render(
        "recovery/runs.html",
        {
            "open": some[:PAGE],
            "open_further": open_from + PAGE if len(some) > PAGE else None,
            "open_from": open_from,
            "closed": shown[:PAGE],
            "more": shown[PAGE - 1].pk if len(shown) > PAGE else None,
            "is_later": bool(after),
        },
        here="runs",
    )


@desk_page("runs.log", "POST")
def start(desk: Desk) -> HttpResponse:
    """Start a run, or go on from a draft. `?container=` is what was scanned: it is charged next."""
    request = desk.request
    scanned = _scanned(desk)
    before = before_a_run(desk, scanned)
    form = StartForm(request.POST if request.method == "POST" else None, lab=desk.lab)
    if request.method == "POST" and form.is_valid():
        pk = done(desk, form, lambda: str(runs.run_start(**desk.by, **form.told()).pk))
        if pk is not None:
            if scanned is not None:
                messages.success(request, _opened(scanned, alone=before.get("alone", False)))
                charge = reverse("run-charge", args=[desk.lab.slug, pk])
                return redirect(f"{charge}?{urlencode({'container': scanned.code})}")
            messages.success(request, _("The run is open. Scan a container to charge it."))
            return redirect("run", slug=desk.lab.slug, run=pk)
    latest = Run.objects.filter(lab=desk.lab).order_by("-id").values_list("purpose", flat=True)[:200]
    context = {
        "form": form,
        **before,
        "purposes": list(dict.fromkeys(latest))[:20],
        "scanned": scanned,
        "drafts": list(
            Run.objects.filter(lab=desk.lab, is_draft=True, closed_at=None).order_by("-id")[:DRAFTS_SHOWN]
        ),
    }
    return desk.render("recovery/run_start.html", context, here="runs", status=status_of(form))


def _opened(scanned: Container, *, alone: bool) -> str:
    """What is said once the run is there. alone: nobody is to take anything out of what was scanned."""
    if not alone:
        return _("The run is open. Charge it now.")
    words = _("The run is open. Record that %(code)s was charged only if that has been done already.")
    return words % {"code": scanned.code}


def _scanned(desk: Desk) -> Container | None:
    """The container that the address names; one that is not of this lab is no container."""
    try:
        return container_coded(desk.caller, code_in(desk.request.GET.get("container", "")))
    except InputError:
        return None


@desk_page("runs.read")
def run(desk: Desk, run: str) -> HttpResponse:
    """One run: what was charged and came back, what it holds, and what became of the rest."""
    found = desk.caller.by_id(Run.objects.select_related("operator", "kind", "location"), run)
    context = {**_facts(found), **known_of(desk.lab, found), "title": found.purpose}
    context["balances"] = balances_of(desk.lab, found)
    lost_known(context["losses"], context["balances"])
    context["came_into"] = _came_into(context["returns"])
    context["often"] = too_often(found) if FINDING in found.findings else []
    for row in context["returns"]:
        row.told_state = context["states"].get(row.entry)
    return desk.render("recovery/run.html", context, here="runs")


def _came_into(returns: list[Movement]) -> list[Container]:
    """The containers that hold what came back, each once."""
    standing = (row for row in returns if getattr(row, "reversed_by", None) is None)
    rows = (getattr(row.destination, "container", None) for row in standing)
    return list({row.pk: row for row in rows if row is not None and row.volume_ul > 0}.values())


def _facts(found: Run) -> dict[str, Any]:
    ends = ("lot__solvent", "actor", "source__container", "destination__container", "reversed_by")
    moved = Movement.objects.select_related("source", "destination", *ends)
    into = moved.filter(destination_id=found.place_id).order_by("happened_at", "id")
    out = moved.filter(source_id=found.place_id).order_by("happened_at", "id")
    sums = list(RunSum.objects.filter(run=found).select_related("solvent").order_by("solvent__name"))
    measured(sums, [found])
    readings_known((*into, *out))
    signed = Clearance.objects.filter(run=found).exclude(override_reason="").order_by("id")
    return {
        "run": found,
        "sums": sums,
        "charges": [row for row in into if row.kind == "charge"],
        "returns": [row for row in out if row.kind == "return"],
        "losses": [row for row in (*out, *into) if row.kind not in ("charge", "return", "reversal")],
        "overrides": list(signed),
    }


@desk_page("runs.log", "POST")
def close(desk: Desk, run: str) -> HttpResponse:
    """Close a run. Every part of what is missing is asked for; what nobody can name is unaccounted."""
    found = desk.caller.by_id(Run.objects.select_related("kind"), run)
    request = desk.request
    expected = balances_of(desk.lab, found)
    held = list(RunSum.objects.filter(run=found).exclude(held_ul=0).select_related("solvent"))
    form = CloseForm(
        request.POST if request.method == "POST" else None, held=held, expected=prompts(expected)
    )
    if request.method == "POST" and form.is_valid():
        words = done(desk, form, lambda: _closed(desk, found, form), found)
        if words is not None:
            messages.success(request, words)
            return redirect("run", slug=desk.lab.slug, run=found.pk)
    context = {**_facts(found), "form": form, "held": held, "balances": expected}
    return desk.render("recovery/run_close.html", context, here="runs", status=status_of(form))


def _closed(desk: Desk, found: Run, form: CloseForm) -> str:
    losses = [loss for _name, loss in form.told()]
    remarks = form.remarks(found)
    if remarks is not None:
        run_change(**desk.by, run=found, changes={"remarks": remarks})
    dry = form.cleaned_data["to_dryness"]
    runs.run_close(**desk.by, run=found, losses=losses, to_dryness=dry, happened_at=form.tapped())
    return _("The run is closed.")
