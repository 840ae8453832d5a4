"""A period of whole months, told in an address."""

from __future__ import annotations

from datetime import date
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy

from inventory.models import Lab, Solvent


class MonthField(forms.DateField):
    """A month as "2026-03"; its first day."""

    def __init__(self, **options: Any) -> None:
        widget = forms.DateInput(attrs={"type": "month"}, format="%Y-%m")
        super().__init__(input_formats=["%Y-%m"], required=False, widget=widget, **options)


class PeriodForm(forms.Form):
    """Both months count; left out, from the first record and to the last."""

    since = MonthField(label=gettext_lazy("First month"))
    until = MonthField(label=gettext_lazy("Last month"))

    def __init__(self, data: Any) -> None:
        super().__init__(data, label_suffix="")
        self.is_valid()

    def clean(self) -> dict[str, Any]:
        told = super().clean() or {}
        if told.get("since") and told.get("until") and told["until"] < told["since"]:
            self.add_error("until", gettext_lazy("The period ends before it begins."))
        return told

    @property
    def period(self) -> dict[str, date]:
        """As selectors take it; what cannot be read is left out, and said at its field."""
        told = getattr(self, "cleaned_data", {})
        return {name: told[name] for name in ("since", "until") if told.get(name)}

    @property
    def asked(self) -> dict[str, str]:
        """As the API takes it."""
        return {name: f"{day:%Y-%m}" for name, day in self.period.items()}


def used_solvents(lab: Lab) -> list[Solvent]:
    """Those that stood or stand in a lab."""
    return list(Solvent.objects.filter(lots__lab=lab).distinct().order_by("name"))
