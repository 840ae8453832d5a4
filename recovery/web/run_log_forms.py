"""The forms of what happens in the course of a run: charged, come back, lost, sent to waste."""

from __future__ import annotations

from typing import Any

from django import forms
from django.utils.translation import gettext_lazy

from inventory.models import LOST_TO, PlaceKind, Solvent, WasteContainer
from inventory.services.storage import Override
from inventory.templatetags.amounts import UNIT
from inventory.web.bench_forms import AmountForm, WhenForm
from inventory.web.desk import Desk
from recovery.models import Run
from recovery.services.run_losses import Loss

_T = gettext_lazy
WASTE = PlaceKind.WASTE_CONTAINER.value
LOSS_WORDS = {
    PlaceKind.WATER_LAYER.value: _T("into the water layer"),
    PlaceKind.AIR.value: _T("into the air"),
    PlaceKind.STILL_RESIDUE.value: _T("left in the still as residue"),
    PlaceKind.PRODUCT.value: _T("left in the product"),
    PlaceKind.REACTION.value: _T("used up in a reaction"),
    PlaceKind.WASTE.value: _T("handed over as waste"),
    PlaceKind.UNACCOUNTED.value: _T("nobody knows where to"),
}


class RunMoveForm(AmountForm):
    """A volume between a run and a container, named by its code."""

    field_of = {**AmountForm.field_of, "container": "container"}

    container = forms.CharField(
        label=_T("Code of the container"),
        max_length=300,
        help_text=_T("Scan it with the phone's own camera, or type what the label says."),
        widget=forms.TextInput(attrs={"autocapitalize": "characters", "autocomplete": "off"}),
    )

    def __init__(self, *args: Any, desk: Desk, run: Run, **kwargs: Any) -> None:
        code = desk.request.GET.get("container", "")[:300]
        kwargs["initial"] = {"container": code, "unit": UNIT.get() or "mL", **(kwargs.get("initial") or {})}
        super().__init__(*args, **kwargs)
        self.fields["amount" if code else "container"].widget.attrs["autofocus"] = True


class ChargeForm(RunMoveForm):
    """Out of a container into the run."""

    override = forms.CharField(
        label=_T("A supervisor's reason to let it through"), required=False, max_length=500
    )
    field_order = ("container", "amount", "unit", "override", "happened_at", "note")

    def __init__(self, *args: Any, desk: Desk, run: Run, **kwargs: Any) -> None:
        super().__init__(*args, desk=desk, run=run, **kwargs)
        if not (run.distils and desk.caller.may("runs.override")):
            del self.fields["override"]


class ReturnForm(RunMoveForm):
    """Out of the run into a container: a lot of its own."""

    field_of = {**RunMoveForm.field_of, "solvent": "solvent"}

    solvent = forms.ModelChoiceField(label=_T("Solvent"), queryset=Solvent.objects.none())
    state = forms.ChoiceField(
        label=_T("It is"), required=False,
        choices=[("", _T("not told yet")), ("wet", _T("wet")), ("dried", _T("dried"))],
    )  # fmt: skip
    drying_agent = forms.CharField(label=_T("Dried with"), required=False, max_length=80)
    field_order = (
        "container", "amount", "unit", "solvent", "state", "drying_agent", "happened_at", "note",
    )  # fmt: skip

    def __init__(self, *args: Any, desk: Desk, run: Run, **kwargs: Any) -> None:
        super().__init__(*args, desk=desk, run=run, **kwargs)
        _offer_solvents(self, run)


class LossForm(AmountForm):
    """Something is lost before the run is closed, and somebody can say where to."""

    field_of = {**AmountForm.field_of, "to": "to", "waste": "to", "solvent": "solvent", "location": "to"}

    to = forms.ChoiceField(label=_T("Where to"), choices=[])
    solvent = forms.ModelChoiceField(label=_T("Solvent"), queryset=Solvent.objects.none())
    override_reason = forms.CharField(
        label=_T("Reason against a rule that refuses"), required=False, max_length=500,
        help_text=_T("Only a supervisor may give one."),
    )  # fmt: skip
    field_order = ("to", "amount", "unit", "solvent", "override_reason", "happened_at")

    def __init__(self, *args: Any, desk: Desk, run: Run, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.may_override = desk.caller.may("safety.loosen")
        held = WasteContainer.objects.filter(lab=desk.lab, collected_at=None).order_by("code")
        self.wastes = {f"{WASTE}:{row.pk}": row for row in held}
        field = self.fields["to"]
        assert isinstance(field, forms.ChoiceField)
        named = [(key, LOSS_WORDS[key]) for key in LOST_TO if key in LOSS_WORDS]
        bins = [(key, f"{row.code} · {row.stream}") for key, row in self.wastes.items()]
        field.choices = [*([(_T("Into a waste container"), bins)] if bins else []), *named]
        del self.fields["note"]
        if not (bins and self.may_override):
            del self.fields["override_reason"]
        _offer_solvents(self, run)

    def loss(self) -> Loss:
        told = self.cleaned_data
        waste = self.wastes.get(told["to"])
        override = Override(told.get("override_reason", ""), allowed=self.may_override)
        return Loss(WASTE if waste else told["to"], self.entry(), told.get("solvent"), waste, override)


def _offer_solvents(form: WhenForm, run: Run) -> None:
    """Those that were charged; with one alone nothing is asked."""
    rows = Solvent.objects.filter(pk__in=run.sums.filter(charged_ul__gt=0).order_by().values("solvent_id"))
    field = form.fields["solvent"]
    assert isinstance(field, forms.ModelChoiceField)
    field.queryset = rows.order_by("name")
    if len(rows) < 2:
        del form.fields["solvent"]
