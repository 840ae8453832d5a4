"""The forms of the rows of a retest policy: each shows a row of its JSON and gives one back."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy

from inventory.rules.levels import LEVEL_WORDS, LEVELS, USE_WORDS, USES
from inventory.rules.signs import SIGNS
from inventory.templatetags.amounts import SIGN_WORDS
from inventory.web.bench_forms import REASON, number_input
from inventory.web.desk import DeskForm
from inventory.web.policy_words import AIR, CLOSURES, COUNTS_FROM, ENDS_IN, ORIGINS

EITHER = gettext_lazy("whichever it is")
YES, NO = "yes", "no"
FLAGS = {YES: True, NO: False}
LETTERS = [(letter, letter) for letter in "ABCD"]
ALL = gettext_lazy("None chosen: all of them.")
UNITS = [
    ("months", gettext_lazy("months")), ("days", gettext_lazy("days")), ("hours", gettext_lazy("hours")),
]  # fmt: skip


def _flag(label: Any, yes: Any, no: Any) -> forms.ChoiceField:
    return forms.ChoiceField(label=label, required=False, choices=[("", EITHER), (YES, yes), (NO, no)])


def _several(label: Any, choices: Any, help_text: Any = ALL) -> forms.MultipleChoiceField:
    return forms.MultipleChoiceField(label=label, required=False, choices=choices, help_text=help_text)


def _source() -> forms.CharField:
    return forms.CharField(
        label=gettext_lazy("Source"),
        max_length=1000,
        widget=forms.Textarea(attrs=REASON),
        help_text=gettext_lazy("Where it can be read, or that it is your own choice."),
    )


def _then() -> forms.ChoiceField:
    return forms.ChoiceField(
        label=gettext_lazy("Comes to"), choices=[(level, LEVEL_WORDS[level]) for level in LEVELS[1:]]
    )


def _uses() -> forms.MultipleChoiceField:
    return _several(gettext_lazy("For which uses"), [(use, USE_WORDS[use]) for use in USES])


class RowForm(DeskForm):
    """What all rows share. `version`: of the policy when the form was shown."""

    # Member of the JSON → field of the form.
    field_of = {"reason": "reason"}

    version = forms.IntegerField(widget=forms.HiddenInput)

    def row(self) -> dict[str, Any]:
        """The row as JSON."""
        return self.given("source")

    @staticmethod
    def start(row: Mapping[str, Any]) -> dict[str, Any]:
        """The row as the form shows it."""
        shown = {
            name: YES if row[name] else NO for name in ("opened", "inhibited") if row.get(name) is not None
        }
        return {**row, **shown}

    def given(self, *names: str) -> dict[str, Any]:
        """What of these was filled in."""
        told = self.cleaned_data
        found = {name: told[name] for name in names if told[name] not in ("", None, [], False)}
        return {name: FLAGS.get(value, value) if name in ("opened", "inhibited") else value
                for name, value in found.items()}  # fmt: skip


class RuleForm(RowForm):
    """When a test, or disposal, falls due."""

    field_of = {
        "class": "peroxide_class", "months": "count", "days": "count", "hours": "count", "reason": "reason",
    }  # fmt: skip

    peroxide_class = forms.ChoiceField(label=gettext_lazy("Class"), choices=LETTERS)
    opened = _flag(gettext_lazy("Opened?"), gettext_lazy("opened"), gettext_lazy("not opened"))
    inhibited = _flag(gettext_lazy("Inhibitor?"), gettext_lazy("with"), gettext_lazy("without"))
    origins = _several(gettext_lazy("Where from"), list(ORIGINS.items()))
    atmosphere = forms.ChoiceField(
        label=gettext_lazy("Kept"), required=False, choices=[("", EITHER), *AIR.items()]
    )
    count = forms.IntegerField(
        label=gettext_lazy("How long"),
        min_value=0,
        widget=forms.NumberInput(attrs={"inputmode": "numeric"}),
        help_text=gettext_lazy("0: test before each use."),
    )
    unit = forms.ChoiceField(label=gettext_lazy("Unit"), choices=UNITS)
    counts_from = forms.ChoiceField(label=gettext_lazy("Counts from"), choices=list(COUNTS_FROM.items()))
    ends_in = forms.ChoiceField(label=gettext_lazy("Ends in"), choices=list(ENDS_IN.items()))
    source = _source()

    def row(self) -> dict[str, Any]:
        told = self.cleaned_data
        names = ("opened", "inhibited", "origins", "atmosphere", "counts_from", "ends_in", "source")
        return {"class": told["peroxide_class"], told["unit"]: told["count"], **self.given(*names)}

    @staticmethod
    def start(row: Mapping[str, Any]) -> dict[str, Any]:
        unit = next((name for name, _words in UNITS if row.get(name) is not None), "months")
        return {
            **RowForm.start(row),
            "peroxide_class": row.get("class"),
            "unit": unit,
            "count": row.get(unit),
        }


class LevelForm(RowForm):
    """What a reading comes to."""

    field_of = {"from": "amount", "above": "amount", "detected": "edge", "reason": "reason"}

    edge = forms.ChoiceField(
        label=gettext_lazy("A reading"),
        choices=[
            ("from", gettext_lazy("of this much or more")),
            ("above", gettext_lazy("of more than this")),
            ("detected", gettext_lazy("of anything at all")),
        ],
    )
    amount = forms.CharField(
        label=gettext_lazy("How much"), required=False, max_length=20, widget=number_input()
    )
    unit = forms.ChoiceField(
        label=gettext_lazy("Unit"),
        choices=[
            ("mg/L", gettext_lazy("mg/L as hydrogen peroxide")),
            ("mass-ppm", gettext_lazy("ppm by mass")),
        ],
    )
    then = _then()
    uses = _uses()
    source = _source()

    def row(self) -> dict[str, Any]:
        told, edge = self.cleaned_data, self.cleaned_data["edge"]
        if edge == "detected":
            return {edge: True, **self.given("then", "uses", "source")}
        return {edge: told["amount"].replace(",", "."), **self.given("unit", "then", "uses", "source")}

    @staticmethod
    def start(row: Mapping[str, Any]) -> dict[str, Any]:
        edge = next((name for name in ("from", "above", "detected") if row.get(name) is not None), "from")
        return {**row, "edge": edge, "amount": "" if edge == "detected" else row.get(edge)}


class HandlingForm(RowForm):
    """What is seen and known of a container. All that is asked for must hold."""

    field_of = {"class": "classes", "reason": "reason"}

    classes = _several(
        gettext_lazy("Class"), [*LETTERS, ("none", gettext_lazy("no former"))],
        gettext_lazy("None chosen: every former."),
    )  # fmt: skip
    opened = _flag(gettext_lazy("Opened?"), gettext_lazy("opened"), gettext_lazy("not opened"))
    inhibited = _flag(gettext_lazy("Inhibitor?"), gettext_lazy("with"), gettext_lazy("without"))
    signs = _several(
        gettext_lazy("Signs seen"), [(name, SIGN_WORDS.get(name, name)) for name in SIGNS],
        gettext_lazy("Any of those chosen. None chosen: signs are not asked for."),
    )  # fmt: skip
    closures = _several(
        gettext_lazy("Closed with"), list(CLOSURES.items()),
        gettext_lazy("None chosen: the closure is not asked for."),
    )  # fmt: skip
    age_unknown = forms.BooleanField(label=gettext_lazy("Its age is not known"), required=False)
    origin_unknown = forms.BooleanField(label=gettext_lazy("Its origin is not known"), required=False)
    expired_more_than_months = forms.IntegerField(
        label=gettext_lazy("Months past the maker's date"),
        required=False,
        min_value=0,
        widget=forms.NumberInput(attrs={"inputmode": "numeric"}),
        help_text=gettext_lazy("0: past it at all. Empty: not asked for."),
    )
    then = _then()
    uses = _uses()
    source = _source()

    def row(self) -> dict[str, Any]:
        names = ("opened", "inhibited", "signs", "closures", "age_unknown", "origin_unknown", "uses", "then")
        row = self.given(*names, "source")
        if self.cleaned_data["classes"]:
            row["class"] = self.cleaned_data["classes"]
        months = self.cleaned_data["expired_more_than_months"]
        return row if months is None else {**row, "expired_more_than_months": months}

    @staticmethod
    def start(row: Mapping[str, Any]) -> dict[str, Any]:
        return {**RowForm.start(row), "classes": row.get("class")}


class TermsForm(RowForm):
    """What is no row: the heel, the age of a test before distilling, and what the maker's date ends in."""

    heel_percent = forms.CharField(
        label=gettext_lazy("Left in the still, % of what was charged"),
        required=False,
        max_length=10,
        widget=number_input(),
        help_text=gettext_lazy("Empty: 20."),
    )
    heel_source = forms.CharField(label=gettext_lazy("Its source"), required=False, max_length=1000)
    test_age_max_days = forms.IntegerField(
        label=gettext_lazy("Oldest test that clears a distillation, days"), required=False, min_value=0
    )
    test_age_source = forms.CharField(label=gettext_lazy("Its source"), required=False, max_length=1000)
    expiry_ends_in = forms.ChoiceField(
        label=gettext_lazy("The maker's expiry ends in"), choices=list(ENDS_IN.items())
    )

    def row(self) -> dict[str, Any]:
        told = self.cleaned_data
        row = self.given("heel_source", "test_age_source")
        if told["heel_percent"].strip():
            row["heel_percent"] = told["heel_percent"].strip().replace(",", ".")
        days = told["test_age_max_days"]
        return row if days is None else {**row, "test_age_max_days": days}


FORMS: Mapping[str, type[RowForm]] = {
    "rules": RuleForm, "levels": LevelForm, "handling": HandlingForm, "terms": TermsForm,
}  # fmt: skip
