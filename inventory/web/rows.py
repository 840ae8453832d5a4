"""Lists whose rows carry buttons: each is a small form with its own key, sent to the page it stands on."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils.translation import gettext as _

from inventory.web.desk import Desk, DeskForm, done

PAGE = 100
# Does one thing with the record that a row names, and says what was done.
Deed = Callable[[Desk, str], str]


class RowForm(DeskForm):
    """Which record, and what is to be done with it."""

    row = forms.CharField(max_length=40, required=False, widget=forms.HiddenInput)
    deed = forms.CharField(max_length=40, widget=forms.HiddenInput)


def asked(desk: Desk) -> bool:
    """Whether a button of a row was pressed, and not the form above the list."""
    return desk.request.method == "POST" and "deed" in desk.request.POST


def act(desk: Desk, deeds: Mapping[str, Deed], back: str) -> HttpResponse | RowForm:
    """Carry out what a row's button asks for and lead back to the list; a form with faults when refused."""
    form = RowForm(desk.request.POST)
    if form.is_valid():
        deed = deeds.get(form.cleaned_data["deed"])
        if deed is None:
            form.add_error(None, _("There is no such thing to do. Go back to the list."))
            return form
        words = done(desk, form, lambda: deed(desk, form.cleaned_data["row"]))
        if words is not None:
            messages.success(desk.request, words)
            return redirect(f"{reverse(back, args=[desk.lab.slug])}{_query(desk)}")
    return form


def _query(desk: Desk) -> str:
    """The filters of the list that the button stood on."""
    told = desk.request.META.get("QUERY_STRING", "")
    return f"?{told}" if told else ""


def start_of(desk: Desk, name: str = "from") -> int:
    """How many of a list its address leaves out; one that was tampered with starts anew."""
    text = desk.request.GET.get(name, "")
    return int(text) if text.isascii() and text.isdigit() and len(text) <= 9 else 0


def before_of(desk: Desk) -> int | None:
    """Where a list goes on, from its address; one that was tampered with starts anew."""
    text = desk.request.GET.get("before", "")
    return int(text) if text.isascii() and text.isdigit() and len(text) <= 18 else None


def kept_filters(desk: Desk) -> dict[str, Any]:
    """The filters in the address, without the place in the list."""
    return {name: value for name, value in desk.request.GET.items() if value and name != "before"}
