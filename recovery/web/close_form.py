"""Closing a run: for each solvent one question after the other, until nothing is left without a name."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from django import forms
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from inventory.models import LOSSES, PlaceKind, Solvent
from inventory.templatetags.amounts import UNIT
from inventory.web.bench_forms import UNITS, number_input
from inventory.web.desk import DeskForm, refused
from recovery.models import Run, RunSum
from recovery.services.runs import Loss

NAMED_LOSSES = [kind for kind in LOSSES if kind != PlaceKind.UNACCOUNTED]
QUESTIONS = {
    PlaceKind.WATER_LAYER.value: gettext_lazy("How much stayed in the water layer?"),
    PlaceKind.AIR.value: gettext_lazy("How much went into the air?"),
    PlaceKind.STILL_RESIDUE.value: gettext_lazy("How much is left in the still?"),
    PlaceKind.PRODUCT.value: gettext_lazy("How much stayed in the product?"),
    PlaceKind.REACTION.value: gettext_lazy("How much was used up in a reaction?"),
    PlaceKind.WASTE.value: gettext_lazy("How much was handed over as waste?"),
}
REMARKS_MOST = 2000


@dataclass(frozen=True)
class Part:
    """What is missing of one solvent, with the questions about it."""

    sum: RunSum
    fields: list[Any]


class CloseForm(DeskForm):
    """A question for each loss that somebody can name; the rest is booked as unaccounted."""

    keeps_time = True

    def __init__(
        self, *args: Any, held: list[RunSum], expected: Mapping[tuple[int, str], str], **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.held = held
        self.parts: list[tuple[str, Solvent, str]] = []
        if any(row.held_ul > 0 for row in held):
            self.fields["unit"] = forms.ChoiceField(
                label=gettext_lazy("Unit"),
                choices=UNITS,
                initial=UNIT.get() or "mL",
                help_text=gettext_lazy("It holds for each amount below."),
            )
        for row in held:
            # More came back than went out: there is nothing to name.
            for kind in NAMED_LOSSES if row.held_ul > 0 else ():
                name = f"loss_{row.solvent_id}_{kind}"
                words = expected.get((row.solvent_id, kind), "")
                self.fields[name] = forms.CharField(
                    label=QUESTIONS[kind],
                    required=False,
                    max_length=30,
                    widget=number_input(),
                    help_text=words,
                )
                self.parts.append((name, row.solvent, kind))
        self.fields["rest"] = forms.CharField(
            label=gettext_lazy("What may have become of the rest?"),
            required=False,
            max_length=500,
            help_text=gettext_lazy("It stands in the remarks. A guess is no measurement: name it as one."),
            widget=forms.Textarea(attrs={"rows": 2}),
        )
        self.fields["to_dryness"] = forms.BooleanField(
            label=gettext_lazy("What is left is to be taken to dryness"),
            required=False,
            help_text=gettext_lazy(
                "Never where a solvent of the run forms peroxides, or may: they collect in what is left "
                "behind. It is refused there."
            ),
        )

    def clean(self) -> dict[str, Any]:
        """A form that waited for the network may name a loss of what the run holds no more."""
        told = super().clean() or {}
        gone = [name for name, text in self.data.items() if name.startswith("loss_") and str(text).strip()]
        if any(name not in self.fields for name in gone):
            words = _("The run has changed since: something you name is no longer missing. Look again.")
            raise forms.ValidationError(words)
        return told

    @property
    def asked(self) -> list[Part]:
        """The questions solvent by solvent."""
        return [
            Part(row, [self[name] for name, solvent, _kind in self.parts if solvent.pk == row.solvent_id])
            for row in self.held
        ]

    @property
    def first(self) -> list[Any]:
        """What rules every amount, before any is asked for."""
        return [self["unit"]] if "unit" in self.fields else []

    @property
    def last(self) -> list[Any]:
        """What is asked once, whatever the solvent."""
        return [self[name] for name in ("rest", "to_dryness")]

    def told(self) -> list[tuple[str, Loss]]:
        """The losses named, each with its field."""
        unit = self.cleaned_data.get("unit")
        return [
            (name, Loss(to=kind, amount={"value": self.cleaned_data[name], "unit": unit}, solvent=solvent))
            for name, solvent, kind in self.parts
            if self.cleaned_data.get(name)
        ]

    def remarks(self, run: Run) -> str | None:
        """The remarks of the run with what was said of the rest; None when nothing was."""
        said = self.cleaned_data["rest"].strip()
        if not said:
            return None
        added = _("Of the rest: %(words)s") % {"words": said}
        return "\n".join(filter(None, (run.remarks, added)))[:REMARKS_MOST]

    def refuse(self, error: Any) -> None:
        parts = error.field.split(".")
        told = self.told()
        if parts[0] == "losses" and len(parts) > 1 and parts[1].isdigit() and int(parts[1]) < len(told):
            self.add_error(told[int(parts[1])][0], refused(error))
            return
        super().refuse(error)
