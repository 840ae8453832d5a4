"""Runs: which are open, starting one, what went out and came back, and closing it with every loss named."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django import forms
from django.contrib import messages
from django.db.models import Prefetch
from django.http import HttpResponse
from django.shortcuts import redirect
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from inventory.models import LOSSES, Movement, PlaceKind, Solvent
from inventory.web.bench_forms import UNITS, number_input
from inventory.web.desk import Desk, DeskForm, desk_page, done, status_of
from recovery.models import Clearance, Run, RunSum
from recovery.services import runs
from recovery.services.runs import Loss
from recovery.web.run_balance import balances_of, known_of, prompts
from recovery.web.run_forms import StartForm

PAGE = 50
NAMED_LOSSES = [kind for kind in LOSSES if kind != PlaceKind.UNACCOUNTED]
LOSS_WORDS = {
    "water-layer": gettext_lazy("into the water layer"),
    "air": gettext_lazy("into the air"),
    "still-residue": gettext_lazy("left in the still as residue"),
    "product": gettext_lazy("left in the product"),
    "reaction": gettext_lazy("used up in a reaction"),
    "waste-contractor": gettext_lazy("handed over as waste"),
}


class CloseForm(DeskForm):
    """A place for each loss that somebody can name; the rest is booked as unaccounted."""

    def __init__(
        self, *args: Any, held: list[RunSum], expected: Mapping[tuple[int, str], str], **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.held = held
        self.parts: list[tuple[str, Solvent, str]] = []
        for row in held:
            for kind in NAMED_LOSSES:
                name = f"loss_{row.solvent_id}_{kind}"
                label = str(LOSS_WORDS[kind])
                if len(held) > 1:
                    label = f"{row.solvent.name} {label}"
                self.fields[name] = forms.CharField(
                    label=label,
                    required=False,
                    max_length=30,
                    widget=number_input(),
                    help_text=expected.get((row.solvent_id, kind), ""),
                )
                self.parts.append((name, row.solvent, kind))
        self.fields["unit"] = forms.ChoiceField(label=gettext_lazy("Unit"), choices=UNITS, initial="mL")
        self.fields["to_dryness"] = forms.BooleanField(
            label=gettext_lazy("What is left is to be taken to dryness"), required=False
        )

    def told(self) -> list[tuple[str, Loss]]:
        """The losses named, each with its field."""
        unit = self.cleaned_data["unit"]
        return [
            (name, Loss(to=kind, amount={"value": self.cleaned_data[name], "unit": unit}, solvent=solvent))
            for name, solvent, kind in self.parts
            if self.cleaned_data.get(name)
        ]

    def refuse(self, error: Any) -> None:
        parts = error.field.split(".")
        told = self.told()
        if parts[0] == "losses" and len(parts) > 1 and parts[1].isdigit() and int(parts[1]) < len(told):
            self.add_error(told[int(parts[1])][0], f"{error.detail} {error.remedy}".strip())
            return
        super().refuse(error)


@desk_page("runs.read")
def runs_page(desk: Desk) -> HttpResponse:
    """Open runs first, then the newest closed ones."""
    sums = Prefetch("sums", RunSum.objects.select_related("solvent").order_by("solvent__name"))
    own = Run.objects.filter(lab=desk.lab).prefetch_related(sums)
    after = desk.request.GET.get("after", "")
    closed = own.exclude(closed_at=None).order_by("-id")
    if after.isdigit() and len(after) < 19:
        closed = closed.filter(pk__lt=int(after))
    shown = list(closed[: PAGE + 1])
    return desk.render(
        "recovery/runs.html",
        {
            "open": [] if after else list(own.filter(closed_at=None).order_by("-started_at")[:PAGE]),
            "closed": shown[:PAGE],
            "more": shown[PAGE - 1].pk if len(shown) > PAGE else None,
            "is_later": bool(after),
        },
        here="runs",
    )


@desk_page("runs.log", "POST")
def start(desk: Desk) -> HttpResponse:
    """Start a run; its page is where charges and returns are logged."""
    request = desk.request
    form = StartForm(request.POST if request.method == "POST" else None, lab=desk.lab)
    if request.method == "POST" and form.is_valid():
        pk = done(desk, form, lambda: str(runs.run_start(**desk.by, **form.told()).pk))
        if pk is not None:
            messages.success(request, _("The run is open. Scan a container to charge it."))
            return redirect("run", slug=desk.lab.slug, run=pk)
    latest = Run.objects.filter(lab=desk.lab).order_by("-id").values_list("purpose", flat=True)[:200]
    context = {"form": form, "purposes": list(dict.fromkeys(latest))[:20]}
    return desk.render("recovery/run_start.html", context, here="runs", status=status_of(form))


@desk_page("runs.read")
def run(desk: Desk, run: str) -> HttpResponse:
    """One run: what was charged and came back, what it holds, and what became of the rest."""
    found = desk.caller.by_id(Run.objects.select_related("operator", "kind", "location"), run)
    context = {**_facts(found), **known_of(desk.lab, found), "title": found.purpose}
    context["balances"] = balances_of(desk.lab, found)
    for row in context["returns"]:
        row.told_state = context["states"].get(row.entry)
    return desk.render("recovery/run.html", context, here="runs")


def _facts(found: Run) -> dict[str, Any]:
    ends = ("lot__solvent", "actor", "source__container", "destination__container", "reversed_by")
    moved = Movement.objects.select_related("source", "destination", *ends)
    into = moved.filter(destination_id=found.place_id).order_by("happened_at", "id")
    out = moved.filter(source_id=found.place_id).order_by("happened_at", "id")
    signed = Clearance.objects.filter(run=found).exclude(override_reason="").order_by("id")
    return {
        "run": found,
        "sums": list(RunSum.objects.filter(run=found).select_related("solvent").order_by("solvent__name")),
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
        words = done(desk, form, lambda: _closed(desk, found, form))
        if words is not None:
            messages.success(request, words)
            return redirect("run", slug=desk.lab.slug, run=found.pk)
    context = {**_facts(found), "form": form, "held": held, "balances": expected}
    return desk.render("recovery/run_close.html", context, here="runs", status=status_of(form))


def _closed(desk: Desk, found: Run, form: CloseForm) -> str:
    losses = [loss for _name, loss in form.told()]
    runs.run_close(**desk.by, run=found, losses=losses, to_dryness=form.cleaned_data["to_dryness"])
    return _("The run is closed.")
