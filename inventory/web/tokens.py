"""Ways in for programs: API tokens, made here, shown once, and ended."""

from __future__ import annotations

from datetime import datetime, time
from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.http import Http404, HttpResponse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from inventory.models import ApiToken
from inventory.rules.roles import scopes_for
from inventory.selectors.people import tokens_of
from inventory.services import labs
from inventory.web.desk import Desk, DeskForm, desk_page, status_of
from inventory.web.rows import RowForm, act, asked
from inventory.web.secrets_once import shown_once

SCOPE_SHORT = {
    "read": gettext_lazy("read: looks only"),
    "log": gettext_lazy("log: work at the bench too"),
    "manage": gettext_lazy("manage: the stock too"),
}
SCOPE_WORDS = {
    "read": gettext_lazy("read: sees what its owner may see"),
    "log": gettext_lazy("log: draws, puts back, weighs and tests as well"),
    "manage": gettext_lazy("manage: receives, counts, imports and discards as well"),
}


class TokenForm(DeskForm):
    """A token for one program."""

    field_of = {"expires_at": "last_on"}

    name = forms.CharField(
        label=gettext_lazy("Name of the program"),
        max_length=50,
        help_text=gettext_lazy("What will use it, such as the balance by the window."),
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )
    scope = forms.ChoiceField(label=gettext_lazy("What it may do"), choices=[])
    last_on = forms.DateField(
        label=gettext_lazy("Last day"),
        required=False,
        help_text=gettext_lazy("Left empty, it holds until it is ended."),
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
    )

    def __init__(self, *args: Any, role: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["scope"]
        assert isinstance(field, forms.ChoiceField)
        offered = scopes_for(role)
        field.choices = [(scope, SCOPE_SHORT[scope]) for scope in offered]
        field.help_text = "; ".join(str(SCOPE_WORDS[scope]) for scope in offered) + "."


@desk_page("tokens.own", "POST")
def tokens(desk: Desk) -> HttpResponse:
    """A person's own tokens; a supervisor sees and ends everybody's."""
    fault: RowForm | None = None
    form = TokenForm(role=desk.caller.role)
    if asked(desk):
        answer = act(desk, {"end": _end}, "tokens")
        if not isinstance(answer, RowForm):
            return answer
        fault = answer
    elif desk.request.method == "POST":
        form = TokenForm(desk.request.POST, role=desk.caller.role)
        shown = shown_once(
            desk,
            form,
            lambda: _make(desk, form),
            back="tokens",
            title=_("A token for a program"),
            label=_("Token"),
            what=_("The program sends it with every request, after the words “Authorization: Bearer”."),
        )
        if shown is not None:
            return shown
    everybody = desk.caller.may("tokens.edit")
    context = {
        "tokens": tokens_of(lab=desk.lab, user=None if everybody else desk.caller.user),
        "everybody": everybody,
        "make": form,
        "form": fault or form,
        "now": desk.now,
    }
    return desk.render(
        "inventory/tokens.html", context, here="more", status=400 if fault else status_of(form)
    )


def _make(desk: Desk, form: TokenForm) -> str:
    told = form.cleaned_data
    # The last moment of the last day.
    ends = told["last_on"] and datetime.combine(told["last_on"], time.max, ZoneInfo(desk.lab.time_zone))
    return labs.token_create(**desk.by, name=told["name"], scope=told["scope"], expires_at=ends)[1]


def _end(desk: Desk, row: str) -> str:
    token = tokens_of(lab=desk.lab, user=None).filter(prefix=row).first()
    if token is None or not _may_end(desk, token):
        raise Http404
    labs.token_revoke(token=token, actor=desk.caller.user, now=desk.now)
    return _("The token “%(name)s” has ended.") % {"name": token.name}


def _may_end(desk: Desk, token: ApiToken) -> bool:
    return token.user_id == desk.caller.user.pk or desk.caller.may("tokens.edit")
