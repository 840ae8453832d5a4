"""Names and units of recorded values, for people."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.utils.translation import gettext_lazy

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


def shown(facts: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Facts in the order above, with a name and unit for people beside what is recorded."""
    order = {name: place for place, name in enumerate(NAMES)}
    ordered = sorted(facts, key=lambda fact: order.get(fact["name"], len(order)))
    return [
        {
            **fact,
            "words": NAMES.get(fact["name"], fact["name"]),
            "unit": "" if fact.get("value") == "none" else unit_of(fact.get("unit", "")),
            "note": str(fact.get("note", "")).replace(" Cel", " °C"),
        }
        for fact in ordered
    ]


def unit_of(code: str) -> str:
    return UNITS.get(code, code)


def source_of(facts: list[dict[str, Any]], name: str) -> str:
    """Where the value in use of a fact is from; "" when it is not recorded."""
    found = next((fact for fact in facts if fact["name"] == name), None)
    if found is None:
        return ""
    second = "second" in found and found.get("in_use") == found.get("second") != found.get("value")
    return str(found.get("second_source" if second else "source", ""))
