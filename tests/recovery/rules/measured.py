"""Amounts as they are measured at the bench, for tests of balances."""

from __future__ import annotations

from typing import Any

from inventory.rules.catalogue import load_catalogue
from inventory.rules.density import Liquid
from inventory.rules.volume import Measured, measure, parse_entry
from recovery.rules.amounts import Part, part_of
from recovery.rules.properties import Properties, of_catalogue


def liquid(key: str = "diethyl-ether") -> Liquid:
    found = load_catalogue()[key].liquid
    assert found is not None
    return found


def properties(key: str = "diethyl-ether") -> Properties:
    found = of_catalogue(load_catalogue()[key])
    assert found is not None
    return found


def entry(value: str, unit: str, instrument: str | None, key: str, **more: str) -> Measured:
    raw: dict[str, Any] = {"value": value, "unit": unit, **more}
    if instrument:
        raw["instrument"] = instrument
    return measure(parse_entry(raw, field="amount"), liquid(key), field="amount")


def part(
    value: str,
    unit: str = "mL",
    instrument: str | None = "cylinder-b-250",
    key: str = "diethyl-ether",
    **more: str,
) -> Part:
    """What a movement of so much would keep, as a part of a balance."""
    found = entry(value, unit, instrument, key, **more)
    return part_of(found.volume_ul, found.u_volume_ul, found.as_entered)
