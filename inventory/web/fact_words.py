"""Names and units of recorded values, for people."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from decimal import Decimal, InvalidOperation
from typing import Any

from django.utils.translation import gettext_lazy

from inventory.rules.limit_words import limit_words
from inventory.rules.source_words import source_words
from inventory.services.speaking import spoken
from inventory.templatetags.amounts import marked

# In the order in which they are shown; what is not here follows under its own name.
NAMES: Mapping[str, Any] = {
    "density-20c": gettext_lazy("Density at 20 °C"),
    "flash-point": gettext_lazy("Flash point"),
    "boiling-point": gettext_lazy("Boiling point"),
    "boiling-point-end": gettext_lazy("End of boiling"),
    "autoignition": gettext_lazy("Takes fire by itself at"),
    "lel": gettext_lazy("Lower explosive limit in air"),
    "uel": gettext_lazy("Upper explosive limit in air"),
    "vapour-pressure-20c": gettext_lazy("Vapour pressure at 20 °C"),
    "melting-point": gettext_lazy("Melting point"),
    "density-25c": gettext_lazy("Density at 25 °C"),
    "expansion-20c": gettext_lazy("Expansion at 20 °C"),
    "expansion-slope": gettext_lazy("Change of the expansion"),
    "solubility-in-water": gettext_lazy("Dissolves in water"),
    "water-in-solvent": gettext_lazy("Takes up water"),
    "azeotrope-with-water": gettext_lazy("Boils together with water"),
    "signal-word": gettext_lazy("Signal word"),
    "h-codes": gettext_lazy("Hazard statements"),
    "euh-codes": gettext_lazy("Further hazard statements"),
    "pictograms": gettext_lazy("Pictograms"),
    "un-number": gettext_lazy("UN number"),
    "nfpa-704": gettext_lazy("NFPA 704"),
    "osha-pel": gettext_lazy("Limit at work, OSHA PEL"),
    "niosh-rel": gettext_lazy("Limit at work, NIOSH REL"),
    "acgih-tlv": gettext_lazy("Limit at work, ACGIH TLV"),
    "ontario-twa": gettext_lazy("Limit at work, Ontario, time-weighted"),
    "ontario-stel": gettext_lazy("Limit at work, Ontario, short time"),
    "antoine-a": gettext_lazy("Antoine constant A"),
    "antoine-b": gettext_lazy("Antoine constant B"),
    "antoine-c": gettext_lazy("Antoine constant C"),
    "antoine-min": gettext_lazy("Antoine constants from"),
    "antoine-max": gettext_lazy("Antoine constants to"),
}
UNITS = {"Cel": "°C", "1": "", "kg/m3": "kg/m³", "1/K": "1/K", "1/K2": "1/K²", "[ppm]": "ppm"}
# Values that are words; where the same word means another thing, with the fact it stands at.
VALUES: Mapping[str, Any] = {
    "miscible": gettext_lazy("miscible"),
    "none": gettext_lazy("none"),
    "Danger": gettext_lazy("Danger"),
    "Warning": gettext_lazy("Warning"),
    "azeotrope-with-water: none": gettext_lazy("no"),
    "osha-pel: none": gettext_lazy("no limit"),
}
# What is said beside a value, in the reader's language where it is known.
SAID = ("source", "second_source", "disagreement")
_FIGURE = re.compile(r"(?<![\w.-])-?\d+\.\d+(?![\w.])", re.ASCII)
# Limits at work, which tables write in signs of their own.
LIMITS = frozenset({"osha-pel", "niosh-rel", "acgih-tlv", "ontario-twa", "ontario-stel"})


def shown(facts: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Facts in the order above, with a name and unit for people beside what is recorded."""
    order = {name: place for place, name in enumerate(NAMES)}
    ordered = sorted(facts, key=lambda fact: order.get(fact["name"], len(order)))
    return [
        {
            **fact,
            "words": NAMES.get(fact["name"], fact["name"]),
            "value": value_words(fact),
            "unit": "" if fact.get("value") == "none" else unit_of(fact.get("unit", "")),
            **{name: source_words(str(fact.get(name, ""))) for name in SAID},
            "note": source_words(str(fact.get("note", "")).replace(" Cel", " °C")),
        }
        for fact in ordered
    ]


def on_page(facts: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """What `shown` made, for a page: the value in use leads, and limits that are no mere number are words."""
    return [_marked(_limit(_in_use_first(fact))) for fact in facts]


def _marked(fact: dict[str, Any]) -> dict[str, Any]:
    """With the decimal marks of the language, also where a value is of several numbers."""
    return {**fact, **{name: _figures(fact.get(name, "")) for name in ("value", "second", "disagreement")}}


def _figures(text: Any) -> Any:
    if not isinstance(text, str) or _number(text) is not None:
        return text
    return _FIGURE.sub(lambda found: marked(found[0]), spoken(text))


def _in_use_first(fact: dict[str, Any]) -> dict[str, Any]:
    if not _second_in_use(fact):
        return fact
    turned = {"value": fact["second"], "second": fact["value"]}
    return {**fact, **turned, "source": fact.get("second_source", ""), "second_source": fact["source"]}


def _limit(fact: dict[str, Any]) -> dict[str, Any]:
    value = fact["value"]
    if fact["name"] not in LIMITS or _number(value) is not None:
        return fact
    return {**fact, "value": spoken(limit_words(value)) if isinstance(value, str) else value, "unit": ""}


def _number(text: Any) -> Decimal | None:
    try:
        return Decimal(str(text))
    except InvalidOperation:
        return None


def _second_in_use(fact: Mapping[str, Any]) -> bool:
    """Whether decisions use what is recorded second."""
    used = _number(fact.get("in_use", ""))
    return used is not None and used == _number(fact.get("second", "")) != _number(fact.get("value", ""))


def value_words(fact: Mapping[str, Any]) -> Any:
    """The value as a page shows it: a word in the reader's language, anything else as it is recorded."""
    value = fact.get("value", "")
    return VALUES.get(f"{fact['name']}: {value}", VALUES.get(str(value), value))


def unit_of(code: str) -> str:
    return UNITS.get(code, code)


def source_of(facts: list[dict[str, Any]], name: str) -> str:
    """Where the value in use of a fact is from; "" when it is not recorded."""
    found = next((fact for fact in facts if fact["name"] == name), None)
    if found is None:
        return ""
    return source_words(str(found.get("second_source" if _second_in_use(found) else "source", "")))
