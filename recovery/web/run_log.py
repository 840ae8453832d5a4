"""Logging in the course of a run: what goes in, comes back, is lost; it waits for the network if it must."""

from __future__ import annotations

from typing import Any

from django.http import HttpResponse
from django.urls import reverse
from django.utils.translation import gettext as _

from inventory.models import Container
from inventory.rules.errors import InputError
from inventory.services.facts import containers_with
from inventory.services.verdicts import judged
from inventory.web.desk import Desk, desk_page
from inventory.web.finding import container_coded, container_named
from inventory.web.scan import code_in
from recovery.models import Run
from recovery.services import runs
from recovery.services.gate import Signature
from recovery.services.run_waste import lose
from recovery.web.asking import Words, ask, posted
from recovery.web.run_log_forms import ChargeForm, LossForm, ReturnForm


def _run(desk: Desk, ref: str) -> Run:
    found: Run = desk.caller.by_id(Run.objects.select_related("kind"), ref)
    return found


def _home(desk: Desk, found: Run) -> str:
    return reverse("run", args=[desk.lab.slug, found.pk])


@desk_page("runs.log", "POST")
def charge(desk: Desk, run: str) -> HttpResponse:
    """Out of a container into the run. `?container=` is what the scan found."""
    found = _run(desk, run)
    form = ChargeForm(posted(desk), desk=desk, run=found)

    def work() -> str:
        told = form.cleaned_data
        from_ = container_named(desk.caller, code_in(told["container"]), "container")
        reason = told.get("override", "")
        signature = Signature(reason, allowed=desk.caller.may("runs.override")) if reason else None
        given: dict[str, Any] = {"container": from_, "amount": form.entry(), **form.moment()}
        runs.charge(**desk.by, run=found, signature=signature, **given)
        return _("Charged.")

    before = _("This run distils. A peroxide former needs a fresh passed test first; a refusal says why.")
    words = Words(
        _("Charge the run"), _("Record the charge"), found.purpose, before if found.distils else "",
        f"{_('Charge')} · {found.purpose}",
    )  # fmt: skip
    more = _scanned(desk, found)
    return ask(desk, form, work, words, _home(desk, found), here="runs", **more)


def _scanned(desk: Desk, run: Run) -> dict[str, Any]:
    """What was scanned, with what the house says of it for such a run."""
    try:
        found: Container | None = container_coded(desk.caller, code_in(desk.request.GET.get("container", "")))
    except InputError:
        found = None
    if found is None or found.lot_id is None:
        return {"scanned": found}
    (held,) = containers_with([found.pk])
    _due, verdicts = judged(held, desk.today)
    return {"scanned": held, "verdict": verdicts["distil" if run.distils else "draw"]}


@desk_page("runs.log", "POST")
def give_back(desk: Desk, run: str) -> HttpResponse:
    """Out of the run into a container."""
    found = _run(desk, run)
    form = ReturnForm(posted(desk), desk=desk, run=found)

    def work() -> str:
        told = form.cleaned_data
        into = container_named(desk.caller, code_in(told["container"]), "container")
        given: dict[str, Any] = {"container": into, "amount": form.entry(), **form.moment()}
        wet = {"state": told["state"], "drying_agent": told["drying_agent"]}
        runs.give_back(**desk.by, run=found, solvent=told.get("solvent"), **given, **wet)
        return _("Recorded: it came back.")

    before = _("What was distilled has lost its inhibitor: it gets a label and test dates of its own.")
    words = Words(
        _("Record what came back"), _("Record what came back"), found.purpose,
        before if found.distils else "",
        f"{_('Came back')} · {found.purpose}",
    )  # fmt: skip
    return ask(desk, form, work, words, _home(desk, found), here="runs")


@desk_page("runs.log", "POST")
def lost(desk: Desk, run: str) -> HttpResponse:
    """Into waste, into the air: known before the run is closed."""
    found = _run(desk, run)
    form = LossForm(posted(desk), desk=desk, run=found)

    def work() -> str:
        happened_at = form.moment()["happened_at"]
        lose(**desk.by, run=found, loss=form.loss(), happened_at=happened_at)
        return _("Recorded.")

    before = _("What is named here need not be guessed at when the run is closed.")
    queue = f"{_('Loss or waste')} · {found.purpose}"
    words = Words(_("Record a loss or waste"), _("Record the loss or waste"), found.purpose, before, queue)
    return ask(desk, form, work, words, _home(desk, found), here="runs")
