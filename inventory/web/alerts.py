"""Alerts: all of them with filters in the address, and one with its history and what may be done about it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any
from urllib.parse import urlencode

from django import forms
from django.contrib import messages
from django.db.models import Q, QuerySet
from django.http import HttpResponse, StreamingHttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from inventory.models import Alert
from inventory.selectors.alert_story import fates_of, history_of
from inventory.services.answering import alert_acknowledge, alert_put_off, by_severity
from inventory.services.sweep import sweep
from inventory.services.watches import rules
from inventory.web.alert_lines import CSV_COLUMNS, PutOffForm, SeenForm, cells, lines_of, put_off_q, to_do
from inventory.web.csv_out import csv_file
from inventory.web.desk import Desk, DeskForm, desk_page, done
from inventory.web.language import spoken
from inventory.web.rows import RowForm, act
from inventory.web.trail_said import said
from inventory.web.trail_words import verb_words

# Each with its forms and its verdict: a hundred would take the server half a second.
PAGE = 40
CSV_PAGE = 500
WHICH = {
    "": gettext_lazy("to be done"),
    "waiting": gettext_lazy("put off"),
    "open": gettext_lazy("all that stand open"),
    "over": gettext_lazy("over"),
}


class AlertFilter(forms.Form):
    """What to show; its answer has an address of its own."""

    which = forms.ChoiceField(label=gettext_lazy("Which"), required=False, choices=list(WHICH.items()))
    rule = forms.ChoiceField(label=gettext_lazy("Because of"), required=False, choices=[])

    def __init__(self, data: Any) -> None:
        super().__init__(data, label_suffix="")
        field = self.fields["rule"]
        assert isinstance(field, forms.ChoiceField)
        field.choices = [("", gettext_lazy("all")), *((rule.key, spoken(rule.words)) for rule in rules())]

    def rows(self, desk: Desk) -> QuerySet[Any]:
        """What fits, the worst first. What cannot be read of the address is left out."""
        self.is_valid()
        told = self.cleaned_data
        rows = Alert.objects.filter(lab=desk.lab).select_related("acknowledged_by")
        which = told.get("which", "")
        if which == "over":
            rows = rows.filter(closed_at__isnull=False)
        elif which == "":
            rows = to_do(rows, desk)
        else:
            rows = rows.filter(closed_at=None)
            rows = rows.filter(put_off_q(desk)) if which == "waiting" else rows
        if told.get("rule"):
            rows = rows.filter(rule=told["rule"])
        return by_severity(rows).order_by("severity", "-pk")


def _after(rows: QuerySet[Any], text: str) -> QuerySet[Any]:
    """From the place in the list that an address names; one that was tampered with starts anew."""
    found = re.fullmatch(r"([1-9])~(\d{1,18})", text, re.ASCII)
    if found is None:
        return rows
    severity, pk = int(found[1]), int(found[2])
    return rows.filter(Q(severity__gt=severity) | Q(severity=severity, pk__lt=pk))


@desk_page("alerts.read", "POST")
def alerts(desk: Desk) -> HttpResponse:
    """So many at a time, the worst first, each with its forms."""
    fault: RowForm | None = None
    if desk.request.method == "POST":
        desk.require("alerts.sweep")
        answer = act(desk, {"look": _look}, "alerts")
        if not isinstance(answer, RowForm):
            return answer
        fault = answer
    wanted = AlertFilter(desk.request.GET)
    every = wanted.rows(desk)
    rows = list(_after(every, desk.request.GET.get("after", ""))[: PAGE + 1])
    kept = {name: value for name, value in desk.request.GET.items() if value and name != "after"}
    last = rows[PAGE - 1] if len(rows) > PAGE else None
    context = {
        "filter": wanted,
        "lines": lines_of(desk, rows[:PAGE]),
        "count": every.count(),
        "filtered": bool(kept),
        "download": urlencode(kept),
        "more": urlencode({**kept, "after": f"{last.severity}~{last.pk}"}) if last else "",
        "form": fault,
        "back": "alerts",
    }
    return desk.render("inventory/alerts.html", context, here="more", status=400 if fault else 200)


def _look(desk: Desk, row: str) -> str:
    found = sweep(now=desk.now, lab=desk.lab).values()
    opened, closed = sum(each.opened for each in found), sum(each.closed for each in found)
    return _("Looked: %(opened)d new, %(closed)d over.") % {"opened": opened, "closed": closed}


@desk_page("alerts.read")
def alerts_csv(desk: Desk) -> StreamingHttpResponse:
    return csv_file(f"{desk.lab.slug}-alerts", CSV_COLUMNS, _cells(desk))


def _cells(desk: Desk) -> Iterator[list[Any]]:
    rows, after = AlertFilter(desk.request.GET).rows(desk), ""
    while True:
        some = list(_after(rows, after)[:CSV_PAGE])
        yield from map(cells, lines_of(desk, some, advise=False))
        if len(some) < CSV_PAGE:
            return
        after = f"{some[-1].severity}~{some[-1].pk}"


# -- one alert

NEEDS = {"seen": "alerts.answer", "put-off": "alerts.put-off"}


@desk_page("alerts.read", "POST")
def alert(desk: Desk, alert: str) -> HttpResponse:
    """One alert. Its forms stand on the front page and in the list as well, and are sent here."""
    found = desk.caller.by_id(Alert.objects.select_related("acknowledged_by"), alert)
    fault: DeskForm | None = None
    if desk.request.method == "POST":
        deed = desk.request.POST.get("deed", "")
        desk.require(NEEDS.get(deed, "alerts.answer"))
        fault = PutOffForm(desk.request.POST) if deed == "put-off" else SeenForm(desk.request.POST)
        words = _carry(desk, found, deed, fault)
        if words is not None:
            messages.success(desk.request, words)
            return redirect(_back(desk))
    line = lines_of(desk, [found])[0]
    context = {
        "line": line,
        "form": fault,
        "seen": fault if isinstance(fault, SeenForm) else line.seen,
        "later": fault if isinstance(fault, PutOffForm) else line.later,
        "back": desk.request.POST.get("back", ""),
        "history": [(event, verb_words(event.verb), said(event.data)) for event in history_of(found)],
        "fates": fates_of(found),
    }
    return desk.render("inventory/alert.html", context, here="more", status=400 if fault else 200)


def _carry(desk: Desk, found: Alert, deed: str, form: DeskForm) -> str | None:
    """Do what was asked for. None when it is refused; the form then says why."""
    if deed not in NEEDS:
        form.is_valid()
        form.add_error(None, _("Say what is to be done about it: see to it, or put it off."))
        return None
    if not form.is_valid():
        return None
    work = _put_off if deed == "put-off" else _seen
    return done(desk, form, lambda: work(desk, found, form.cleaned_data))


def _seen(desk: Desk, found: Alert, told: dict[str, Any]) -> str:
    may_loosen = desk.caller.may("safety.loosen")
    held = alert_acknowledge(**desk.by, alert=found, note=told["note"], may_loosen=may_loosen)
    if held.escalated_at == desk.now:
        return _("Noted. It is so grave that the supervisors hear of it as well.")
    return _("Noted: you see to it.")


def _put_off(desk: Desk, found: Alert, told: dict[str, Any]) -> str:
    may_loosen = desk.caller.may("safety.loosen")
    alert_put_off(
        **desk.by, alert=found, until_on=told["until_on"], reason=told["reason"], may_loosen=may_loosen
    )
    return _("Put off until %(day)s.") % {"day": date_format(told["until_on"], "DATE_FORMAT")}


def _back(desk: Desk) -> str:
    """Where the form stood: the front page or the list."""
    if desk.request.POST.get("back") == "today":
        return reverse("lab", args=[desk.lab.slug])
    return reverse("alerts", args=[desk.lab.slug])
