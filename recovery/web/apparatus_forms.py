"""The forms of apparatus, and of fits of their losses."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy

from inventory.models import Lab, Location, Solvent
from inventory.web.bench_forms import WhenForm, number_input
from inventory.web.desk import DeskForm
from recovery.models import Apparatus, RunKind
from recovery.rules.fitting import DRIVERS
from recovery.selectors.kinds import kinds_of
from recovery.services.apparatus import hold_up_read
from recovery.templatetags.apparatus import KINDS, RECORDS
from recovery.web.period import used_solvents
from recovery.web.run_forms import KindChoice

_T = gettext_lazy
UL_PER_ML = 1000
NOT_TOLD = _T("not told")


class ApparatusForm(DeskForm):
    """What solvent passes in runs."""

    name = forms.CharField(
        label=_T("Name"), max_length=120, help_text=_T("As it is called at the bench: Still 2.")
    )
    kind = forms.ChoiceField(label=_T("What it is"), choices=list(KINDS.items()))
    location = forms.ModelChoiceField(
        label=_T("Where it stands"), queryset=Location.objects.none(), required=False, empty_label=NOT_TOLD
    )
    hold_up = forms.CharField(
        label=_T("What stays in it (mL)"), required=False, max_length=30, widget=number_input(),
        help_text=_T("On its walls and in its joints after a run. Empty: not known."),
    )  # fmt: skip
    note = forms.CharField(
        label=_T("Note"), required=False, max_length=500, widget=forms.Textarea(attrs={"rows": 2})
    )

    def __init__(self, *args: Any, lab: Lab, row: Apparatus | None = None, **kwargs: Any) -> None:
        if row is not None:
            hold_up = (
                "" if row.hold_up_ul is None else f"{(Decimal(row.hold_up_ul) / UL_PER_ML).normalize():f}"
            )
            own = {"name": row.name, "kind": row.kind, "location": row.location_id, "note": row.note}
            kwargs["initial"] = {**own, "hold_up": hold_up}
        super().__init__(*args, **kwargs)
        field = self.fields["location"]
        assert isinstance(field, forms.ModelChoiceField)
        field.queryset = Location.objects.filter(lab=lab, ended_at=None).order_by("name")

    def told(self) -> dict[str, Any]:
        """As the service takes it. Raises InputError naming hold_up."""
        told = dict(self.cleaned_data)
        told.pop("key")
        text = told.pop("hold_up")
        return {**told, "hold_up_ul": hold_up_read({"value": text, "unit": "mL"} if text else None)}


class RecordForm(WhenForm):
    """What was done to it, or found of it."""

    what = forms.ChoiceField(
        label=_T("What was done"), choices=list(RECORDS.items()),
        help_text=_T("After a repair or a change its losses are judged afresh."),
    )  # fmt: skip
    note = forms.CharField(
        label=_T("In your words"), required=False, max_length=500, widget=forms.Textarea(attrs={"rows": 2})
    )
    field_order = ("what", "note", "happened_at")


class RetireForm(DeskForm):
    """No run is done in it any more."""

    reason = forms.CharField(label=_T("Why"), required=False, max_length=500)


class FitForm(DeskForm):
    """Of which runs losses are fitted, and to what."""

    solvent = forms.ModelChoiceField(
        label=_T("Solvent"), queryset=Solvent.objects.none(), empty_label=_T("Choose a solvent")
    )
    apparatus = forms.ModelChoiceField(
        label=_T("Only runs in"), queryset=Apparatus.objects.none(), required=False,
        empty_label=_T("any apparatus"), help_text=_T("Since it was last repaired or changed."),
    )  # fmt: skip
    kind = KindChoice(
        label=_T("Only runs of this kind"), queryset=RunKind.objects.none(), required=False,
        empty_label=_T("any kind"),
    )  # fmt: skip
    drivers = forms.MultipleChoiceField(
        label=_T("What the loss is taken to grow with"), required=False,
        choices=[(key, _T(row.words)) for key, row in DRIVERS.items()],
        help_text=_T("None chosen: as many as the runs can tell apart."),
    )  # fmt: skip

    def __init__(self, *args: Any, lab: Lab, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        solvents = Solvent.objects.filter(pk__in=[row.pk for row in used_solvents(lab)])
        held = Apparatus.objects.filter(lab=lab, ended_at=None)
        rows = {"solvent": solvents, "apparatus": held, "kind": kinds_of(lab).filter(ended_at=None)}
        for name, found in rows.items():
            field = self.fields[name]
            assert isinstance(field, forms.ModelChoiceField)
            field.queryset = found.order_by("name")

    def told(self) -> dict[str, Any]:
        return {name: self.cleaned_data[name] for name in ("solvent", "apparatus", "kind", "drivers")}


class PlainForm(DeskForm):
    """Nothing to fill in: only to be sure."""
