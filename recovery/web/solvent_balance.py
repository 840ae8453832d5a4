"""The solvent balance of a period on a page, with the ways to its CSV and its PDF."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from django import forms
from django.http import HttpResponse
from django.utils.translation import gettext_lazy

from inventory.models import Lab
from inventory.web.desk import Desk, desk_page
from inventory.web.language import language_wanted
from recovery.rules.solvent_balance import Report
from recovery.rules.solvent_balance_words import (
    APART_WORDS,
    FIGURE_WORDS,
    SOURCES,
    cautions,
    figures_of,
)
from recovery.rules.solvent_terms_words import TERM_NAMES
from recovery.selectors.solvent_balance import solvent_balance
from recovery.web.period import PeriodForm, used_solvents


class BalanceForm(PeriodForm):
    """Of which months and which solvent."""

    solvent = forms.ChoiceField(label=gettext_lazy("Solvent"), required=False)

    def __init__(self, data: Any, lab: Lab) -> None:
        self.solvents = used_solvents(lab)
        super().__init__(data)

    def full_clean(self) -> None:
        field = self.fields["solvent"]
        assert isinstance(field, forms.ChoiceField)
        field.choices = [("", gettext_lazy("all")), *((row.key, row.name) for row in self.solvents)]
        super().full_clean()

    @property
    def key(self) -> str | None:
        return getattr(self, "cleaned_data", {}).get("solvent") or None


@desk_page("reports.read")
def solvent_balance_page(desk: Desk) -> HttpResponse:
    """All solvents together in grams, and each with its volume."""
    form = BalanceForm(desk.request.GET, desk.lab)
    if form.errors:
        return desk.render("recovery/solvent_balance.html", {"form": form}, here="more", status=400)
    found = solvent_balance(lab=desk.lab, **form.period, solvent=form.key)
    words: dict[str, str] = {**TERM_NAMES, **FIGURE_WORDS}
    asked = {**form.asked, **({"solvent": form.key} if form.key else {})}
    return desk.render(
        "recovery/solvent_balance.html",
        {
            "form": form,
            "flows": found,
            "total": [(code, words[code], mass) for code, mass in figures_of(found.total)],
            "solvents": _solvents(found, words),
            "apart": [(APART_WORDS[code], mass) for code, mass in sorted(found.apart.items()) if mass],
            "closes": found.total.difference == 0,
            "cautions": cautions(found, today=desk.today),
            "sources": SOURCES,
            "asked": asked,
            "query": urlencode(asked),
            "papers": urlencode({**asked, **language_wanted()}),
        },
        here="more",
    )


def _solvents(found: Report, words: dict[str, str]) -> list[tuple[str, list[tuple[str, str, int, int]]]]:
    """Each solvent with its lines: code, words, mass in ng, volume in µl."""
    return [
        (
            each.name,
            [
                (code, words[code], mass, volume)
                for (code, mass), (_, volume) in zip(
                    figures_of(each.mass), figures_of(each.volume), strict=True
                )
            ],
        )
        for each in found.solvents
    ]
