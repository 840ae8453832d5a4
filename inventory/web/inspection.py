"""The report for an inspection: asked for by period, made as PDF, its list of formers as CSV.

One of a few hundred lines is made at once; a longer one is a job, and the page has it when it is made.
"""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any
from urllib.parse import urlencode

from django import forms
from django.contrib import messages
from django.http import HttpResponse, StreamingHttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils.timezone import localtime
from django.utils.translation import get_language, gettext_lazy
from django.utils.translation import gettext as _

from inventory.services.inspection import barred_counted, formers, formers_counted, inspection, lines_counted
from inventory.services.inspection_reports import Wanted, report_ask, report_of
from inventory.web.csv_out import csv_file
from inventory.web.desk import Desk, DeskForm, desk_page, done, status_of
from inventory.web.inspection_paper import inspection_paper
from inventory.web.papers import paper_field, pdf_answer

PERIOD_DAYS = 365
PERIOD_MAX_DAYS = 3660
#: with more formers, how many of them nobody may use is told by the paper alone, which takes its time
JUDGED_MAX = 500
#: a paper with more lines than this is made as a job
AT_ONCE_MAX = 300
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

    since = _day(gettext_lazy("Signatures from"))
    until = _day(gettext_lazy("Signatures to"))
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


class AskForm(InspectionForm, DeskForm):
    """The same, to have it made."""


@desk_page("audit.read", "POST")
def inspection_page(desk: Desk) -> HttpResponse:
    """Choose the period; what stands out today is told before the paper is made."""
    if desk.request.method != "POST":
        return _asked(desk, None)
    form = AskForm(desk.request.POST)
    if form.is_valid():
        words = done(desk, form, lambda: _have_it_made(desk, form.cleaned_data))
        if words is not None:
            messages.success(desk.request, words)
            return redirect("inspection", desk.lab.slug)
    return _asked(desk, form)


def _have_it_made(desk: Desk, told: dict[str, Any]) -> str:
    language, unit = get_language() or "", desk.caller.user.volume_unit
    wanted = Wanted(told["since"], told["until"], told["paper"] or "a4", language, unit)
    report_ask(**desk.by, wanted=wanted)
    return _("The report is being made. It stands here when it is ready.")


def _asked(desk: Desk, form: forms.Form | None) -> HttpResponse:
    """form: one to be mended. Otherwise that which this lab needs, with the period of the address."""
    count, overdue = formers_counted(lab=desk.lab, today=desk.today)
    start = _start(desk.today)
    is_long = _lines(desk, start) > AT_ONCE_MAX
    if form is None:
        chosen = {**start, **{name: desk.request.GET[name] for name in start if name in desk.request.GET}}
        form = AskForm(initial=chosen) if is_long else InspectionForm(None, initial=chosen, label_suffix="")
    report = report_of(lab=desk.lab, actor=desk.caller.user)
    context = {"form": form, "count": count, "overdue": overdue, "is_long": is_long, "report": report}
    if count <= JUDGED_MAX:
        found = formers(lab=desk.lab, today=desk.today)
        context["alone"], context["test_first"] = barred_counted(found)
    return desk.render("inventory/inspection.html", context, here="more", status=status_of(form))


def _lines(desk: Desk, told: dict[str, Any]) -> int:
    return lines_counted(lab=desk.lab, today=desk.today, since=told["since"], until=told["until"])


@desk_page("audit.read")
def inspection_file(desk: Desk) -> HttpResponse:
    """The report as PDF, or the form again with what is to be mended. Without a period: the last year.

    One that is long leads to the page on which it is asked for, with what was chosen.
    """
    given = desk.request.GET
    start = {name: str(value) for name, value in _start(desk.today).items()}
    chosen = {**start, **{name: given[name] for name in start if name in given}}
    form = InspectionForm(chosen, label_suffix="")
    if not form.is_valid():
        return _asked(desk, form)
    told = form.cleaned_data
    if _lines(desk, told) > AT_ONCE_MAX:
        messages.info(desk.request, _("It is too long to be made while you wait: have it made here."))
        return redirect(f"{reverse('inspection', args=[desk.lab.slug])}?{urlencode(chosen)}")
    found = inspection(lab=desk.lab, now=desk.now, since=told["since"], until=told["until"])
    paper = inspection_paper(found, asked_by=desk.caller.user.display_name)
    return pdf_answer(paper, told["paper"], f"{desk.lab.slug}-inspection-{desk.today.isoformat()}")


@desk_page("audit.read")
def report_file(desk: Desk) -> HttpResponse:
    """What was made for this person; without it, the page on which it is asked for."""
    report = report_of(lab=desk.lab, actor=desk.caller.user)
    if report is None or report.as_of is None:
        return redirect("inspection", desk.lab.slug)
    response = HttpResponse(report.pdf, content_type="application/pdf")
    name = f"{desk.lab.slug}-inspection-{localtime(report.as_of):%Y-%m-%d}.pdf"
    response["Content-Disposition"] = f'inline; filename="{name}"'
    return response


@desk_page("audit.read")
def inspection_csv(desk: Desk) -> StreamingHttpResponse:
    """Its list of peroxide formers, in the same order."""
    rows = []
    for one in formers(lab=desk.lab, today=desk.today):
        test, said = one.test, one.told
        tested: tuple[Any, ...] = ("",) * 5
        if test:
            tested = (test.on, test.reading, test.method, test.lower_mg_per_l, test.upper_mg_per_l)
        rows.append(
            [
                *(one.code, one.solvent, one.peroxide_class, one.place, one.volume_ul, one.received_on),
                *(one.opened, one.opened_on, *tested, one.test_by),
                *(one.level, one.verdict, said.words, said.advice),
            ]
        )
    return csv_file(f"{desk.lab.slug}-formers", CSV_COLUMNS, rows)
