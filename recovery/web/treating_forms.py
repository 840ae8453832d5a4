"""The forms of what is done to, and measured of, what is in a container."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy

from inventory.web.bench_forms import WhenForm, number_input
from inventory.web.desk import DeskForm
from recovery.rules.quality_data import WHATS
from recovery.services.quality import ENTERED
from recovery.templatetags.drawn import PROPERTIES

_T = gettext_lazy
BARE = re.compile(r"[-−]?[0-9][0-9.,\s]*")
# What a number without a unit is in.
USUAL = {"density": "g/mL", "water": "%", "boiling-range": "Cel"}
ENDS = ("value", "low", "high")
CONDITIONS = {"temperature": "Cel", "pressure": "kPa"}


class TreatForm(DeskForm):
    """On which day, and what there is to say where the verdict speaks against it."""

    treated_on = forms.DateField(
        label=_T("Done on"),
        help_text=_T("Not earlier than the last movement of this container."),
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
    )
    how = forms.CharField(label=_T("How"), required=False, max_length=300)
    already_done = forms.BooleanField(
        label=_T("It was done already, although the verdict says not to touch it"), required=False
    )
    reason = forms.CharField(
        label=_T("Reason"), required=False, max_length=500,
        help_text=_T("Only for a supervisor, where an earlier day makes the next test later."),
    )  # fmt: skip

    def told(self) -> dict[str, Any]:
        return {name: self.cleaned_data[name] for name in ("treated_on", "how", "already_done", "reason")}


class InhibitorForm(TreatForm):
    """Inhibitor was added."""

    field_of = {"mass": "mass", "value": "mass", "target": "target", "inhibitor": "inhibitor"}

    inhibitor = forms.CharField(label=_T("Inhibitor"), max_length=60, help_text=_T("As BHT."))
    mass = forms.CharField(label=_T("Weighed in"), max_length=30, widget=number_input())
    unit = forms.ChoiceField(label=_T("Unit"), choices=(("mg", "mg"), ("g", "g")))
    target = forms.CharField(
        label=_T("Content wanted in ppm"), required=False, max_length=30, widget=number_input(),
        help_text=_T("It is checked against what was weighed in."),
    )  # fmt: skip
    field_order = ("inhibitor", "mass", "unit", "target", "treated_on", "how", "already_done", "reason")

    def added(self) -> dict[str, Any]:
        """What was added, as it was told."""
        told = self.cleaned_data
        target = {"value": told["target"], "unit": "ppm"} if told["target"] else None
        mass = {"value": told["mass"], "unit": told["unit"]}
        return {"inhibitor": told["inhibitor"], "mass": mass, "target": target}


class PeroxidesForm(TreatForm):
    """Peroxides were taken out."""

    field_order = ("how", "treated_on", "already_done", "reason")


class DriedForm(DeskForm):
    """What came back from a run was dried."""

    entry = forms.ChoiceField(label=_T("What came back"))
    drying_agent = forms.CharField(label=_T("Dried with"), max_length=80, help_text=_T("As sodium sulfate."))

    def __init__(self, *args: Any, returns: Sequence[tuple[str, str]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["entry"]
        assert isinstance(field, forms.ChoiceField)
        field.choices = list(returns)


class CheckForm(WhenForm):
    """One property, measured."""

    field_of = {
        **{f"{name}.uncertainty": "uncertainty" for name in ENDS},
        **{name: name for name in (*ENDS, *CONDITIONS, "what")},
    }

    what = forms.ChoiceField(label=_T("What was measured"), choices=[(key, PROPERTIES[key]) for key in WHATS])
    value = forms.CharField(
        label=_T("Value"), required=False, max_length=60, widget=number_input(),
        help_text=_T("A density in g/mL, a refractive index as 1.3526, water in %."),
    )  # fmt: skip
    uncertainty = forms.CharField(
        label=_T("Known to ± (k = 1)"), required=False, max_length=30, widget=number_input(),
        help_text=_T("In the unit of the value. Empty: as usual at a school bench."),
    )  # fmt: skip
    low = forms.CharField(
        label=_T("Began to boil at (°C)"), required=False, max_length=60, widget=number_input()
    )
    high = forms.CharField(
        label=_T("Boiled until (°C)"), required=False, max_length=60, widget=number_input()
    )
    temperature = forms.CharField(
        label=_T("Temperature (°C)"), required=False, max_length=60, widget=number_input(),
        help_text=_T("Of a density or refractive index. Empty: 20, give or take 5."),
    )  # fmt: skip
    pressure = forms.CharField(
        label=_T("Air pressure (kPa)"), required=False, max_length=60, widget=number_input(),
        help_text=_T("Of a boiling range. Empty: 101.3, give or take 6."),
    )  # fmt: skip
    field_order = (
        "what", "value", "uncertainty", "low", "high", "temperature", "pressure", "happened_at", "note",
    )  # fmt: skip

    def entered(self) -> dict[str, Any]:
        """As it was told; a bare number takes the unit that the form names."""
        told = self.cleaned_data
        units = {**dict.fromkeys(ENDS, USUAL.get(told["what"], "")), **CONDITIONS}
        found = {name: _with_unit(told[name], units[name]) for name in ENTERED if told.get(name)}
        if told["uncertainty"]:
            found |= {name: _known_to(found[name], told["uncertainty"]) for name in ENDS if name in found}
        return found


def _with_unit(text: str, unit: str) -> Any:
    bare = BARE.fullmatch(text.strip()) is not None
    return {"value": text.strip(), "unit": unit} if unit and bare else text.strip()


def _known_to(raw: Any, uncertainty: str) -> Any:
    parts = raw if isinstance(raw, dict) else {"value": raw}
    return {**parts, "uncertainty": uncertainty}
