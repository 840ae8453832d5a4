"""The audit trail: who did what, when, and to which record, with its filters in the address."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from django import forms
from django.http import HttpResponse, StreamingHttpResponse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from inventory.models import Event
from inventory.rules.errors import InputError
from inventory.selectors.trail import Wanted, actors_of, events_of, names_of
from inventory.web.csv_out import coded, csv_file
from inventory.web.day_input import DayInput
from inventory.web.desk import Desk, desk_page, refused
from inventory.web.finding import container_named
from inventory.web.rows import PAGE, before_of, kept_filters
from inventory.web.trail_said import said
from inventory.web.trail_words import VERBS, kind_words, verb_words

CSV_PAGE = 500
# What an event keeps that tells people whom or what it is about.
NAMES = ("user", "name", "purpose")
CSV_COLUMNS = ("id", "at", "username", "name", "what", "subject_kind", "subject_id", "container", "data")


def _day(label: Any) -> forms.DateField:
    return forms.DateField(
        label=label,
        required=False,
        widget=DayInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        error_messages={
            "invalid": gettext_lazy("That is no day. Write it as 2026-03-31, or leave it empty.")
        },
    )


class TrailFilter(forms.Form):
    """What to show; its answer has an address of its own."""

    person = forms.TypedChoiceField(
        label=gettext_lazy("Who"), required=False, choices=[], coerce=int, empty_value=None
    )
    what = forms.ChoiceField(label=gettext_lazy("What"), required=False, choices=[])
    since = _day(gettext_lazy("From"))
    until = _day(gettext_lazy("To"))
    container = forms.CharField(
        label=gettext_lazy("Container"),
        required=False,
        max_length=40,
        widget=forms.TextInput(attrs={"autocomplete": "off", "autocapitalize": "characters"}),
    )

    def __init__(self, data: Any, *, desk: Desk) -> None:
        super().__init__(data, label_suffix="")
        self.desk = desk
        people = [(str(user.pk), user.display_name) for user in actors_of(lab=desk.lab)]
        asked = data.get("what", "")
        known = {**VERBS, asked: verb_words(asked)} if 0 < len(asked) <= 60 else VERBS
        verbs = sorted(((verb, str(words)) for verb, words in known.items()), key=lambda each: each[1])
        for name, choices in (("person", people), ("what", verbs)):
            field = self.fields[name]
            assert isinstance(field, forms.ChoiceField)
            field.choices = [("", _("all")), *choices]

    def clean_container(self) -> int | None:
        """The id of the container with that code."""
        code = self.cleaned_data["container"]
        if not code:
            return None
        try:
            return container_named(self.desk.caller, code, "container").pk
        except InputError as error:
            raise forms.ValidationError(refused(error)) from error

    def wanted(self) -> Wanted | None:
        """None when something of it cannot be read: then nothing is shown, rather than too much."""
        if not self.is_valid():
            return None
        told = self.cleaned_data
        return Wanted(told["person"], told["what"], told["since"], told["until"], told["container"])


@dataclass(frozen=True)
class Line:
    """One event for the page. named: whom or what, as far as the event says; code: of a container."""

    event: Event
    what: str
    kind: str
    said: list[tuple[str, str]]
    named: str
    code: str


@desk_page("audit.read")
def trail(desk: Desk) -> HttpResponse:
    """A hundred events at a time, the newest first."""
    return _shown(desk, TrailFilter(desk.request.GET, desk=desk))


def _shown(desk: Desk, form: TrailFilter) -> HttpResponse:
    wanted = form.wanted()
    rows: list[Event] = []
    if wanted is not None:
        rows = list(events_of(lab=desk.lab, wanted=wanted, before=before_of(desk))[: PAGE + 1])
    kept = kept_filters(desk)
    context = {
        "form": form,
        "lines": _lines(desk, rows[:PAGE]),
        "filtered": bool(kept),
        "download": urlencode(kept),
        "more": urlencode({**kept, "before": rows[PAGE - 1].pk}) if len(rows) > PAGE else "",
    }
    return desk.render("inventory/trail.html", context, here="more", status=400 if form.errors else 200)


def _lines(desk: Desk, events: list[Event]) -> list[Line]:
    names = names_of(lab=desk.lab, events=events)
    return [
        Line(
            event,
            verb_words(event.verb),
            kind_words(event.subject_kind),
            said(event.data, names),
            next((str(event.data[key]) for key in NAMES if event.data.get(key)), ""),
            names.get(("container", event.subject_id), "") if event.subject_kind == "container" else "",
        )
        for event in events
    ]


@desk_page("audit.read")
def trail_csv(desk: Desk) -> HttpResponse | StreamingHttpResponse:
    """The same, all of it. What an event keeps beside who and when stands in one cell, as JSON."""
    form = TrailFilter(desk.request.GET, desk=desk)
    wanted = form.wanted()
    if wanted is None:
        return _shown(desk, form)
    return csv_file(f"{desk.lab.slug}-audit-trail", CSV_COLUMNS, _cells(desk, wanted))


def _cells(desk: Desk, wanted: Wanted) -> Iterator[list[Any]]:
    before: int | None = None
    while True:
        events = list(events_of(lab=desk.lab, wanted=wanted, before=before)[:CSV_PAGE])
        for line in _lines(desk, events):
            event, actor = line.event, line.event.actor
            data = json.dumps(event.data, ensure_ascii=False)
            told = "; ".join(f"{name}: {text}" for name, text in line.said)
            yield [
                event.pk, event.at.isoformat(), actor.username, actor.display_name, event.verb,
                event.subject_kind, event.subject_id, line.code, coded(data, told),
            ]  # fmt: skip
        if len(events) < CSV_PAGE:
            return
        before = events[-1].pk
