"""How somebody wants to be told of a lab's alerts: their address, what at once, and the morning's mail."""

from __future__ import annotations

from itertools import groupby
from typing import Any

from django import forms
from django.conf import settings
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from inventory.rules.telling import SEVERITY_MAX
from inventory.services.delivery.choices import ADDRESS_LENGTH_MAX, choice_of, choose, mail_words
from inventory.services.watches import rules
from inventory.web.desk import Desk, DeskForm, desk_page, done, status_of
from inventory.web.language import spoken


def severity_choices() -> list[tuple[str, str]]:
    """From none to all, in words that say what a number takes in."""
    between = [(str(n), _("grades 1 to %(n)s") % {"n": n}) for n in range(2, SEVERITY_MAX)]
    return [
        ("0", _("nothing")),
        ("1", _("only grade 1, the worst")),
        *between,
        (str(SEVERITY_MAX), _("everything")),
    ]


class MailForm(DeskForm):
    """Mail from one lab."""

    field_of = {"at_once_severity": "at_once"}

    email = forms.CharField(
        label=gettext_lazy("Mail address"),
        required=False,
        max_length=ADDRESS_LENGTH_MAX,
        help_text=gettext_lazy("The same in all your labs. Empty: no mail at all."),
        widget=forms.EmailInput(attrs={"autocomplete": "email"}),
    )
    at_once = forms.ChoiceField(
        label=gettext_lazy("At once, by how grave it is"),
        choices=severity_choices,
        help_text=gettext_lazy("Which alert is of which grade stands below."),
    )
    digest = forms.BooleanField(label=gettext_lazy("One mail each morning"), required=False)

    def changes(self) -> dict[str, Any]:
        """What is to be kept, by the names of the service."""
        told = self.cleaned_data
        return {
            "email": told["email"],
            "at_once_severity": int(told["at_once"]),
            "digest": told["digest"],
        }


@desk_page("mail.own", "POST")
def alert_settings(desk: Desk) -> HttpResponse:
    """One's own; what nobody answers goes to the supervisors whatever they chose."""
    held = choice_of(lab=desk.lab, user=desk.caller.user)
    initial = {"email": held.email, "at_once": str(held.at_once_severity), "digest": held.digest}
    form = MailForm(desk.request.POST or None, initial=initial)
    if desk.request.method == "POST" and form.is_valid():
        words = done(desk, form, lambda: _keep(desk, form, initial))
        if words is not None:
            messages.success(desk.request, words)
            return redirect("alert-settings", desk.lab.slug)
    context = {
        "form": form,
        "by_role": held.by_role,
        "sends_mail": settings.STILLKEEP_SENDS_MAIL,
        "unconfirmed": bool(held.email) and held.email != held.confirmed,
        "why_not": mail_words(held.email, held.confirmed),
        "grades": [
            (n, [spoken(rule.words) for rule in some]) for n, some in groupby(rules(), lambda r: r.severity)
        ],
    }
    return desk.render("inventory/alert_settings.html", context, here="more", status=status_of(form))


def _grades() -> list[tuple[int, list[str]]]:
    """Each severity with what has it, the worst first."""
    return [
        (n, [spoken(rule.words) for rule in some]) for n, some in groupby(rules(), lambda rule: rule.severity)
    ]


def _keep(desk: Desk, form: MailForm, before: dict[str, Any]) -> str:
    told = form.changes()
    if (told["email"], str(told["at_once_severity"]), told["digest"]) != tuple(before.values()):
        choose(**desk.by, changes=told)
    return _("Kept. It holds from now on.")
