"""The retest policies that a lab may choose from, each rule with its source; its own, and which one holds."""

from __future__ import annotations

from typing import Any

from django import forms
from django.http import Http404, HttpResponse, StreamingHttpResponse
from django.urls import reverse
from django.utils.text import slugify
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from inventory.models import Policy
from inventory.rules.policy_data import Policy as Rules
from inventory.selectors.loosening import policy_in_use, policy_loosenings
from inventory.services import policies
from inventory.services.importing import lock_lab
from inventory.web.bench_forms import REASON
from inventory.web.csv_out import csv_file
from inventory.web.desk import Desk, DeskForm, desk_page
from inventory.web.language import spoken
from inventory.web.places import form_page, posted
from inventory.web.policy_words import handling_words, reading_words, rule_words, terms_words

CSV_COLUMNS = ("part", "when", "then", "source")


def policy_or_404(desk: Desk, key: str) -> Policy:
    """A shipped policy or the lab's own by its key."""
    found = (
        policies.policies_of(desk.lab).filter(key=key).order_by("lab_id").last()
        if "\x00" not in key
        else None
    )
    if found is None:
        raise Http404
    return found


@desk_page("lab.read")
def policies_page(desk: Desk) -> HttpResponse:
    """The one in use first."""
    rows = list(policies.policies_of(desk.lab).order_by("name", "id"))
    rows.sort(key=lambda row: (row.pk != desk.lab.policy_id, row.lab_id is None))
    context = {"rows": rows, "used": policy_in_use(desk.lab), "loosened": _loosened(desk)}
    return desk.render("inventory/policies.html", context, here="more")


def _loosened(desk: Desk) -> list[dict[str, Any]]:
    return policy_loosenings(desk.lab, desk.lab.policy.key)


def parts_of(rules: Rules) -> list[dict[str, Any]]:
    """The rows of a policy by part: each with its place in it, when, then and source."""
    kinds: list[tuple[str, Any, Any, Any]] = [
        ("levels", _("What a reading comes to"), rules.levels, reading_words),
        ("rules", _("When a test falls due"), rules.rules, rule_words),
        ("handling", _("What is seen and known"), rules.handling, handling_words),
    ]
    return [
        {
            "key": key,
            "title": title,
            "rows": [(place, *words(row), row.source) for place, row in enumerate(rows)],
        }
        for key, title, rows, words in kinds
    ]


@desk_page("lab.read")
def policy_page(desk: Desk, policy: str) -> HttpResponse:
    """Rule by rule with its source, who chose it, and when it got looser."""
    found = policy_or_404(desk, policy)
    rules = policies.body_read(found.body)
    in_use = found.pk == desk.lab.policy_id
    context = {
        "policy": found,
        "in_use": in_use,
        "used": policy_in_use(desk.lab) if in_use else None,
        "own": found.lab_id is not None,
        "parts": parts_of(rules),
        "terms": terms_words(rules.distilling, rules.expiry_ends_in),
        "loosened": policy_loosenings(desk.lab, found.key),
    }
    return desk.render("inventory/policy.html", context, here="more")


@desk_page("lab.read")
def rules_csv(desk: Desk, policy: str) -> StreamingHttpResponse:
    found = policy_or_404(desk, policy)
    rules = policies.body_read(found.body)
    rows = [[part["key"], *row[1:]] for part in parts_of(rules) for row in part["rows"]]
    rows += [["terms", *row] for row in terms_words(rules.distilling, rules.expiry_ends_in)]
    return csv_file(f"{desk.lab.slug}-policy-{found.key}", CSV_COLUMNS, rows)


class CopyForm(DeskForm):
    """Under a name of the lab's own."""

    name = forms.CharField(
        label=gettext_lazy("Name of the copy"),
        max_length=120,
        help_text=gettext_lazy("As: rules of our school. Nothing is judged by it until it is chosen."),
    )


@desk_page("policy.edit", "POST")
def copy(desk: Desk, policy: str) -> HttpResponse:
    """A copy that the lab may change."""
    found = policy_or_404(desk, policy)
    form = CopyForm(posted(desk))
    made: list[str] = []

    def work() -> str:
        name = form.cleaned_data["name"]
        body = policies.copy_of(found, slugify(name)[:60].strip("-") or f"own-{found.key}"[:60], name)
        row = policies.policy_add(**desk.by, body=body, copied_from=found.key)
        made.append(row.key)
        return _("“%(name)s” is yours to change. It holds once a supervisor chooses it.") % {"name": row.name}

    def to() -> str:
        if made:
            return reverse("policy", args=[desk.lab.slug, made[0]])
        return reverse("policies", args=[desk.lab.slug])

    form.field_of = {"key": "name", "body.key": "name", "body": "name"}
    return form_page(
        desk, form, work, to, title=_("Copy “%(name)s”") % {"name": spoken(found.name)},
        button=_("Make the copy"), back=reverse("policy", args=[desk.lab.slug, found.key]),
    )  # fmt: skip


class UseForm(DeskForm):
    """Why it is chosen; needed when it is looser in any way."""

    reason = forms.CharField(
        label=gettext_lazy("Reason"),
        required=False,
        max_length=500,
        widget=forms.Textarea(attrs=REASON),
        help_text=gettext_lazy("Needed where it is looser than the one in use. It is shown with the policy."),
    )


@desk_page("policy.set", "POST")
def use(desk: Desk, policy: str) -> HttpResponse:
    """What would change, then the choice of a supervisor."""
    found = policy_or_404(desk, policy)
    form = UseForm(posted(desk))
    back = reverse("policy", args=[desk.lab.slug, found.key])

    def work() -> str:
        held = lock_lab(desk.lab)
        by = {**desk.by, "lab": held}
        if held.policy_id == found.pk:
            return _("It is in use already.")
        policies.policy_set(**by, policy=found, reason=form.cleaned_data["reason"])
        return _("“%(name)s” is in use. Every date has been worked out again.") % {"name": spoken(found.name)}

    return form_page(
        desk, form, work, lambda: back, title=_("Use “%(name)s”") % {"name": spoken(found.name)},
        button=_("Use it from now on"), back=back,
        effect=policies.effect_of(lab=desk.lab, body=policies.body_read(found.body)),
    )  # fmt: skip
