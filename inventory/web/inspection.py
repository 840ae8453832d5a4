"""The report for an inspection: asked for by period, made as PDF, its list of formers as CSV."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from django import forms
from django.http import HttpResponse, StreamingHttpResponse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from inventory.services.inspection import formers, formers_counted, inspection
from inventory.web.csv_out import csv_file
from inventory.web.desk import Desk, desk_page, status_of
from inventory.web.inspection_paper import inspection_paper
from inventory.web.papers import paper_field, pdf_answer

PERIOD_DAYS = 365
PERIOD_MAX_DAYS = 3660
#: with more formers, how many of them nobody may use is told by the paper alone, which takes its time
JUDGED_MAX = 500
CSV_COLUMNS = (
    "code", "solvent", "peroxide_class", "place", "volume_ul", "received_on", "opened", "opened_on",
    "tested_on", "reading", "method", "lower_mg_per_l", "upper_mg_per_l", "next_test_due", "level",
    "verdict", "words", "advice",
)  # fmt: skip


def _day(label: Any) -> forms.DateField:
    widget = forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
    return forms.DateField(label=label, widget=widget)


class InspectionForm(forms.Form):
    """It only reads: the paper has an address of its own."""

    since = _day(gettext_lazy("Signed for from"))
    until = _day(gettext_lazy("to"))
    paper = paper_field()

    def clean(self) -> dict[str, Any]:
        told = super().clean() or {}
        since, until = told.get("since"), told.get("until")
        if since and until and since > until:
            self.add_error("until", _("The end comes before the beginning. Swap the two days."))
        elif since and until and (until - since).days > PERIOD_MAX_DAYS:
            self.add_error("since", _("That is longer than ten years. Choose a later day."))
        return told


def _start(today: date) -> dict[str, Any]:
    return {"since": today - timedelta(days=PERIOD_DAYS), "until": today, "paper": "a4"}


@desk_page("audit.read")
def inspection_page(desk: Desk) -> HttpResponse:
    """Choose the period; what stands out today is told before the paper is made."""
    return _asked(desk, InspectionForm(None, initial=_start(desk.today), label_suffix=""))


def _asked(desk: Desk, form: InspectionForm) -> HttpResponse:
    count, overdue = formers_counted(lab=desk.lab, today=desk.today)
    context = {"form": form, "count": count, "overdue": overdue}
    if count <= JUDGED_MAX:
        context["alone"] = sum(bottle.alone for bottle in formers(lab=desk.lab, today=desk.today))
    return desk.render("inventory/inspection.html", context, here="more", status=status_of(form))


@desk_page("audit.read")
def inspection_file(desk: Desk) -> HttpResponse:
    """The report as PDF, or the form again with what is to be mended. Without a period: the last year."""
    given = desk.request.GET
    start = {name: str(value) for name, value in _start(desk.today).items()}
    form = InspectionForm(
        {**start, **{name: given[name] for name in start if name in given}}, label_suffix=""
    )
    if not form.is_valid():
        return _asked(desk, form)
    told = form.cleaned_data
    found = inspection(lab=desk.lab, now=desk.now, since=told["since"], until=told["until"])
    paper = inspection_paper(found, asked_by=desk.caller.user.display_name)
    return pdf_answer(paper, told["paper"], f"{desk.lab.slug}-inspection-{desk.today.isoformat()}")


@desk_page("audit.read")
def inspection_csv(desk: Desk) -> StreamingHttpResponse:
    """Its list of peroxide formers, in the same order."""
    rows = []
    for one in formers(lab=desk.lab, today=desk.today):
        test, said = one.test, one.told
        tested = (
            (test.on, test.reading, test.method, test.lower_mg_per_l, test.upper_mg_per_l) if test else ()
        )
        rows.append(
            [
                *(one.code, one.solvent, one.peroxide_class, one.place, one.volume_ul, one.received_on),
                *(one.opened, one.opened_on, *tested, one.due_on),
                *(said.level, said.verdict, said.words, said.advice),
            ]
        )
    return csv_file(f"{desk.lab.slug}-formers", CSV_COLUMNS, rows)
