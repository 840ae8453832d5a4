"""A waste container comes: what belongs in it, how large it is, and how long it may stay."""

from __future__ import annotations

from typing import Any

from django import forms
from django.http import HttpResponse
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from inventory.models import Location
from inventory.rules.errors import InputError
from inventory.rules.phrases import Phrase
from inventory.rules.table_words import table_words
from inventory.rules.waste import load_keeping
from inventory.services.waste import DAYS_DEFAULT, DAYS_MAX, WasteFacts, waste_add
from inventory.templatetags.amounts import UNIT
from inventory.web.bench_forms import REASON, UNITS, number_input, size_ul
from inventory.web.desk import Desk, DeskForm, desk_page
from inventory.web.language import spoken
from inventory.web.places import form_page, posted

BEFORE = Phrase(
    "One container for each kind of waste, never for what may react with each other. Your local rules and "
    "your licensed disposer say what is parted, what the container must be, and how long it may stay."
)


class WasteAddForm(DeskForm):
    """What is left empty: the shortest time for a whole lab, from the day on which the first goes in."""

    stream = forms.CharField(
        label=gettext_lazy("What belongs in it"),
        max_length=120,
        help_text=gettext_lazy("As your local rules part waste: halogen-free solvents. Never together what "
                               "may react."),
        widget=forms.TextInput(attrs={"autocomplete": "off", "autofocus": True}),
    )  # fmt: skip
    capacity = forms.CharField(
        label=gettext_lazy("Size of the container"), max_length=30, widget=number_input()
    )
    unit = forms.ChoiceField(label=gettext_lazy("Unit"), choices=UNITS)
    full_percent = forms.IntegerField(
        label=gettext_lazy("Counts as nearly full at, %"), min_value=1, max_value=100,
        help_text=gettext_lazy("What is above stays head space: liquids expand."),
        widget=number_input(),
    )  # fmt: skip
    location = forms.ModelChoiceField(
        label=gettext_lazy("Place"), required=False, queryset=Location.objects.none(),
        empty_label=gettext_lazy("not put away yet"),
    )  # fmt: skip
    code = forms.CharField(
        label=gettext_lazy("A code of your own"), required=False, max_length=24,
        help_text=gettext_lazy("Empty: one with a check character is made."),
        widget=forms.TextInput(attrs={"autocapitalize": "characters", "autocomplete": "off"}),
    )  # fmt: skip
    keeping = forms.ChoiceField(
        label=gettext_lazy("How long it may stay"), required=False, choices=[],
        help_text=gettext_lazy("Not told, the shortest time for a whole lab holds."),
    )  # fmt: skip
    days_max = forms.IntegerField(
        label=gettext_lazy("Or so many days"), required=False, min_value=1, max_value=DAYS_MAX,
        help_text=gettext_lazy("By your local rule, which is then to be named below."), widget=number_input(),
    )  # fmt: skip
    days_source = forms.CharField(
        label=gettext_lazy("The rule that those days are from"), required=False, max_length=200
    )
    started_on = forms.DateField(
        label=gettext_lazy("Day of the first waste in it"), required=False,
        help_text=gettext_lazy("If there is some in it already. Empty: the day on which the first goes in."),
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
    )  # fmt: skip
    note = forms.CharField(
        label=gettext_lazy("Note"), required=False, max_length=500, widget=forms.Textarea(attrs=REASON)
    )

    def __init__(self, *args: Any, desk: Desk, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        place, keeping = self.fields["location"], self.fields["keeping"]
        assert isinstance(place, forms.ModelChoiceField) and isinstance(keeping, forms.ChoiceField)
        place.queryset = Location.objects.filter(lab=desk.lab, ended_at=None).order_by("name")
        shortest = _("not told: %(n)d days") % {"n": DAYS_DEFAULT}
        named = [(key, spoken(table_words(row.name))) for key, row in load_keeping().items()]
        keeping.choices = [("", shortest), *named]

    def facts(self) -> WasteFacts:
        """What the service takes. Raises InputError naming the field."""
        told = self.cleaned_data
        names = ("stream", "code", "location", "full_percent", "started_on", "note")
        known = {name: told[name] for name in names}
        capacity_ul = size_ul(told["capacity"], told["unit"], "capacity")
        return WasteFacts(capacity_ul=capacity_ul, **known, **_keeping(told))


def _keeping(told: dict[str, Any]) -> dict[str, Any]:
    """How long it may stay: the row that was chosen, or days with the rule that they are from."""
    days, source = told["days_max"], told["days_source"].strip()
    if told["keeping"]:
        if days or source:
            raise InputError(
                "keeping", "one-of-both", Phrase("Choose a time here, or give days and their rule: not both.")
            )
        row = load_keeping()[told["keeping"]]
        return {"days_max": row.days, "days_source": row.told}
    if not days and not source:
        return {}
    if not days or not source:
        raise InputError(
            "days_source" if days else "days_max", "missing",
            Phrase("Days need the rule that they are from, and the other way round."),
        )  # fmt: skip
    return {"days_max": days, "days_source": source}


@desk_page("waste.edit", "POST")
def add(desk: Desk) -> HttpResponse:
    """A waste container is set up; then it has a page, from where it is filled and handed over."""
    start = {"unit": UNIT.get() or "L", "full_percent": 80, "location": desk.request.GET.get("in")}
    form = WasteAddForm(posted(desk), desk=desk, initial=start)
    back = reverse("storage", args=[desk.lab.slug])

    def work() -> str:
        made = waste_add(**desk.by, facts=form.facts())
        last = {"code": made.code, "days": made.days_max}
        return (
            ngettext(
                "%(code)s is there now. Label it with its code and what belongs in it; "
                "it may stay %(days)d day.",
                "%(code)s is there now. Label it with its code and what belongs in it; "
                "it may stay %(days)d days.",
                made.days_max,
            )
            % last
        )

    return form_page(
        desk, form, work, lambda: back, title=_("Add a waste container"), button=_("Add the waste container"),
        words=spoken(BEFORE), back=back, back_words=_("Storage"),
        queue=_("Add a waste container"),
    )  # fmt: skip
