"""A period of whole months, told in an address."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy

from inventory.models import Lab, Solvent
from inventory.services.speaking import shown_order
from inventory.web.day_input import DayInput


class MonthField(forms.DateField):
    """A month as "2026-03"; its first day."""

    def __init__(self, **options: Any) -> None:
        widget = DayInput(attrs={"type": "month"}, format="%Y-%m")
        words = gettext_lazy("That is no month. Write it as 2026-03, or leave it empty.")
        told: dict[str, Any] = {"error_messages": {"invalid": words}, **options}
        super().__init__(input_formats=["%Y-%m"], required=False, widget=widget, **told)


class PeriodForm(forms.Form):
    """Both months count; left out, from the first record and to the last.

    With something in it that cannot be read nothing is shown: figures that pass a filter over mislead.
    """

    since = MonthField(label=gettext_lazy("First month"))
    until = MonthField(label=gettext_lazy("Last month"))

    def __init__(self, data: Any) -> None:
        super().__init__(data, label_suffix="")
        self.is_valid()

    def clean(self) -> dict[str, Any]:
        told = super().clean() or {}
        if told.get("since") and told.get("until") and told["until"] < told["since"]:
            self.add_error("until", gettext_lazy("The period ends before it begins. Swap the two months."))
        return told

    @property
    def period(self) -> dict[str, date]:
        """As selectors take it; what cannot be read is left out, and said at its field."""
        told = getattr(self, "cleaned_data", {})
        return {name: told[name] for name in ("since", "until") if told.get(name)}

    def faults(self) -> str:
        """What cannot be read, field by field, for a file that has no place to mark it."""
        named = {name: str(field.label) for name, field in self.fields.items()}
        told = ((named.get(name, ""), " ".join(map(str, words))) for name, words in self.errors.items())
        return "\n".join(f"{name}: {words}" if name else words for name, words in told)

    @property
    def asked(self) -> dict[str, str]:
        """As the API takes it."""
        return {name: f"{day:%Y-%m}" for name, day in self.period.items()}


def used_solvents(lab: Lab) -> list[Solvent]:
    """Those that stood or stand in a lab."""
    return in_shown_order(Solvent.objects.filter(lots__lab=lab).distinct())


def in_shown_order(solvents: Iterable[Solvent]) -> list[Solvent]:
    """By their names as the page says them."""
    return sorted(solvents, key=lambda row: shown_order(row.name))
