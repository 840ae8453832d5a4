"""What a run is planned with: in the words of the plan itself, kept in the address."""

from __future__ import annotations

import re
from typing import Any

from django import forms
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from inventory.models import Lab, Location, Solvent
from inventory.rules.errors import InputError
from inventory.web.bench_forms import number_input
from inventory.web.desk import DeskForm, refused
from inventory.web.language import spoken
from inventory.web.numbers import AsksWhatIsMeant
from recovery.models import Apparatus
from recovery.rules.shipped_words import shipped
from recovery.selectors.kinds import kinds_of
from recovery.web.period import in_shown_order, used_solvents

_T = gettext_lazy
BARE = re.compile(r"[0-9][0-9.,\s]*")
# What a number without a unit is in.
USUAL = {"volume": "mL", "water": "mL", "portion": "mL", "room_volume": "m3", "over": "h"}
EXTRACTION = (
    "water", "k", "pka", "ph", "base", "water_temperature", "wanted_percent", "portion", "portions",
    "still_loss_percent",
)  # fmt: skip


def _text(label: Any, help_text: Any = "", slide: str = "") -> forms.CharField:
    """slide: between what and in which steps a slider beside it goes; last, where it stands if empty."""
    widget = number_input(**({"data-slide": slide} if slide else {}))
    return forms.CharField(label=label, required=False, max_length=40, help_text=help_text, widget=widget)


class PlanForm(AsksWhatIsMeant):
    """Either a volume, or an extraction whose portions are worked out."""

    solvent = forms.ChoiceField(label=_T("Solvent"))
    volume = _text(_T("Volume to be charged"), _T("In mL, where no extraction is worked out."), "10 1000 10")
    water = _text(_T("Water layer"), _T("In mL."), "10 500 5")
    k = _text(
        _T("Distribution constant K"),
        _T("Concentration in the solvent divided by that in the water."),
        "0.1 20 0.1",
    )
    wanted_percent = _text(_T("Wanted yield in per cent"), _T("Empty: 99."), "50 99.9 0.1 99")
    portion = _text(_T("Size of a portion"), _T("In mL. Empty: what loses little solvent."), "5 250 5")
    portions = forms.IntegerField(
        label=_T("Number of portions"), required=False, min_value=1, max_value=50,
        widget=forms.NumberInput(attrs={"data-slide": "1 10 1"}),
    )  # fmt: skip
    pka = _text(_T("pKa"), _T("Of a weak acid, or of a base's conjugate acid."))
    ph = _text(_T("pH of the water"))
    base = forms.BooleanField(label=_T("It is a weak base"), required=False)
    water_temperature = _text(_T("Temperature of the water"), _T("In °C. Empty: 10, which keeps more."))
    still_loss_percent = _text(_T("Loss in the still in per cent"), _T("Of what goes into it."), "0 50 1")
    kind = forms.ChoiceField(label=_T("Kind of run"), required=False)
    distils = forms.ChoiceField(
        label=_T("Will it be distilled back?"),
        required=False,
        choices=[("", _T("as its kind says, else yes")), ("yes", _T("yes")), ("no", _T("no"))],
    )
    location = forms.ChoiceField(label=_T("Room"), required=False)
    apparatus = forms.MultipleChoiceField(label=_T("Apparatus"), required=False)
    room_volume = _text(_T("Volume of the room"), _T("In m³. Empty: as recorded, else 20."))
    air_changes = _text(_T("Air changes in an hour"), _T("Empty: as recorded, else none."))
    over = _text(_T("How long solvent is about"), _T("In hours. Empty: all gets out at once."))

    first = ("solvent", "volume", "water", "k", "wanted_percent")

    def __init__(self, data: Any, lab: Lab) -> None:
        super().__init__(data or None, label_suffix="")
        solvents = used_solvents(lab) or in_shown_order(Solvent.objects.filter(lab=None))
        kinds = kinds_of(lab).filter(ended_at=None)
        rooms = Location.objects.filter(lab=lab, ended_at=None).order_by("name")
        held = Apparatus.objects.filter(lab=lab, ended_at=None).order_by("name")
        self._choose(
            "solvent", [("", _T("Choose a solvent")), *((str(row.pk), row.name) for row in solvents)]
        )
        self._choose("kind", [("", _T("not told")), *((row.key, spoken(shipped(row.name))) for row in kinds)])
        self._choose("location", [("", _T("not told")), *((str(row.pk), row.name) for row in rooms)])
        self._choose("apparatus", [(str(row.pk), row.name) for row in held])
        if not held:
            del self.fields["apparatus"]

    def _choose(self, name: str, pairs: list[tuple[Any, Any]]) -> None:
        field = self.fields[name]
        assert isinstance(field, forms.ChoiceField)
        field.choices = pairs

    def clean(self) -> dict[str, Any]:
        told = super().clean() or {}
        if (told.get("water") or told.get("k")) and not (told.get("water") and told.get("k")):
            missing = "k" if told.get("water") else "water"
            self.add_error(missing, _("An extraction takes both the water layer and K."))
        elif not told.get("water") and not told.get("volume"):
            self.add_error("volume", _("Tell a volume, or the water layer and K of an extraction."))
        return told

    @property
    def asked(self) -> dict[str, Any]:
        """As a plan is asked with. Only of a valid form."""
        told = {
            name: value for name, value in self.cleaned_data.items() if value not in ("", None, [], False)
        }
        found = {name: _plain(name, value) for name, value in told.items() if name not in EXTRACTION}
        if "distils" in found:
            found["distils"] = found["distils"] == "yes"
        if "water" in told:
            found["extraction"] = {name: _plain(name, told[name]) for name in EXTRACTION if name in told}
        return found

    @property
    def first_fields(self) -> list[Any]:
        return [self[name] for name in self.first]

    @property
    def more_fields(self) -> list[Any]:
        return [field for field in self if field.name not in self.first]

    @property
    def more_told(self) -> bool:
        """Whether what is folded away was told, or is to be mended."""
        return any(field.errors or field.value() for field in self.more_fields)

    @property
    def kept(self) -> list[tuple[str, str]]:
        """Everything told, for hidden fields and addresses."""
        told: Any = self.data
        values = [(name, value) for name in self.fields for value in told.getlist(name)]
        return [(name, value) for name, value in values if value]

    def refuse(self, error: InputError) -> None:
        """Show what the plan refuses at the field that it names."""
        at = next((part for part in reversed(error.field.split(".")) if part in self.fields), None)
        self.add_error(at, refused(error))


def _plain(name: str, value: Any) -> Any:
    """A bare number takes the unit that the form names."""
    if not isinstance(value, str) or not BARE.fullmatch(value.strip()):
        return value
    if name in USUAL:
        return {"value": value, "unit": USUAL[name]}
    if name == "water_temperature":
        return {"value": value, "unit": "Cel"}
    return f"{value} per h" if name == "air_changes" else value


class DraftForm(DeskForm):
    """What a draft run needs beside its plan."""

    purpose = forms.CharField(
        label=gettext_lazy("What for"),
        max_length=120,
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )
    operator_name = forms.CharField(
        label=gettext_lazy("Who does it"),
        required=False,
        max_length=80,
        help_text=gettext_lazy("Empty: you."),
    )

    def refuse(self, error: InputError) -> None:
        """The plan was refused: it stands above the form, since its fields are hidden here."""
        self.add_error("purpose" if error.field == "purpose" else None, refused(error))
