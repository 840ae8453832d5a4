"""Stills, condensers and all that solvent passes: what each is, what was done to it, what runs in it lose."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

from django.http import HttpResponse
from django.urls import reverse
from django.utils.translation import gettext as _

from inventory.web.desk import Desk, desk_page, status_of
from recovery.models import Apparatus, ApparatusRecord, LossSignal
from recovery.selectors.apparatus import apparatus_rows, fits_of, judged_since, records_of, signals_of
from recovery.selectors.loss_series import signal_said
from recovery.selectors.losses import loss_rates
from recovery.selectors.runs_behind import solvents_lost
from recovery.services.apparatus import (
    apparatus_add,
    apparatus_change,
    apparatus_end,
    record_add,
    record_withdraw,
)
from recovery.templatetags.apparatus import record_words
from recovery.web.apparatus_forms import ApparatusForm, RecordForm, RetireForm
from recovery.web.asking import Words, ask, posted
from recovery.web.run_forms import ReasonForm

FITS_SHOWN = 5


@desk_page("runs.read", "POST")
def apparatus_list(desk: Desk) -> HttpResponse:
    """All apparatus of the lab, and a form to add one."""
    adding = desk.request.method == "POST"
    if adding:
        desk.require("locations.edit")
    form = ApparatusForm(posted(desk), lab=desk.lab)
    if not adding:
        rows = list(apparatus_rows(desk.lab))
        context = {"form": form, "rows": rows, "used": [row for row in rows if row.ended_at is None]}
        return desk.render("recovery/apparatus_list.html", context, here="more", status=status_of(form))
    home = reverse("apparatus", args=[desk.lab.slug])

    def work() -> str:
        row = apparatus_add(**desk.by, **form.told())
        return _("%(name)s is on record. Choose it when a run is started.") % {"name": row.name}

    words = Words(_("Add apparatus"), _("Add it"), _("Apparatus"))
    return ask(desk, form, work, words, home, here="more")


@desk_page("runs.read")
def apparatus_one(desk: Desk, apparatus: str) -> HttpResponse:
    """One apparatus with its losses, its record and its fits."""
    found = _at(desk, apparatus)
    records = records_of(found)
    rates = loss_rates(lab=desk.lab, by=("solvent",), apparatus=found.name)
    solvents = solvents_lost(desk.lab)
    return desk.render(
        "recovery/apparatus.html",
        {
            "row": found,
            "records": records,
            "since": judged_since(records),
            "rates": [(solvents[rate.group["solvent"]], rate) for rate in rates],
            "signals": [(row, _said(desk, row)) for row in signals_of(found)],
            "fits": list(fits_of(desk.lab, found)[:FITS_SHOWN]),
        },
        here="more",
    )


def _said(desk: Desk, row: LossSignal) -> str:
    """What a signal says, in the language of the page."""
    since = row.since_run.started_at.astimezone(ZoneInfo(desk.lab.time_zone)).date()
    return signal_said(row, since=since, today=desk.today)


def _at(desk: Desk, ref: str) -> Apparatus:
    found: Apparatus = desk.caller.by_id(Apparatus.objects.select_related("location"), ref)
    return found


def _home(desk: Desk, found: Apparatus) -> str:
    return reverse("apparatus-one", args=[desk.lab.slug, found.pk])


@desk_page("locations.edit", "POST")
def change(desk: Desk, apparatus: str) -> HttpResponse:
    """Its name, what it is, where it stands, what stays in it."""
    found = _at(desk, apparatus)
    form = ApparatusForm(posted(desk), lab=desk.lab, row=found)

    def work() -> str:
        apparatus_change(**desk.by, apparatus=found, changes=form.told())
        return _("Recorded.")

    before = _("A corrected name or place changes no loss. If a part was replaced, record that as a change.")
    words = Words(_("Correct its record"), _("Save the change"), found.name, before)
    return ask(desk, form, work, words, _home(desk, found), here="more")


@desk_page("runs.log", "POST")
def record(desk: Desk, apparatus: str) -> HttpResponse:
    """A repair, a change, a leak that was found."""
    found = _at(desk, apparatus)
    form = RecordForm(posted(desk))

    def work() -> str:
        told: dict[str, Any] = form.moment()
        record_add(**desk.by, apparatus=found, what=form.cleaned_data["what"], **told)
        return _("Recorded.")

    before = _(
        "After a repair the limits of before still hold until enough new runs are there, so that a repair "
        "that mended nothing is seen. After a change they are made anew."
    )
    queue = f"{_('Record of an apparatus')} · {found.name}"
    words = Words(_("Record what was done"), _("Record what was done"), found.name, before, queue)
    return ask(desk, form, work, words, _home(desk, found), here="more")


@desk_page("locations.edit", "POST")
def end(desk: Desk, apparatus: str) -> HttpResponse:
    """It is used no more; its runs keep it."""
    found = _at(desk, apparatus)
    form = RetireForm(posted(desk))

    def work() -> str:
        apparatus_end(**desk.by, apparatus=found, reason=form.cleaned_data["reason"])
        return _("It is used no more.")

    before = _("Runs that were done in it keep it, and its name stays taken. This cannot be undone.")
    words = Words(_("Take it out of use"), _("Take it out of use"), found.name, before)
    return ask(desk, form, work, words, _home(desk, found), here="more")


@desk_page("safety.withdraw", "POST")
def take_back(desk: Desk, record: str) -> HttpResponse:
    """A record that was wrong is taken back by a newer one."""
    row: ApparatusRecord = desk.caller.by_id(ApparatusRecord.objects.select_related("apparatus"), record)
    form = ReasonForm(posted(desk))

    def work() -> str:
        record_withdraw(**desk.by, row=row, reason=form.cleaned_data["reason"])
        return _("Taken back. Both stay on the record.")

    before = _("“%(what)s” of %(name)s") % {"what": record_words(row.what), "name": row.apparatus.name}
    words = Words(_("Take a record back"), _("Take it back"), row.apparatus.name, before)
    return ask(desk, form, work, words, _home(desk, row.apparatus), here="more")
