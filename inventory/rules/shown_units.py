"""Units in which pages show volumes, by UCUM code, each to a tenth of a millilitre or finer."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import ROUND_HALF_UP, Decimal
from typing import Any, NamedTuple


class ShownUnit(NamedTuple):
    """Microlitres in one, the smallest step that is shown, and how it is written."""

    ul: int
    step: Decimal
    symbol: str


DEFAULT = "mL"
UNITS = {
    "mL": ShownUnit(1_000, Decimal("0.1"), "mL"),
    "L": ShownUnit(1_000_000, Decimal("0.0001"), "L"),
    "uL": ShownUnit(1, Decimal("1"), "µL"),
}


def exact(volume_ul: Decimal | int, unit: str) -> str:
    """The value of a volume, to the last microlitre. unit: of UNITS."""
    return f"{Decimal(volume_ul).scaleb(-_power(unit)):f}"


def in_unit(quantity: Mapping[str, Any], unit: str) -> dict[str, Any]:
    """{"value", "unit", "uncertainty"} that is in mL, in another unit; nothing is rounded."""
    power = _power(DEFAULT) - _power(unit)
    moved = {
        name: f"{Decimal(str(quantity[name])).scaleb(power):f}"
        for name in ("value", "uncertainty")
        if quantity.get(name) not in (None, "")
    }
    return {**quantity, **moved, "unit": UNITS[unit].symbol}


def _power(unit: str) -> int:
    """How many tens multiplied make one of it, in microlitres."""
    return len(str(UNITS[unit].ul)) - 1


def shown(volume_ul: int, unit: str) -> tuple[Decimal, str]:
    """Value and symbol of a volume, halves rounded away from zero. unit: of UNITS; any other counts as mL."""
    chosen = UNITS.get(unit, UNITS[DEFAULT])
    return (Decimal(volume_ul) / chosen.ul).quantize(chosen.step, ROUND_HALF_UP), chosen.symbol
