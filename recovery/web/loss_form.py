"""What to read loss rates by and of which runs, kept in the address."""

from __future__ import annotations

from datetime import date
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy

from inventory.models import Lab, Solvent
from inventory.web.language import spoken
from recovery.models import Apparatus, RunKind
from recovery.rules.shipped_words import shipped
from recovery.selectors.loss_series import Choice
from recovery.selectors.runs_behind import Choices
from recovery.web.period import PeriodForm, in_shown_order

BY = {
    "solvent": gettext_lazy("solvent"),
    "apparatus": gettext_lazy("apparatus"),
    "purpose": gettext_lazy("purpose"),
    "operator": gettext_lazy("operator"),
    "kind": gettext_lazy("kind of run"),
    "month": gettext_lazy("month"),
}
NOT_TOLD = gettext_lazy("not told")


class LossFilter(PeriodForm):
    """Every filter may stay empty. It reads, so it needs no key."""

    by = forms.ChoiceField(label=gettext_lazy("Rates by"), required=False, choices=list(BY.items()))
    solvent = forms.ChoiceField(label=gettext_lazy("Solvent"), required=False)
    apparatus = forms.ChoiceField(label=gettext_lazy("Apparatus"), required=False)
    purpose = forms.ChoiceField(label=gettext_lazy("Purpose"), required=False)
    operator = forms.ChoiceField(label=gettext_lazy("Operator"), required=False)
    kind = forms.ChoiceField(label=gettext_lazy("Kind of run"), required=False)

    field_order = ("by", "solvent", "apparatus", "purpose", "operator", "kind", "since", "until")

    def __init__(self, data: Any, choices: Choices) -> None:
        self.choices = choices
        super().__init__(data)

    def full_clean(self) -> None:
        """Choices are those of the lab's own runs."""
        of = self.choices
        rows = {
            "solvent": [(str(row.pk), row.name) for row in in_shown_order(of.solvents)],
            "apparatus": [(str(row.pk), row.name) for row in of.apparatus],
            "purpose": [(name, name) for name in of.purposes],
            "operator": [(name, name) for name in of.operators],
            "kind": [(row.key, spoken(shipped(row.name))) for row in of.kinds],
        }
        for name, pairs in rows.items():
            field = self.fields[name]
            assert isinstance(field, forms.ChoiceField)
            field.choices = [("", gettext_lazy("all")), *pairs]
        super().full_clean()

    def _told(self, name: str) -> str:
        return str(getattr(self, "cleaned_data", {}).get(name) or "")

    @property
    def by_group(self) -> str:
        return self._told("by") or "solvent"

    @property
    def chosen_solvent(self) -> Solvent | None:
        return next((row for row in self.choices.solvents if str(row.pk) == self._told("solvent")), None)

    @property
    def chosen_apparatus(self) -> Apparatus | None:
        return next((row for row in self.choices.apparatus if str(row.pk) == self._told("apparatus")), None)

    @property
    def chosen_kind(self) -> RunKind | None:
        return next((row for row in self.choices.kinds if row.key == self._told("kind")), None)

    @property
    def equal(self) -> dict[str, str]:
        """Filters as the selectors take them."""
        told = {
            "solvent": self.chosen_solvent and self.chosen_solvent.key,
            "apparatus": self.chosen_apparatus and self.chosen_apparatus.name,
            "kind": self.chosen_kind and self.chosen_kind.key,
            "purpose": self._told("purpose"),
            "operator": self._told("operator"),
        }
        return {name: value for name, value in told.items() if value}

    def choice(self, solvent: Solvent) -> Choice:
        """The series of that solvent that the filters mean; a chart is of all its months."""
        purpose, operator = (self._told(name) or None for name in ("purpose", "operator"))
        return Choice(solvent, purpose, self.chosen_apparatus, self.chosen_kind, operator)

    @property
    def chart_asked(self) -> dict[str, Any]:
        """The same as the picture's address takes it."""
        return {name: self._told(name) for name in ("purpose", "apparatus", "kind", "operator")}

    def narrowed(self, group: dict[str, Any], lab: Lab) -> dict[str, str]:
        """The parameters of an address that shows the runs of one row of a table of rates."""
        told = {name: str(value) for name, value in self.data.items() if value and name in self.fields}
        keys = {row.key: str(row.pk) for row in self.choices.solvents}
        named = {row.name: str(row.pk) for row in self.choices.apparatus}
        for name, value in group.items():
            if name == "month" and isinstance(value, date):
                told |= {"since": f"{value:%Y-%m}", "until": f"{value:%Y-%m}"}
            elif value is not None:
                told[name] = {"solvent": keys, "apparatus": named}.get(name, {}).get(value, str(value))
        return told
