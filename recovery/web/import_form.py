"""How a sheet is to be read: a choice for each of its columns, the units of bare numbers, the dates."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django import forms
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from inventory.rules.peroxide import METHODS
from inventory.rules.sheets.dates import DateOrder
from inventory.rules.sheets.fields import FIELDS, Field, Target
from inventory.rules.sheets.mapping import AMOUNT_UNITS, READING_UNITS
from inventory.services.import_report import ImportReport
from inventory.web.desk import DeskForm

_T = gettext_lazy
FIELD_WORDS: dict[Target, dict[str, Any]] = {
    "stock": {
        "code": _T("bottle number"),
        "solvent": _T("what is in it"),
        "origin": _T("where it is from"),
        "size": _T("size of the bottle"),
        "left": _T("how much is left"),
        "received_on": _T("received on"),
        "opened": _T("opened, or on what day"),
        "inhibitor": _T("inhibitor"),
        "location": _T("where it is kept"),
        "peroxide": _T("peroxide reading"),
        "tested_on": _T("tested on"),
        "method": _T("tested with"),
        "expires_on": _T("expiry on the label"),
        "remarks": _T("remarks"),
    },
    "runs": {
        "on": _T("day of the run"),
        "operator": _T("who"),
        "purpose": _T("what for"),
        "solvent": _T("solvent"),
        "code": _T("from which bottle"),
        "out": _T("taken out"),
        "back": _T("came back"),
        "back_into": _T("back into which bottle"),
        "remarks": _T("remarks"),
    },
}
# UCUM codes as people write them; what is not here is written like its code.
UNIT_WORDS: dict[str, Any] = {
    "uL": "µL",
    "m3": "m³",
    "[pt_us]": _T("US pint"),
    "[pt_br]": _T("imperial pint"),
    "[foz_us]": _T("US fluid ounce"),
    "[foz_br]": _T("imperial fluid ounce"),
    "[gal_us]": _T("US gallon"),
    "[gal_br]": _T("imperial gallon"),
    "[qt_us]": _T("US quart"),
    "[qt_br]": _T("imperial quart"),
    "[oz_av]": _T("ounce (28.35 g)"),
    "[lb_av]": _T("pound (453.6 g)"),
}
ORDERS = [
    ("", _T("as the dates themselves show")),
    (DateOrder.DAY_FIRST.value, _T("day first, as 31.12.")),
    (DateOrder.MONTH_FIRST.value, _T("month first, as 12/31")),
]
CENTURIES = [("", _T("refuse them")), ("2000", _T("2000 to 2099")), ("1900", _T("1900 to 1999"))]
# What is to be done about an open question, where the answer is a choice of this form.
REMEDIES = {
    "column-missing": _T("Choose below which column it is."),
    "column-twice": _T("Choose one of them below."),
    "column-unmapped": _T("Choose below what it is, if it matters."),
    "unit-missing": _T("Choose the unit below, or write it in your list."),
    "unit-unknown": _T("Choose the unit below."),
    "unit-ambiguous": _T("Choose the unit below."),
    "unit-suggested": _T("Choose another unit below, if that is wrong."),
    "date-order-unknown": _T("Choose below in which order day and month stand."),
    "date-order-mixed": _T("Make them alike in your list, or choose one order below."),
    "date-order-contradicted": _T("Choose the other order below, or correct that line."),
    "date-order-found": _T("Choose the other order below, if that is wrong."),
    "date-year-short": _T("Choose the century below, or write four digits in your list."),
}


class UploadForm(forms.Form):
    """A list as a file. It carries no key: the same file sent twice is kept once."""

    target = forms.ChoiceField(
        label=_T("What is it?"),
        help_text=_T("Bottles with what is left in them; or what was taken for runs and what came back."),
        choices=[
            ("stock", _T("Stock list")),
            ("runs", _T("Run log")),
        ],
    )
    file = forms.FileField(
        label=_T("The list"),
        help_text=_T(
            "A spreadsheet (XLSX) or CSV, up to 4 MB. The first line holds the names of the columns."
        ),
        widget=forms.ClearableFileInput(attrs={"accept": ".csv,.txt,.tsv,.xlsx,text/csv,text/plain"}),
        allow_empty_file=True,
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **{"label_suffix": "", **kwargs})


class ColumnsForm(forms.Form):
    """A choice for each column of one sheet; to send it again changes nothing."""

    counted_on = forms.DateField(
        label=_T("The amounts were true at the start of"),
        required=False,
        help_text=_T("Empty: they are true now. Runs from before that day are history and move no stock."),
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
    )
    method = forms.ChoiceField(
        label=_T("Peroxides were tested with"),
        required=False,
        choices=[(key, _T(method.name)) for key, method in METHODS.items()],
        help_text=_T("Where the row does not say."),
    )
    date_order = forms.ChoiceField(label=_T("Days and months"), required=False, choices=ORDERS)
    century = forms.ChoiceField(label=_T("Years of two digits"), required=False, choices=CENTURIES)
    all_or_none = forms.BooleanField(label=_T("Enter nothing while any row is wrong"), required=False)

    def __init__(
        self, *args: Any, target: Target, report: ImportReport, chosen: Mapping[str, Any], **kwargs: Any
    ):
        self.target, self.headers = target, report.table.headers
        super().__init__(*args, **{"label_suffix": "", "initial": _initial(report, chosen), **kwargs})
        if target != "stock":
            del self.fields["counted_on"], self.fields["method"]
        known = FIELD_WORDS[target]
        choices = [("", _("not used")), *((f.key, known[f.key]) for f in FIELDS[target])]
        for place, header in enumerate(self.headers):
            self.fields[f"column_{place}"] = forms.ChoiceField(label=header, choices=choices, required=False)
        for one in self._measured():
            label = _("Numbers without a unit in “%(what)s”") % {"what": known[one.key]}
            self.fields[f"unit_{one.key}"] = forms.ChoiceField(
                label=label, choices=_units(one), required=False
            )

    def _measured(self) -> list[Field]:
        return [one for one in FIELDS[self.target] if one.kind in ("volume", "reading")]

    def columns(self) -> list[Any]:
        return [self[f"column_{place}"] for place in range(len(self.headers))]

    def others(self) -> list[Any]:
        names = [name for name in self.fields if not name.startswith("column_")]
        return [self[name] for name in names]

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        taken: dict[str, str] = {}
        for place, header in enumerate(self.headers):
            key = cleaned.get(f"column_{place}")
            if key and key in taken:
                words = _("“%(other)s” is read as this already. Choose another for one of the two.")
                self.add_error(f"column_{place}", words % {"other": taken[key]})
            elif key:
                taken[key] = header
        self.taken = taken
        return cleaned

    def choices(self) -> dict[str, Any]:
        """As the sheet keeps them."""
        told = self.cleaned_data
        units = {one.key: told.get(f"unit_{one.key}") for one in self._measured()}
        mapping: dict[str, Any] = {
            "target": self.target,
            "columns": self.taken,
            "units": {key: unit for key, unit in units.items() if unit},
        }
        if told["date_order"]:
            mapping["date_order"] = told["date_order"]
        if told["century"]:
            mapping["century"] = int(told["century"])
        if told.get("method"):
            mapping["method"] = told["method"]
        day = told.get("counted_on")
        return {
            "mapping": mapping,
            "counted_on": day.isoformat() if day else "",
            "all_or_none": told["all_or_none"],
        }


def _units(one: Field) -> list[tuple[str, Any]]:
    units = READING_UNITS if one.kind == "reading" else AMOUNT_UNITS
    return [("", _("not told")), *((unit, UNIT_WORDS.get(unit, unit)) for unit in units)]


def _initial(report: ImportReport, chosen: Mapping[str, Any]) -> dict[str, Any]:
    """What stands in the form: as chosen, else as guessed."""
    mapping, told = report.mapping, chosen.get("mapping") or {}
    read_as = {header: key for key, header in mapping.columns.items()}
    start: dict[str, Any] = {
        f"column_{place}": read_as.get(header, "") for place, header in enumerate(report.table.headers)
    }
    start |= {f"unit_{key}": unit for key, unit in mapping.units.items()}
    order = told.get("date_order")
    return start | {
        "date_order": order if isinstance(order, str) else "",
        "century": str(mapping.century or ""),
        "method": mapping.method,
        "counted_on": chosen.get("counted_on") or None,
        "all_or_none": bool(chosen.get("all_or_none")),
    }


class BookForm(DeskForm):
    """Enter the good rows, read as they were shown. seen: which choices that was."""

    seen = forms.CharField(max_length=64, widget=forms.HiddenInput)


class UndoForm(DeskForm):
    """Take an import back."""

    reason = forms.CharField(label=_T("Why"), max_length=500)
