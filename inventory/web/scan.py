"""From a label to its container: by the phone's camera, or typed."""

from __future__ import annotations

from urllib.parse import unquote, urlsplit

from django import forms
from django.http import HttpResponse
from django.shortcuts import redirect
from django.utils.translation import gettext_lazy

from inventory.rules.errors import InputError
from inventory.web.content_policy import SCANNING
from inventory.web.desk import Desk, desk_page, status_of
from inventory.web.finding import container_named
from inventory.web.language import spoken


class CodeForm(forms.Form):
    """A code as read aloud, or the whole address that a label holds."""

    code = forms.CharField(
        label=gettext_lazy("Code on the label"),
        max_length=300,
        widget=forms.TextInput(
            attrs={
                "autocapitalize": "characters",
                "autocomplete": "off",
                "spellcheck": "false",
                "autofocus": True,
            }
        ),
    )


@desk_page("stock.read")
def scan(desk: Desk) -> HttpResponse:
    """Ask for a code; with one, go to its container."""
    asked = "code" in desk.request.GET
    form = CodeForm(desk.request.GET if asked else None, label_suffix="")
    if asked and form.is_valid():
        try:
            found = container_named(desk.caller, code_in(form.cleaned_data["code"]), "code")
        except InputError as error:
            form.add_error("code", f"{spoken(error.detail)} {spoken(error.remedy)}".strip())
        else:
            return redirect("container", slug=desk.lab.slug, code=found.code)
    response = desk.render("inventory/scan.html", {"form": form}, here="scan", status=status_of(form))
    response["Content-Security-Policy"] = SCANNING
    return response


def code_in(text: str) -> str:
    """The code in what was scanned or typed: a label's address ends in it."""
    text = text.strip()
    if "/containers/" not in text:
        return text
    try:
        path = urlsplit(text).path
    except ValueError:  # no address, such as "http://[/containers/x"
        return text
    return unquote(path.rstrip("/").rpartition("/")[2])
