"""What is told of a run beside its volumes, and opening it again."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect
from django.utils.formats import date_format
from django.utils.timezone import localtime
from django.utils.translation import gettext as _

from inventory.models import Movement
from inventory.templatetags.amounts import ml_text
from inventory.web.desk import Desk, DeskForm, desk_page, done, status_of
from recovery.models import Run
from recovery.selectors.run_facts import facts_now
from recovery.services.reopening import reopen
from recovery.services.return_states import state_tell
from recovery.services.run_details import run_change
from recovery.services.run_facts import tell
from recovery.web.run_forms import DetailsForm, FactsForm, ReasonForm, StateForm


def _shown(
    desk: Desk, run: Run, form: DeskForm, work: Callable[[], str], words: tuple[str, str, str]
) -> HttpResponse:
    """A form of a run on a page of its own. words: title, button, what to know before."""
    if desk.request.method == "POST" and form.is_valid():
        told = done(desk, form, work, run)
        if told is not None:
            messages.success(desk.request, told)
            return redirect("run", slug=desk.lab.slug, run=run.pk)
    title, button, before = words
    context = {"form": form, "run": run, "title": title, "button": button, "before": before}
    # What is told at the bench waits for the network; what closes or opens a run does not.
    context["queue"] = f"{title} · {run.purpose}" if isinstance(form, FactsForm | StateForm) else ""
    return desk.render("recovery/run_form.html", context, here="runs", status=status_of(form))


def overtaken_words() -> str:
    """What somebody is told whose form waited for the network while a newer word came."""
    return _("Kept in the history: something newer was told of it meanwhile, and that stands. Look again.")


def _posted(desk: Desk) -> Any:
    return desk.request.POST if desk.request.method == "POST" else None


def _run(desk: Desk, run: str) -> Run:
    found: Run = desk.caller.by_id(Run.objects.select_related("kind", "location"), run)
    return found


@desk_page("runs.log", "POST")
def details(desk: Desk, run: str) -> HttpResponse:
    """Kind, room, apparatus and remarks, closed or not."""
    found = _run(desk, run)
    form = DetailsForm(_posted(desk), lab=desk.lab, run=found)

    def work() -> str:
        run_change(**desk.by, run=found, changes=form.told())
        return _("Recorded.")

    before = _("Nothing of it moves a volume. Loss rates by apparatus and kind rest on it.")
    return _shown(desk, found, form, work, (_("What it is done in"), _("Record what it is done in"), before))


@desk_page("runs.log", "POST")
def facts(desk: Desk, run: str) -> HttpResponse:
    """What predictions of its losses rest on."""
    found = _run(desk, run)
    known = facts_now([found.pk]).get(found.pk, {})
    form = FactsForm(_posted(desk), lab=desk.lab, run=found, known=known)

    def work() -> str:
        told = form.told()
        made = tell(**desk.by, run=found, facts=told, told_at=form.tapped())
        if len(made) < len(told):
            return overtaken_words()
        return _("Recorded. The balance takes it in.")

    before = _("Fill in what you know; leave the rest. Told again, the newest word counts.")
    return _shown(desk, found, form, work, (_("Facts of the run"), _("Record the facts"), before))


@desk_page("runs.log", "POST")
def states(desk: Desk, run: str) -> HttpResponse:
    """Whether what came back is wet or dried."""
    found = _run(desk, run)
    moved = Movement.objects.filter(source_id=found.place_id, kind="return", reversed_by=None)
    rows = moved.select_related("destination__container").order_by("happened_at", "id")
    form = StateForm(_posted(desk), returns=[(str(row.entry), _return_words(row)) for row in rows])

    def work() -> str:
        told = form.cleaned_data
        entry = UUID(told["entry"])
        what = {"entry": entry, "state": told["state"], "drying_agent": told["drying_agent"]}
        row = state_tell(**desk.by, run=found, **what, told_at=form.tapped())
        return _("Recorded.") if row.recorded_at == desk.now else overtaken_words()

    before = _("A word proves nothing: only a water content that was measured shows how dry it is.")
    return _shown(desk, found, form, work, (_("Wet or dried?"), _("Record how dry it is"), before))


def _return_words(row: Movement) -> str:
    code = getattr(getattr(row.destination, "container", None), "code", "")
    day = date_format(localtime(row.happened_at), "DATE_FORMAT")
    return f"{ml_text(row.volume_ul)}, {code}, {day}"


@desk_page("stock.reverse", "POST")
def reopened(desk: Desk, run: str) -> HttpResponse:
    """A run that was closed by mistake, or too early."""
    found = _run(desk, run)
    form = ReasonForm(_posted(desk))

    def work() -> str:
        may = desk.caller.may("safety.loosen")
        reopen(**desk.by, run=found, reason=form.cleaned_data["reason"], may_loosen=may)
        return _("The run is open again.")

    before = _("What closed it is booked back: it holds again what it held before. The record keeps both.")
    return _shown(desk, found, form, work, (_("Open the run again"), _("Open it again"), before))
