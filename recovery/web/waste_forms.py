"""Waste goes into a waste container outside a run: from a bottle, or what stands in none by the records."""

from __future__ import annotations

from typing import Any

from django import forms
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from inventory.models import Container, PlaceKind, WasteContainer
from inventory.rules.errors import InputError
from inventory.rules.phrases import Phrase
from inventory.services import waste_filling
from inventory.services.catalogue import solvent_named
from inventory.services.storage import Override
from inventory.services.waste_filling import SOURCES, PutIn
from inventory.services.waste_suspect import suspicions
from inventory.templatetags.amounts import UNIT, ml_text
from inventory.web.bench_forms import AmountForm, unit_for
from inventory.web.desk import Desk, DeskForm
from inventory.web.finding import container_named
from inventory.web.language import spoken
from inventory.web.scan import code_in

_T = gettext_lazy
SOURCE_WORDS = {
    PlaceKind.BEFORE_COUNTING: _T("there before counting began"),
    PlaceKind.UNACCOUNTED: _T("drawn, and nobody knows what for"),
    PlaceKind.PRODUCT: _T("washed out of a product"),
    PlaceKind.REACTION: _T("left over from a reaction"),
}


class IntoWasteForm(AmountForm):
    """How much goes in; a supervisor may sign against a rule that refuses."""

    field_of = {**AmountForm.field_of, "waste": "", "location": "", "container": ""}

    override_reason = forms.CharField(
        label=_T("Reason against a rule that refuses"), required=False, max_length=500,
        help_text=_T("Only a supervisor may give one."),
    )  # fmt: skip

    def __init__(self, *args: Any, desk: Desk, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.may_override = desk.caller.may("safety.loosen")
        self.fields["amount"].required = False
        if not self.may_override:
            del self.fields["override_reason"]

    def told(self) -> dict[str, Any]:
        """What both services take beside what goes in."""
        reason = self.cleaned_data.get("override_reason", "")
        return {**self.moment(), "override": Override(reason, allowed=self.may_override)}

    def entry_or_all(self) -> dict[str, Any] | None:
        return self.entry() if self.cleaned_data["amount"] else None


class FillForm(IntoWasteForm):
    """Into one waste container: what a bottle holds, or a solvent that is in none by the records."""

    field_of = {**IntoWasteForm.field_of, "container": "container", "solvent": "solvent", "from": "source"}

    container = forms.CharField(
        label=_T("Out of the container with this code"), required=False, max_length=300,
        help_text=_T("Type what its label says."),
        widget=forms.TextInput(attrs={"autocapitalize": "characters", "autocomplete": "off"}),
    )  # fmt: skip
    solvent = forms.CharField(
        label=_T("Or a solvent that is in no container here"), required=False, max_length=120,
        help_text=_T("Name, synonym or CAS number."),
        widget=forms.TextInput(attrs={"list": "solvents", "autocomplete": "off"}),
    )  # fmt: skip
    source = forms.ChoiceField(
        label=_T("Such a solvent was"), choices=[(kind.value, SOURCE_WORDS[kind]) for kind in SOURCES]
    )
    field_order = (
        "container", "solvent", "source", "amount", "unit", "override_reason", "happened_at", "note",
    )  # fmt: skip

    def __init__(self, *args: Any, desk: Desk, **kwargs: Any) -> None:
        code = desk.request.GET.get("container", "")[:300]
        super().__init__(*args, desk=desk, initial={"container": code, "unit": UNIT.get() or "mL"}, **kwargs)
        self.fields["amount"].help_text = _("Empty: all that the container holds.")

    def clean(self) -> dict[str, Any]:
        told: dict[str, Any] = super().clean() or self.cleaned_data
        if bool(told.get("container")) == bool(told.get("solvent")):
            self.add_error("container", _("Name a container, or a solvent that is in none: one of the two."))
        elif told.get("solvent") and not told.get("amount"):
            self.add_error("amount", _("How much of the solvent is it? Give the amount."))
        return told


class WasteForm(IntoWasteForm):
    """Out of one bottle: into which waste container."""

    waste = forms.ChoiceField(label=_T("Into the waste container"), choices=[])
    field_of = {**IntoWasteForm.field_of, "waste": "waste", "location": "waste"}
    field_order = ("waste", "amount", "unit", "override_reason", "happened_at", "note")

    def __init__(self, *args: Any, desk: Desk, container: Container, **kwargs: Any) -> None:
        super().__init__(*args, desk=desk, initial={"unit": unit_for(container)}, **kwargs)
        held = WasteContainer.objects.filter(lab=desk.lab, collected_at=None).order_by("code")
        self.wastes = {str(row.pk): row for row in held}
        field = self.fields["waste"]
        assert isinstance(field, forms.ChoiceField)
        named = [(key, f"{row.code} · {row.stream}") for key, row in self.wastes.items()]
        field.choices = named or [("", _("none yet"))]
        if not named:
            field.help_text = _("Whoever looks after the stock adds one under Storage.")
        self.fields["amount"].help_text = _("Empty: all of it.")


def fill(desk: Desk, waste: WasteContainer, form: FillForm) -> str:
    """Carry it out. Returns what to tell the person."""
    told = form.cleaned_data
    by: dict[str, Any] = {**desk.by, "waste": waste, **form.told()}
    if told["container"]:
        from_ = container_named(desk.caller, code_in(told["container"]), "container")
        return said(waste_filling.put_in(**by, container=from_, amount=form.entry_or_all()))
    solvent = solvent_named(lab=desk.lab, name=told["solvent"])
    done = waste_filling.put_in_uncounted(**by, solvent=solvent, amount=form.entry(), source=told["source"])
    return said(done)


def into_waste_form(desk: Desk, container: Container, data: Any) -> DeskForm:
    return WasteForm(data, desk=desk, container=container)


def into_waste(desk: Desk, container: Container, form: WasteForm) -> str:
    """The deed of a bottle."""
    waste = form.wastes.get(form.cleaned_data["waste"])
    if waste is None:
        raise InputError("waste", "missing", Phrase("This lab has no such waste container."))
    # Opened or filled, it may harm; what was done before is recorded all the same.
    if not form.moment()["happened_at"] and suspicions(waste):
        raise InputError(
            "waste",
            "peroxides-suspected",
            Phrase("Peroxides are suspected in {code}: it is to stay shut.", code=waste.code),
            Phrase("Take another one. If it has been done all the same, say when it happened."),
        )
    by: dict[str, Any] = {**desk.by, "waste": waste, **form.told()}
    return said(waste_filling.put_in(**by, container=container, amount=form.entry_or_all()))


def said(done: PutIn) -> str:
    """What the waste container holds now, and all that speaks against it: what is suspect goes first."""
    held = done.waste
    words = [
        _("Recorded: %(code)s holds %(amount)s of %(size)s now.")
        % {"code": held.code, "amount": ml_text(held.volume_ul), "size": ml_text(held.capacity_ul)}
    ]
    if suspicions(held):
        words.append(
            _("Peroxides are suspected in it: leave it shut, and tell the supervisor and the disposer.")
        )
    return " ".join([*words, *(spoken(warning.words) for warning in done.warnings)])
