"""Strips and solutions for testing: what is there, until when it is good, and what is added or used up."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

from django import forms
from django.http import HttpResponse, StreamingHttpResponse
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from inventory.models import Reagent
from inventory.rules.methods import METHODS
from inventory.rules.reagent_life import REAGENT_METHODS, UseBy
from inventory.rules.titration_entry import read_concentration
from inventory.services.reagents import (
    Strength,
    keeps_words,
    reagent_add,
    reagent_edit,
    reagent_end,
    use_by_of,
)
from inventory.web.bench_forms import REASON, number_input
from inventory.web.csv_out import csv_file
from inventory.web.desk import Desk, DeskForm, desk_page
from inventory.web.language import spoken
from inventory.web.places import form_page, posted

CSV_COLUMNS = (
    "id", "method", "name", "maker_lot", "expiry_on", "opened_on", "standardised_on", "use_by_on", "why",
    "concentration_mol_per_l", "ended_at", "note",
)  # fmt: skip
DAYS = ("expiry_on", "opened_on", "standardised_on")


@dataclass(frozen=True)
class Listed:
    """A lot with what decides how long it is good."""

    reagent: Reagent
    method: str
    until: UseBy
    today: date

    @property
    def past(self) -> bool:
        return self.until.on is not None and self.until.on < self.today


def _listed(desk: Desk) -> list[Listed]:
    ended = "ended" in desk.request.GET
    rows = Reagent.objects.filter(lab=desk.lab, ended_at__isnull=not ended).order_by("-id")
    return [Listed(row, METHODS[row.method].name, use_by_of(row), desk.today) for row in rows]


@desk_page("safety.read")
def reagents_page(desk: Desk) -> HttpResponse:
    """Newest first; what has been used up only when asked for."""
    kept = [(METHODS[key].name, METHODS[key].reagent, keeps_words(key)) for key in REAGENT_METHODS]
    context = {"found": _listed(desk), "ended": "ended" in desk.request.GET, "kept": kept}
    return desk.render("inventory/reagents.html", context, here="more")


@desk_page("safety.read")
def reagents_csv(desk: Desk) -> StreamingHttpResponse:
    rows = [
        [
            *(one.reagent.pk, one.reagent.method, one.reagent.name, one.reagent.maker_lot),
            *(getattr(one.reagent, name) for name in DAYS),
            *(one.until.on, one.until.words, one.reagent.concentration_mol_per_l, one.reagent.ended_at),
            one.reagent.note,
        ]
        for one in _listed(desk)
    ]
    return csv_file(f"{desk.lab.slug}-reagents", CSV_COLUMNS, rows)


def _day(label: Any, help_text: Any = "") -> forms.DateField:
    widget = forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
    return forms.DateField(label=label, required=False, help_text=help_text, widget=widget)


class ReagentForm(DeskForm):
    """What stands on the tin or bottle. A day that is left out is not known."""

    name = forms.CharField(
        label=gettext_lazy("Name"),
        max_length=120,
        help_text=gettext_lazy("What stands on the tin or bottle."),
    )
    maker_lot = forms.CharField(label=gettext_lazy("Maker's lot"), required=False, max_length=80)
    expiry_on = _day(gettext_lazy("Expiry on the label"))
    opened_on = _day(gettext_lazy("Opened, or made up, on"))
    standardised_on = _day(gettext_lazy("Standardised on"), gettext_lazy("Only a solution for titration."))
    concentration = forms.CharField(
        label=gettext_lazy("Strength, mol/L"),
        required=False,
        max_length=40,
        widget=number_input(),
        help_text=gettext_lazy("Only a solution for titration, as 0.1."),
    )
    note = forms.CharField(label=gettext_lazy("Note"), required=False, max_length=500)

    def facts(self) -> dict[str, Any]:
        """As the services take them. Raises InputError naming the strength."""
        told = self.cleaned_data
        names = ("name", "maker_lot", *DAYS, "note")
        return {**{name: told[name] for name in names}, "strength": _strength(told["concentration"])}


def _strength(text: str) -> Strength | None:
    if not text.strip():
        return None
    return Strength(*read_concentration({"value": text.strip(), "unit": "mol/L"}))


class AddForm(ReagentForm):
    """With what it is for."""

    method = forms.ChoiceField(
        label=gettext_lazy("What it is for"),
        choices=lambda: [(key, spoken(METHODS[key].name)) for key in REAGENT_METHODS],
    )
    field_order = ("method",)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        with_what = [
            f"{spoken(METHODS[key].name)}: {spoken(METHODS[key].reagent)}" for key in REAGENT_METHODS
        ]
        self.fields["method"].help_text = "; ".join(with_what) + "."


class ChangeForm(ReagentForm):
    """A later date needs a supervisor: tests that did not count would."""

    reason = forms.CharField(
        label=gettext_lazy("Reason, if it lasts longer by it"),
        required=False,
        max_length=500,
        widget=forms.Textarea(attrs=REASON),
        help_text=gettext_lazy(
            "An earlier date is free. A later one is for a supervisor, and stays on record."
        ),
    )


class EndForm(DeskForm):
    reason = forms.CharField(label=gettext_lazy("Reason"), required=False, max_length=300)


@desk_page("reagents.edit", "POST")
def add(desk: Desk) -> HttpResponse:
    """A new tin of strips or bottle of solution."""
    form = AddForm(posted(desk))
    back = reverse("reagents", args=[desk.lab.slug])

    def work() -> str:
        made = reagent_add(**desk.by, method=form.cleaned_data["method"], **form.facts())
        until = use_by_of(made)
        if until.on is None:
            return _("Added. No day is known: it cannot be told whether it is still good.")
        return _("Added. Good to %(day)s: %(why)s.") % {"day": until.on, "why": spoken(until.words)}

    return form_page(
        desk, form, work, lambda: back, title=_("Add strips or a solution"), button=_("Add it"), back=back
    )


@desk_page("reagents.edit", "POST")
def change(desk: Desk, reagent: str) -> HttpResponse:
    """Facts put right."""
    row = desk.caller.by_id(Reagent.objects.all(), reagent)
    strength = row.concentration_mol_per_l
    start = {name: getattr(row, name) for name in ("name", "maker_lot", *DAYS, "note")}
    start["concentration"] = "" if strength is None else f"{strength.normalize():f}"
    form = ChangeForm(posted(desk), initial=start)
    back = reverse("reagents", args=[desk.lab.slug])

    def work() -> str:
        changes = form.facts()
        if form.cleaned_data["concentration"].strip() == start["concentration"]:
            # The uncertainty of a strength that nobody touched stays as it is.
            del changes["strength"]
        may, reason = desk.caller.may("safety.loosen"), form.cleaned_data["reason"]
        reagent_edit(**desk.by, reagent=row, changes=changes, reason=reason, may_loosen=may)
        return _("Changed.")

    return form_page(
        desk, form, work, lambda: back, title=_("Change %(name)s") % {"name": row.name},
        button=_("Save the change"), back=back, words=METHODS[row.method].name,
    )  # fmt: skip


@desk_page("reagents.edit", "POST")
def end(desk: Desk, reagent: str) -> HttpResponse:
    """Used up or thrown away."""
    row = desk.caller.by_id(Reagent.objects.all(), reagent)
    form = EndForm(posted(desk))
    back = reverse("reagents", args=[desk.lab.slug])

    def work() -> str:
        reagent_end(**desk.by, reagent=row, reason=form.cleaned_data["reason"])
        return _("%(name)s is used up or gone.") % {"name": row.name}

    return form_page(
        desk, form, work, lambda: back, title=_("%(name)s is used up") % {"name": row.name},
        button=_("Record that it is used up or thrown away"), back=back, grave=True,
        words=_("For good: no test from now on names it. Tests made with it stand."),
    )  # fmt: skip
