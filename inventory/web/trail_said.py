"""What an event keeps, in words for a page: amounts with their unit, days as everywhere, names for codes.

What a person wrote stays as it was written; a code without words here, and an id without a name, as recorded.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date
from typing import Any

from django.utils.dateparse import parse_datetime
from django.utils.formats import date_format
from django.utils.timezone import is_aware, localtime
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from inventory.rules.levels import LEVEL_WORDS
from inventory.rules.solvent_words import solvent_words
from inventory.services.speaking import spoken
from inventory.web.forms import role_name
from inventory.web.papers import amount
from inventory.web.trail_keys import key_words

__all__ = ["said"]

#: names of records by kind and id, as `selectors/trail.names_of` has them
Names = Mapping[tuple[str, int], str]

# Parts that hold the id of a record, and of which kind; `lost_ul` has one for each amount.
REFERS = {"container": "container", "solvent": "solvent", "location": "location", "parent": "location"}
_OPENED: Mapping[str, Any] = {
    "unopened": gettext_lazy("not opened yet"),
    "opened": gettext_lazy("opened"),
    "unknown": gettext_lazy("not known"),
}
_WHAT: Mapping[str, Any] = {
    "density": gettext_lazy("density"),
    "refractive-index": gettext_lazy("refractive index"),
    "boiling-range": gettext_lazy("boiling range"),
    "water": gettext_lazy("water content"),
    "times-distilled": gettext_lazy("times distilled"),
    "cleaned": gettext_lazy("cleaned"),
    "repaired": gettext_lazy("repaired"),
}
_OUTCOME: Mapping[str, Any] = {
    "within": gettext_lazy("within its limits"),
    "outside": gettext_lazy("outside its limits"),
    "undecided": gettext_lazy("not decided"),
    "no-reference": gettext_lazy("nothing to compare it with"),
}
_EFFECT: Mapping[str, Any] = {"warn": gettext_lazy("warns"), "refuse": gettext_lazy("refuses")}
# Part → the words of what it may hold.
CODES: Mapping[str, Mapping[str, Any]] = {
    "opened": _OPENED,
    "what": _WHAT,
    "outcome": _OUTCOME,
    "effect": _EFFECT,
    "kind": {
        "distillation": gettext_lazy("Distillation"),
        "liquid-liquid-extraction": gettext_lazy("Liquid-liquid extraction"),
        "soxhlet-extraction": gettext_lazy("Soxhlet extraction"),
        "column-chromatography": gettext_lazy("Column chromatography"),
        "recrystallisation": gettext_lazy("Recrystallisation"),
    },
    "salting": {"saturated": gettext_lazy("saturated"), "none": gettext_lazy("none")},
}
ROLES = frozenset({"role", "from", "to"})


def said(data: Mapping[str, Any], names: Names | None = None) -> list[tuple[str, str]]:
    """What an event keeps beside who and when, as pairs for a page; what is empty is left out."""
    known = names or {}
    return [(key_words(name), text) for name, value in data.items() if (text := _flat(name, value, known))]


def _flat(name: str, value: Any, names: Names) -> str:
    if value is None or value in ("", [], {}):
        return ""
    if isinstance(value, bool):
        return _("yes") if value else _("no")
    if isinstance(value, Mapping):
        return "; ".join(_pairs(name, value, names))
    if isinstance(value, list):
        return "; ".join(_flat(name, part, names) for part in value)
    return _named(name, value, names) or _amount(name, value) or _written(name, str(value))


def _pairs(name: str, value: Mapping[str, Any], names: Names) -> list[str]:
    """What is told by solvent is named by it; everything else by what it is."""
    if name == "lost_ul":
        return [
            f"{_named('solvent', key, names) or key}: {_flat(name, part, names)}"
            for key, part in value.items()
        ]
    return [f"{key_words(key)}: {_flat(key, part, names) or '–'}" for key, part in value.items()]


def _named(name: str, value: Any, names: Names) -> str:
    if name not in REFERS or not re.fullmatch(r"\d{1,18}", str(value), re.ASCII):
        return ""
    return spoken(solvent_words(names.get((REFERS[name], int(value)), "")))


def _amount(name: str, value: Any) -> str:
    return amount(value) if name.endswith("_ul") and isinstance(value, int) else ""


def _written(name: str, text: str) -> str:
    if name in CODES:
        return str(CODES[name].get(text, text))
    if name == "level":
        return spoken(LEVEL_WORDS.get(text, text))  # type: ignore[call-overload]
    if name in ROLES:
        return role_name(text)
    return _day(text) or text


def _day(text: str) -> str:
    """A day or moment of the record as pages write it; "" for anything else."""
    try:
        if re.fullmatch(r"\d{4}-\d\d-\d\d", text, re.ASCII):
            return date_format(date.fromisoformat(text), "DATE_FORMAT")
        moment = parse_datetime(text) if re.match(r"\d{4}-\d\d-\d\d[T ]", text, re.ASCII) else None
    except ValueError:
        return ""
    return "" if moment is None or not is_aware(moment) else date_format(localtime(moment), "DATETIME_FORMAT")
