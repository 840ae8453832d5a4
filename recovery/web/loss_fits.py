"""Losses fitted to the lab's own runs: asked for, looked at, put into use, and taken out again."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.http import HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils.translation import gettext as _

from inventory.web.desk import Desk, desk_page, done, status_of
from inventory.web.language import spoken
from recovery.models import LossFit, Run
from recovery.rules.fitting import DRIVERS, RUNS_MIN, RUNS_PER_COEFFICIENT
from recovery.rules.kept_phrases import KEPT, said_again
from recovery.rules.shipped_words import shipped
from recovery.selectors.apparatus import fits_of
from recovery.services.loss_fits import fit_adopt, fit_end, fit_make
from recovery.web.apparatus_forms import FitForm, PlainForm
from recovery.web.asking import Words, ask, posted

FITS_SHOWN, RUNS_SHOWN = 50, 100


@desk_page("reports.read", "POST")
def fits(desk: Desk) -> HttpResponse:
    """All fits, and a form to make one. `?apparatus=` opens it with that apparatus chosen."""
    making = desk.request.method == "POST"
    if making:
        desk.require("losses.fit")
    chosen = {name: desk.request.GET.get(name) for name in ("apparatus", "solvent")}
    form = FitForm(posted(desk), lab=desk.lab, initial={k: v for k, v in chosen.items() if v})
    if making and form.is_valid():
        pk = done(desk, form, lambda: str(fit_make(**desk.by, **form.told()).pk))
        if pk is not None:
            return redirect("loss-fit", slug=desk.lab.slug, fit=pk)
    context = {
        "form": form,
        "fits": list(fits_of(desk.lab)[:FITS_SHOWN]),
        "least": RUNS_MIN,
        "each": RUNS_PER_COEFFICIENT,
    }
    return desk.render("recovery/loss_fits.html", context, here="more", status=status_of(form))


@desk_page("reports.read")
def fit(desk: Desk, fit: str) -> HttpResponse:
    """One fit: coefficients with their intervals, how well it fits, and what it cannot tell."""
    found = _at(desk, fit)
    kept: dict[str, Any] = said_again(found.result, found.result.get(KEPT, {}))
    runs = Run.objects.filter(pk__in=kept["run_ids"][-RUNS_SHOWN:]).order_by("-started_at")
    context = {
        "fit": found,
        "kept": kept,
        "since": kept["since"] and datetime.fromisoformat(kept["since"]),
        "runs": list(runs),
        "more": max(0, len(kept["run_ids"]) - RUNS_SHOWN),
        "rest": kept["closed_runs"] - found.runs,
        "left_out": [(DRIVERS[one["driver"]].words, one["reason"]) for one in kept["left_out"]],
    }
    return desk.render("recovery/loss_fit.html", context, here="more")


def _at(desk: Desk, ref: str) -> LossFit:
    found: LossFit = desk.caller.by_id(fits_of(desk.lab), ref)
    return found


@desk_page("losses.fit", "POST")
def adopt(desk: Desk, fit: str) -> HttpResponse:
    """From now on predictions of such runs rest on it."""
    found = _at(desk, fit)
    form = PlainForm(posted(desk))

    def work() -> str:
        fit_adopt(**desk.by, fit=found)
        return _("It is in use: predictions of such runs rest on it, and name it.")

    before = _(
        "Predictions of such runs will rest on it instead of theory, and say so. Another fit of the same "
        "solvent, kind and apparatus that is in use ends by it. Nothing that is recorded changes."
    )
    words = Words(_("Put a fit into use"), _("Put it into use"), named(found), before)
    return ask(desk, form, work, words, _home(desk, found), here="more")


@desk_page("losses.fit", "POST")
def end(desk: Desk, fit: str) -> HttpResponse:
    """Predictions rest on theory again."""
    found = _at(desk, fit)
    form = PlainForm(posted(desk))

    def work() -> str:
        fit_end(**desk.by, fit=found)
        return _("It is out of use: predictions rest on theory again.")

    before = _("Predictions of such runs rest on theory and assumptions again. The fit stays on record.")
    words = Words(_("Take a fit out of use"), _("Take it out of use"), named(found), before)
    return ask(desk, form, work, words, _home(desk, found), here="more")


def _home(desk: Desk, found: LossFit) -> str:
    return reverse("loss-fit", args=[desk.lab.slug, found.pk])


def named(found: LossFit) -> str:
    """Of what it is."""
    parts = [spoken(found.solvent.name)]
    parts += [] if found.apparatus is None else [found.apparatus.name]
    parts += [] if found.kind is None else [spoken(shipped(found.kind.name))]
    return ", ".join(parts)
