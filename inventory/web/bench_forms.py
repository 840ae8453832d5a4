"""The forms of what is done at the bench. A form only asks: services decide, and say what is to be mended."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django import forms
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from inventory.models import Container, Lab, Location
from inventory.rules.errors import InputError
from inventory.rules.methods import NOT_STATED
from inventory.rules.peroxide import METHODS
from inventory.rules.phrases import Phrase
from inventory.rules.quantity import parse_quantity
from inventory.rules.signs import SIGNS
from inventory.rules.volume import MAX_VOLUME_UL
from inventory.templatetags.amounts import UNIT, sign
from inventory.web.desk import DeskForm

UNITS = (("mL", "mL"), ("L", "L"), ("uL", "µL"))
MASSES = (("g", "g"), ("kg", "kg"))
REASON = {"rows": 2}


def number_input(**attrs: str) -> forms.TextInput:
    """A decimal keyboard on a phone; commas are read as well, so it is no number field."""
    return forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off", **attrs})


class WhenForm(DeskForm):
    """What may be told late. Left empty it has just happened."""

    keeps_time = True

    happened_at = forms.DateTimeField(
        label=gettext_lazy("When, if not just now"),
        required=False,
        widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M"),
    )
    note = forms.CharField(label=gettext_lazy("Note"), required=False, max_length=500)

    late_fields = ("happened_at", "note")

    def moment(self) -> dict[str, Any]:
        """What services take beside the amount. What a phone kept happened when it was tapped."""
        told = self.cleaned_data
        return {"happened_at": told.get("happened_at") or self.tapped(), "note": told.get("note", "")}


class AmountForm(WhenForm):
    """A volume: the number as read and its unit."""

    field_of = {"volume": "amount", "amount": "amount", "value": "amount", "unit": "unit"}

    amount = forms.CharField(label=gettext_lazy("Amount"), max_length=30, widget=number_input())
    unit = forms.ChoiceField(label=gettext_lazy("Unit"), choices=UNITS)

    def entry(self) -> dict[str, Any]:
        return {"value": self.cleaned_data["amount"], "unit": self.cleaned_data["unit"]}


class CountForm(AmountForm):
    """What is in it really, by volume."""


class WeighForm(DeskForm):
    """The weight with the container."""

    keeps_time = True
    field_of = {"gross": "gross", "value": "gross"}

    gross = forms.CharField(
        label=gettext_lazy("Weight, container and all"), max_length=30, widget=number_input()
    )
    unit = forms.ChoiceField(label=gettext_lazy("Unit"), choices=MASSES)

    def entry(self) -> dict[str, Any]:
        return {"value": self.cleaned_data["gross"], "unit": self.cleaned_data["unit"]}


class TestForm(DeskForm):
    """A peroxide test as it was read."""

    field_of = {"reading": "reading", "method": "method", "tested_on": "tested_on", "reagent": "reagent"}

    reading = forms.CharField(
        label=gettext_lazy("Reading in mg/L"),
        max_length=60,
        help_text=gettext_lazy("As read: 5, <1, >25, 5-10, neg."),
        widget=forms.TextInput(attrs={"autocomplete": "off", "autocapitalize": "none"}),
    )
    method = forms.ChoiceField(label=gettext_lazy("Method"), choices=[])
    reagent = forms.ChoiceField(
        label=gettext_lazy("Strips or solution"),
        choices=[],
        required=False,
        help_text=gettext_lazy("Those past their date may show a fault, but never clear a bottle."),
    )
    tested_on = forms.DateField(
        label=gettext_lazy("Tested on"), widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
    )
    note = forms.CharField(label=gettext_lazy("Note"), required=False, max_length=500)

    def __init__(self, *args: Any, reagents: Sequence[tuple[str, str]] = (), **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        _choices(self, "method", [(key, _(METHODS[key].name)) for key in METHODS])
        _choices(self, "reagent", [("", _("not told")), *reagents])
        self.fields["method"].initial = NOT_STATED


class SignForm(DeskForm):
    """Something seen on it."""

    sign = forms.ChoiceField(label=gettext_lazy("What do you see?"), choices=[])
    words = forms.CharField(label=gettext_lazy("In your words"), required=False, max_length=300)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        _choices(self, "sign", [(key, sign(key)) for key in SIGNS])


class OpenForm(DeskForm):
    """The day it was opened."""

    opened_on = forms.DateField(
        label=gettext_lazy("Opened on"),
        required=False,
        help_text=gettext_lazy("Empty: nobody knows, which counts as the worst case."),
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
    )
    reason = forms.CharField(
        label=gettext_lazy("Reason"),
        required=False,
        max_length=500,
        help_text=gettext_lazy("Only for a supervisor, where the next test becomes later by it."),
    )


class MoveForm(DeskForm):
    """Where it stands from now on."""

    field_of = {"location": "location"}

    location = forms.ModelChoiceField(
        label=gettext_lazy("Place"),
        queryset=Location.objects.none(),
        empty_label=gettext_lazy("Choose a place"),
    )
    override_reason = forms.CharField(
        label=gettext_lazy("Reason against a rule that refuses"),
        required=False,
        max_length=500,
        help_text=gettext_lazy("Only a supervisor may give one."),
    )

    def __init__(self, *args: Any, lab: Lab, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["location"]
        assert isinstance(field, forms.ModelChoiceField)
        field.queryset = Location.objects.filter(lab=lab, ended_at=None).order_by("name")


class PourForm(WhenForm):
    """Into another container."""

    field_of = {"into": "into", "volume": "amount", "amount": "amount", "container": "into"}

    into = forms.CharField(
        label=gettext_lazy("Into the container with this code"),
        max_length=40,
        widget=forms.TextInput(attrs={"autocapitalize": "characters", "autocomplete": "off"}),
    )
    amount = forms.CharField(
        label=gettext_lazy("Amount"),
        required=False,
        max_length=30,
        widget=number_input(),
        help_text=gettext_lazy("Empty: all of it."),
    )
    unit = forms.ChoiceField(label=gettext_lazy("Unit"), choices=UNITS)

    def entry(self) -> dict[str, Any] | None:
        if not self.cleaned_data["amount"]:
            return None
        return {"value": self.cleaned_data["amount"], "unit": self.cleaned_data["unit"]}


def size_ul(text: str, unit: str, field: str) -> int:
    """How much a container holds, in µL. Raises InputError at the field."""
    size = parse_quantity(f"{text} {unit}", field=field, dimension="volume", allow_zero=False)
    found_ul = int(size.to("uL").to_integral_value())
    if not 0 < found_ul <= MAX_VOLUME_UL:
        raise InputError(
            field,
            "out-of-range",
            Phrase("A container holds 1 µL to 10 000 L."),
            Phrase("Check number and unit."),
        )
    return found_ul


class SetAsideForm(DeskForm):
    """Nobody uses it until a supervisor has looked."""

    reason = forms.CharField(
        label=gettext_lazy("Why"),
        max_length=300,
        widget=forms.Textarea(attrs=REASON),
        help_text=gettext_lazy("It stays where it stands: this records that nobody may use it."),
    )


class DiscardForm(WhenForm):
    """It leaves for good, with all that is in it."""

    sure = forms.BooleanField(
        label=gettext_lazy("It has been handed over for licensed disposal, with all that is in it.")
    )


def _choices(form: forms.Form, name: str, choices: Sequence[tuple[Any, Any]]) -> None:
    field = form.fields[name]
    assert isinstance(field, forms.ChoiceField)
    field.choices = list(choices)


def unit_for(container: Container) -> str:
    """The one that this person chose; else bottles and flasks are read in millilitres, cans in litres."""
    return UNIT.get() or ("L" if container.capacity_ul > 5_000_000 else "mL")
