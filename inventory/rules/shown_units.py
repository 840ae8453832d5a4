"""Units in which pages show volumes, by UCUM code, each to a tenth of a millilitre or finer."""

from __future__ import annotations

from decimal import ROUND_HALF_UP, Decimal
from typing import NamedTuple


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


def shown(volume_ul: int, unit: str) -> tuple[Decimal, str]:
    """Value and symbol of a volume, halves rounded away from zero. unit: of UNITS; any other counts as mL."""
    chosen = UNITS.get(unit, UNITS[DEFAULT])
    return (Decimal(volume_ul) / chosen.ul).quantize(chosen.step, ROUND_HALF_UP), chosen.symbol
