"""What predictions need to know of a solvent, from its row: shipped ones and a lab's own alike."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from decimal import Decimal, InvalidOperation
from typing import Any

from inventory.models import Solvent
from inventory.rules.catalogue import Fact
from inventory.rules.density import Liquid
from inventory.rules.source_words import source_words
from recovery.rules.properties import Properties, from_facts


def properties_of(solvent: Solvent) -> Properties:
    """The properties of a solvent; None inside means that nothing is recorded."""
    liquid = Liquid(
        density_20c_kg_m3=solvent.density_20c_kg_m3,
        u_density_20c_kg_m3=solvent.u_density_kg_m3,
        expansion_20c_per_k=solvent.expansion_20c_per_k,
        u_expansion_per_k=solvent.u_expansion_per_k,
        expansion_slope_per_k2=solvent.expansion_slope_per_k2,
    )
    return from_facts(
        name=solvent.name,
        liquid=liquid,
        molar_mass_g_per_mol=solvent.molar_mass_g_per_mol,
        facts=_facts(solvent.facts),
    )


def _facts(kept: list[Mapping[str, Any]]) -> Iterator[Fact]:
    for one in kept:
        if "name" in one and "value" in one:
            yield Fact(
                name=str(one["name"]),
                value=str(one["value"]),
                unit=str(one.get("unit", "")),
                source=source_words(str(one.get("source", "not stated"))),
                second=str(one.get("second", "")),
                second_source=source_words(str(one.get("second_source", ""))),
                half_width=_number(one.get("half_width")),
                disagreement=str(one.get("disagreement", "")),
                note=str(one.get("note", "")),
            )


def _number(value: object) -> Decimal | None:
    try:
        return None if value is None else Decimal(str(value))
    except InvalidOperation:
        return None
