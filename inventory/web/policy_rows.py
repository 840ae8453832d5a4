"""One row of a policy of the lab's own: added, changed or taken out, tried first if wanted."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from inventory.models import Policy
from inventory.rules.errors import Conflict, InputError
from inventory.rules.policy_data import Policy as Rules
from inventory.services import policies
from inventory.services.importing import lock_lab
from inventory.web.bench_forms import REASON
from inventory.web.desk import Desk, desk_page, done, status_of
from inventory.web.policies import policy_or_404
from inventory.web.policy_forms import FORMS, RowForm

NEW, TERMS, TRY = "new", "terms", "try"
TITLES = {
    "rules": gettext_lazy("When a test falls due"),
    "levels": gettext_lazy("What a reading comes to"),
    "handling": gettext_lazy("What is seen and known"),
    TERMS: gettext_lazy("Distilling, and the maker's date"),
}


def _row_at(policy: Policy, part: str, row: str) -> dict[str, Any] | None:
    """The row as JSON; None for a new one. 404 for one that is not there."""
    if part == TERMS and row == "0":
        return {**policy.body.get("distilling", {}), "expiry_ends_in": policy.body.get("expiry_ends_in")}
    if part == TERMS or part not in FORMS:
        raise Http404
    if row == NEW:
        return None
    rows = policy.body.get(part, [])
    if not row.isascii() or not row.isdigit() or len(row) > 6 or int(row) >= len(rows):
        raise Http404
    return dict(rows[int(row)])


def _form(desk: Desk, policy: Policy, part: str, held: dict[str, Any] | None) -> RowForm:
    made = FORMS[part]
    start = {"version": policy.version, **(made.start(held) if held is not None else {})}
    data = desk.request.POST if desk.request.method == "POST" else None
    form = made(data, initial={name: value for name, value in start.items() if value is not None})
    if held is not None and part != TERMS:
        form.fields["take_out"] = forms.BooleanField(label=_("Take this row out"), required=False)
        if data is not None and "take_out" in data:
            for name in set(form.fields) - {"key", "version"}:
                form.fields[name].required = False
    form.fields["reason"] = forms.CharField(
        label=_("Reason, if it gets looser"), required=False, max_length=500,
        widget=forms.Textarea(attrs=REASON),
        help_text=_("Stricter is free. Looser in any way is for a supervisor, is dated, and stays shown."),
    )  # fmt: skip
    return form


def _wanted(policy: Policy, part: str, row: str, form: RowForm) -> Rules:
    """The whole policy with the row as the form has it. Raises InputError at the field of the form."""
    body, told = dict(policy.body), form.cleaned_data
    if part == TERMS:
        body |= {"distilling": form.row(), "expiry_ends_in": told["expiry_ends_in"]}
    else:
        rows = list(body.get(part, []))
        if row == NEW:
            rows.append(form.row())
        elif told.get("take_out"):
            del rows[int(row)]
        else:
            rows[int(row)] = form.row()
        body[part] = rows
    try:
        return policies.body_read(body)
    except InputError as error:
        member = error.field.rpartition(".")[2]
        field = form.field_of.get(member, member)
        raise InputError(field, error.code, error.detail, error.remedy) from error


@desk_page("policy.edit", "POST")
def row_page(desk: Desk, policy: str, part: str, row: str) -> HttpResponse:
    """Change a row; the second button only shows what would come of it."""
    found = policy_or_404(desk, policy)
    form = _form(desk, found, part, _row_at(found, part, row))
    back = reverse("policy", args=[desk.lab.slug, found.key])
    effect = None
    if desk.request.method == "POST" and form.is_valid():
        if TRY in desk.request.POST:
            effect = _tried(desk, found, part, row, form)
        else:
            words = done(desk, form, lambda: _saved(desk, found, part, row, form))
            if words is not None:
                messages.success(desk.request, words)
                return redirect(back)
    context = {
        "form": form, "effect": effect, "policy": found, "back": back, "own": found.lab_id is not None,
        "title": TITLES[part], "new": row == NEW,
    }  # fmt: skip
    return desk.render("inventory/policy_row.html", context, here="more", status=status_of(form))


def _tried(desk: Desk, found: Policy, part: str, row: str, form: RowForm) -> policies.Effect | None:
    try:
        return policies.effect_of(lab=desk.lab, body=_wanted(found, part, row, form))
    except InputError as error:
        form.refuse(error)
        return None


def _saved(desk: Desk, found: Policy, part: str, row: str, form: RowForm) -> str:
    held = lock_lab(desk.lab)
    own = Policy.objects.get(pk=found.pk)
    if own.version != form.cleaned_data["version"]:
        raise Conflict(
            "", "changed-meanwhile", _("Somebody has changed this policy meanwhile."),
            _("Look at it again, then enter what is still to be changed."),
        )  # fmt: skip
    policies.policy_edit(
        **{**desk.by, "lab": held},
        policy=own,
        body=_wanted(own, part, row, form),
        reason=form.cleaned_data["reason"],
        may_loosen=desk.caller.may("safety.loosen"),
    )
    return _("Saved.")
