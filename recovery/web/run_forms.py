"""The forms of a run beside charging and closing it."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

from django import forms
from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from inventory.models import Lab, Location
from inventory.rules.errors import InputError
from inventory.web.bench_forms import number_input
from inventory.web.desk import DeskForm, refused
from inventory.web.language import spoken
from recovery.models import Apparatus, ReturnState, Run, RunApparatus, RunField, RunKind
from recovery.rules.shipped_words import shipped
from recovery.selectors.kinds import fields_of, kinds_of
from recovery.selectors.run_facts import FactNow
from recovery.templatetags.drawn import fact_told

_T = gettext_lazy
BARE = re.compile(r"[-−]?[0-9][0-9.,\s]*")
STATE_WORDS = {
    ReturnState.State.WET.value: _T("wet"),
    ReturnState.State.DRIED.value: _T("dried"),
    ReturnState.State.NOT_TOLD.value: _T("not told"),
}


class KindChoice(forms.ModelChoiceField):  # type: ignore[type-arg]  # not subscriptable when it runs
    """One kind of run, the shipped ones by their names in the language of the page."""

    def label_from_instance(self, obj: Any) -> str:
        return spoken(shipped(obj.name))


class DetailsForm(DeskForm):
    """Kind, room and apparatus of a run; nothing of it moves a volume."""

    kind = KindChoice(
        label=_T("Kind of run"), queryset=RunKind.objects.none(), required=False, empty_label=_T("not told")
    )
    location = forms.ModelChoiceField(
        label=_T("Room"), queryset=Location.objects.none(), required=False, empty_label=_T("not told")
    )
    apparatus = forms.ModelMultipleChoiceField(
        label=_T("Apparatus"), queryset=Apparatus.objects.none(), required=False
    )
    remarks = forms.CharField(
        label=_T("Remarks"), required=False, max_length=2000, widget=forms.Textarea(attrs={"rows": 2})
    )

    def __init__(self, *args: Any, lab: Lab, run: Run | None = None, **kwargs: Any) -> None:
        used: list[int] = []
        if run is not None:
            used = list(RunApparatus.objects.filter(run=run).values_list("apparatus_id", flat=True))
            own = {"kind": run.kind_id, "location": run.location_id, "remarks": run.remarks}
            kwargs["initial"] = {**own, "apparatus": used, **(kwargs.get("initial") or {})}
        super().__init__(*args, **kwargs)
        # What has ended is offered only where it stands already.
        places, rows = Location.objects.filter(lab=lab), Apparatus.objects.filter(lab=lab)
        kept = {"kind": [run.kind_id] if run else [], "location": [run.location_id] if run else []}
        self._rows("kind", kinds_of(lab).filter(Q(ended_at=None) | Q(pk__in=kept["kind"])))
        self._rows("location", places.filter(Q(ended_at=None) | Q(pk__in=kept["location"])).order_by("name"))
        self._rows("apparatus", rows.filter(Q(ended_at=None) | Q(pk__in=used)).order_by("name"))
        if not rows:
            del self.fields["apparatus"]

    def _rows(self, name: str, rows: Any) -> None:
        field = self.fields[name]
        assert isinstance(field, forms.ModelChoiceField)
        field.queryset = rows

    def told(self) -> dict[str, Any]:
        """As services take them."""
        names = ("kind", "location", "remarks", "apparatus")
        found = {name: self.cleaned_data[name] for name in names if name in self.cleaned_data}
        if "apparatus" in found:
            found["apparatus"] = list(found["apparatus"])
        return found


class StartForm(DetailsForm):
    """A run begins: when it was tapped, so that what was drawn for it afterwards is not too early."""

    keeps_time = True

    purpose = forms.CharField(
        label=_T("What for"),
        max_length=120,
        widget=forms.TextInput(attrs={"list": "purposes", "autocomplete": "off", "autofocus": True}),
    )
    operator_name = forms.CharField(
        label=_T("Who does it"), required=False, max_length=80, help_text=_T("Empty: you.")
    )
    distils = forms.TypedChoiceField(
        label=_T("Will solvent be distilled or concentrated?"),
        choices=[
            ("", _T("as its kind says, else yes")),
            ("yes", _T("yes, or not sure")),
            ("no", _T("no")),
        ],
        required=False,
        empty_value=None,
        coerce=lambda word: word == "yes",
    )
    field_order = ("purpose", "operator_name", "kind", "distils", "location", "apparatus", "remarks")

    def told(self) -> dict[str, Any]:
        names = ("purpose", "operator_name", "distils")
        tapped = self.tapped_ever()
        began = None if tapped is None or tapped > timezone.now() else tapped
        return {**super().told(), **{name: self.cleaned_data[name] for name in names}, "started_at": began}


class ReasonForm(DeskForm):
    """Why."""

    reason = forms.CharField(
        label=_T("Why"), max_length=500, widget=forms.Textarea(attrs={"rows": 2}),
        help_text=_T("At least a few words: it stays on the record."),
    )  # fmt: skip


class GiveUpForm(DeskForm):
    """A draft that will not be done."""

    reason = forms.CharField(label=_T("Why"), required=False, max_length=300)


class StateForm(DeskForm):
    """Whether what came back is wet or dried."""

    entry = forms.ChoiceField(label=_T("What came back"))
    state = forms.ChoiceField(label=_T("It is"), choices=list(STATE_WORDS.items()))
    drying_agent = forms.CharField(
        label=_T("Dried with"), required=False, max_length=80, help_text=_T("As sodium sulfate.")
    )

    def __init__(self, *args: Any, returns: Sequence[tuple[str, str]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["entry"]
        assert isinstance(field, forms.ChoiceField)
        field.choices = list(returns)


class FactsForm(DeskForm):
    """What the kind of a run asks for; all that may be told, where its kind is not."""

    def __init__(self, *args: Any, lab: Lab, run: Run, known: Mapping[str, FactNow], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        in_use = {row.key: row for row in fields_of(lab).filter(ended_at=None)}
        asked = [one["field"] for one in run.kind.fields] if run.kind else list(in_use)
        self.rows = {key: in_use[key] for key in asked if key in in_use}
        for key, row in self.rows.items():
            self.fields[key] = _fact_field(row, known.get(key))

    def told(self) -> dict[str, Any]:
        """Only what was filled in."""
        given = {key: self.cleaned_data[key] for key in self.rows if self.cleaned_data.get(key)}
        return {key: _entered(self.rows[key], text) for key, text in given.items()}

    def refuse(self, error: InputError) -> None:
        """At the field of the fact."""
        key = error.field.split(".")[1] if error.field.startswith("facts.") else ""
        self.add_error(key if key in self.rows else None, refused(error))


def _fact_field(row: RunField, known: FactNow | None) -> forms.Field:
    said = "" if known is None else _("Told: %(text)s.") % {"text": fact_told(known)}
    words = " ".join(filter(None, (spoken(shipped(row.help_text)), said)))
    common: dict[str, Any] = {"label": spoken(shipped(row.name)), "required": False, "help_text": words}
    if row.quantity == RunField.Quantity.YES_NO:
        pairs = [("", _("not told")), ("yes", _("yes")), ("no", _("no"))]
        return forms.ChoiceField(choices=pairs, **common)
    if row.quantity == RunField.Quantity.CHOICE:
        pairs = [("", _("not told")), *((one[0], spoken(shipped(one[1]))) for one in row.choices)]
        return forms.ChoiceField(choices=pairs, **common)
    if row.unit:
        unit = row.unit.replace("Cel", "°C")
        common["label"] = f"{common['label']} ({unit})"
    widget = forms.TextInput() if row.quantity == RunField.Quantity.TEXT else number_input()
    return forms.CharField(max_length=200, widget=widget, **common)


def _entered(row: RunField, text: str) -> Any:
    """A bare number takes the unit of its field."""
    if row.quantity == RunField.Quantity.YES_NO:
        return text == "yes"
    bare = BARE.fullmatch(text.strip()) is not None
    return {"value": text.strip(), "unit": row.unit} if row.unit and bare else text
