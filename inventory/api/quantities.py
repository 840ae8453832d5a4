"""Quantities at the API: out as {"value", "unit", "uncertainty"} in mL, in as text or object."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from inventory.rules.errors import InputError
from inventory.rules.quantity import parse_quantity
from inventory.rules.volume import MAX_VOLUME_UL

MAX_MASS_MG = 100_000_000_000  # 100 t: far above any bottle, far below 64 bits


def millilitres(volume_ul: int) -> str:
    """Exact decimal text in mL: 12500 gives "12.5"."""
    if volume_ul % 1000 == 0:
        return str(volume_ul // 1000)
    sign, rest = ("-", -volume_ul) if volume_ul < 0 else ("", volume_ul)
    return f"{sign}{rest // 1000}.{rest % 1000:03d}".rstrip("0")


def volume_out(volume_ul: int, u_volume_ul: int | None = None) -> dict[str, str | None]:
    """A volume at 20 °C; uncertainty: standard (k = 1), None where none is kept."""
    spread = None if u_volume_ul is None else millilitres(u_volume_ul)
    return {"value": millilitres(volume_ul), "unit": "mL", "uncertainty": spread}


def mass_out(mass_mg: int | None) -> dict[str, str | None] | None:
    if mass_mg is None:
        return None
    return {"value": millilitres(mass_mg), "unit": "g", "uncertainty": None}


def capacity_ul(raw: str | Mapping[str, Any]) -> int:
    """The size of a container in whole microlitres. Raises InputError naming `capacity`."""
    quantity = parse_quantity(raw, field="capacity", dimension="volume", allow_zero=False)
    size_ul = int(quantity.to("uL").to_integral_value())
    if not 0 < size_ul <= MAX_VOLUME_UL:
        raise InputError(
            "capacity", "out-of-range", "A container holds 1 uL to 10 000 L.", "Check number and unit."
        )
    return size_ul


def tare_mg(raw: str | Mapping[str, Any] | None) -> int | None:
    """The empty weight in whole milligrams. Raises InputError naming `tare`."""
    if raw is None:
        return None
    quantity = parse_quantity(raw, field="tare", dimension="mass")
    mass_mg = int(quantity.to("mg").to_integral_value())
    if mass_mg > MAX_MASS_MG:
        raise InputError("tare", "out-of-range", "That is more than 100 t.", "Check number and unit.")
    return mass_mg
