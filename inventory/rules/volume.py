"""From what was read at the bench to whole microlitres at 20 °C, with a standard uncertainty.

Volume: V20 = V(T)·[1 − γ·(T − 20)], γ the liquid's expansion less that of borosilicate glass (form of
ISO 4787, from memory). Mass: V20 = m/ρ20, whatever the temperature; air buoyancy is not corrected but counted
in the budget. The budget adds variances of uncorrelated parts (JCGM 100:2008 5.1.2).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_HALF_EVEN, Decimal
from typing import Any

from inventory.rules.density import REFERENCE_C, Liquid
from inventory.rules.errors import InputError
from inventory.rules.instruments import ROOT_3, Instrument, find_instrument, standard_uncertainty
from inventory.rules.phrases import Phrase
from inventory.rules.quantity import Quantity, parse_quantity

__all__ = ["Entry", "Liquid", "Measured", "measure", "note_words", "parse_entry", "present", "quadrature"]

GLASS_EXPANSION_PER_K = Decimal("0.0000099")  # borosilicate 3.3, from memory
MAX_VOLUME_UL = 10_000 * 1_000_000
MIN_TEMPERATURE_C = Decimal(-20)
MAX_TEMPERATURE_C = Decimal(60)
#: a room nobody measured: 20 ± 5 °C; a thermometer at the bench: ± 0.5 °C; common practice, no source
_U_ROOM_K = Decimal(5) / ROOT_3
_U_THERMOMETER_K = Decimal("0.5") / ROOT_3
_AIR_G_ML = Decimal("0.0012")  # density of air near 20 °C, from memory
_KEYS = {"value", "unit", "temperature", "instrument", "tare"}


@dataclass(frozen=True, slots=True)
class Entry:
    """One measurement as entered: a volume, or a mass with or without a tare."""

    amount: Quantity
    tare: Quantity | None = None
    temperature: Quantity | None = None
    instrument: str | None = None


@dataclass(frozen=True, slots=True)
class Measured:
    """volume_ul: at 20 °C; u_volume_ul: standard uncertainty, rounded up; as_entered: plain JSON values."""

    volume_ul: int
    u_volume_ul: int
    as_entered: dict[str, Any]


def parse_entry(
    raw: str | Mapping[str, Any], *, field: str, default_unit: str | None = None, allow_zero: bool = False
) -> Entry:
    """Read "12.5 mL", "210 g", or {"value", "unit", "temperature", "instrument", "tare"}.

    temperature and tare are quantities themselves ("68 °F"; "312.4 g"); a bare temperature is in °C.
    Raises InputError: the codes of `parse_quantity`, unknown-key, tare-needs-mass, unknown-instrument,
    wrong-type.
    """
    if not isinstance(raw, Mapping):
        amount = parse_quantity(
            raw, field=field, dimension=("volume", "mass"), default_unit=default_unit, allow_zero=allow_zero
        )
        return Entry(amount)
    if unknown := sorted(map(str, set(raw) - _KEYS)):
        raise InputError(
            field,
            "unknown-key",
            Phrase("Not known here: {part}.", part=", ".join(unknown)),
            Phrase("Use {known}.", known=", ".join(sorted(_KEYS))),
        )
    amount = parse_quantity(
        {key: raw[key] for key in ("value", "unit") if key in raw},
        field=field,
        dimension=("volume", "mass"),
        default_unit=default_unit,
        allow_zero=allow_zero,
    )
    tare, temperature = _part(raw, "tare", field), _part(raw, "temperature", field)
    if tare and amount.dimension != "mass":
        raise InputError(
            f"{field}.tare",
            "tare-needs-mass",
            Phrase("A tare goes with a mass."),
            Phrase("Give the gross mass in g, or no tare."),
        )
    return Entry(amount, tare, temperature, _instrument_key(raw.get("instrument"), field))


def _part(raw: Mapping[str, Any], key: str, field: str) -> Quantity | None:
    value = raw.get(key)
    if value is None or value == "":
        return None
    if key == "temperature":
        return parse_quantity(value, field=f"{field}.{key}", dimension="temperature", default_unit="Cel")
    return parse_quantity(value, field=f"{field}.{key}", dimension="mass")


def _instrument_key(value: object, field: str) -> str | None:
    if value is None or value == "":
        return None
    if not isinstance(value, str):
        raise InputError(
            f"{field}.instrument",
            "wrong-type",
            Phrase("An instrument is text."),
            Phrase('Send "cylinder-a-100".'),
        )
    return find_instrument(value, field=f"{field}.instrument").key


def measure(
    entry: Entry, liquid: Liquid, *, field: str, capacity_ul: int | None = None, allow_zero: bool = False
) -> Measured:
    """The volume at 20 °C of what was measured.

    capacity_ul: size of the vessel whose mark was read, when known; an estimate by eye errs by a share of it.
    allow_zero: whether an empty vessel (0 mL, or gross equal to tare) is a good answer.
    Raises InputError: instrument-mismatch, temperature-out-of-range, net-negative, too-much, too-little,
    zero.
    """
    instrument = find_instrument(entry.instrument, field=f"{field}.instrument")
    notes: list[str] = []
    if entry.instrument is None:
        notes.append(Phrase("instrument not stated: taken as a rough estimate"))
    if entry.amount.dimension == "mass":
        volume_ml, budget = _from_mass(entry, liquid, instrument, notes, field)
    else:
        capacity_ml = None if capacity_ul is None else Decimal(capacity_ul) / 1000
        volume_ml, budget = _from_volume(entry, liquid, instrument, capacity_ml, notes, field)
    volume_ul = _whole_ul(volume_ml, entry, allow_zero, field)
    u_ul = quadrature(budget.values()) * 1000
    u_volume_ul = max(1, int(u_ul.to_integral_value(rounding=ROUND_CEILING)))
    return Measured(volume_ul, u_volume_ul, _as_entered(entry, instrument, liquid, budget, notes))


def quadrature(parts: Iterable[Decimal]) -> Decimal:
    """Root of the sum of squares: the combined standard uncertainty of uncorrelated parts of one unit."""
    return sum((part * part for part in parts), Decimal(0)).sqrt()


def _expansion_taken(per_k: Decimal) -> Phrase:
    return Phrase(
        "expansion of the liquid unknown: {expansion} per K taken, with a wide uncertainty", expansion=per_k
    )


def note_words(text: str) -> Phrase:
    """A note as it was kept with an amount, as the phrase that it was: a language can say it again."""
    number = re.fullmatch(r"expansion of the liquid unknown: (\d+\.\d+) per K taken, .+", text, re.ASCII)
    return Phrase(text) if number is None else _expansion_taken(Decimal(number[1]))


def _from_volume(
    entry: Entry,
    liquid: Liquid,
    instrument: Instrument,
    capacity_ml: Decimal | None,
    notes: list[str],
    field: str,
) -> tuple[Decimal, dict[str, Decimal]]:
    """(V20 in mL, parts of the budget in mL) for a volume read at the bench."""
    read_ml = entry.amount.to("mL")
    rise, u_rise = _rise(entry.temperature, notes, field)
    expansion, u_expansion = liquid.expansion
    if not liquid.expansion_known:
        notes.append(_expansion_taken(expansion))
    gamma = expansion - GLASS_EXPANSION_PER_K
    factor = 1 - gamma * rise - liquid.expansion_slope_per_k2 * rise * rise
    u_read = standard_uncertainty(
        instrument, read_ml, measures="volume", capacity_ml=capacity_ml, field=f"{field}.instrument"
    )
    sensitivity = gamma + 2 * liquid.expansion_slope_per_k2 * rise
    budget = {
        "instrument": u_read * factor,
        "temperature": abs(read_ml * sensitivity * u_rise),
        "expansion": abs(read_ml * rise * u_expansion),
    }
    return read_ml * factor, budget


def _from_mass(
    entry: Entry, liquid: Liquid, instrument: Instrument, notes: list[str], field: str
) -> tuple[Decimal, dict[str, Decimal]]:
    """(V20 in mL, parts of the budget in mL) for a mass, gross less tare."""
    if entry.temperature:
        _rise(entry.temperature, notes, field)
        notes.append(Phrase("temperature not needed: the mass is the same at any temperature"))
    readings = [entry.amount.to("g"), *([entry.tare.to("g")] if entry.tare else [])]
    net_g = readings[0] - sum(readings[1:], Decimal(0))
    if net_g < 0:
        raise InputError(
            f"{field}.tare",
            "net-negative",
            Phrase("The tare is not below the gross mass."),
            Phrase("Check both weighings."),
        )
    density = liquid.density_20c_kg_m3 / 1000
    spread = [
        standard_uncertainty(instrument, reading, measures="mass", field=f"{field}.instrument")
        for reading in readings
    ]
    notes.append(Phrase("air buoyancy not corrected, counted in the uncertainty"))
    volume_ml = net_g / density
    budget = {
        "instrument": quadrature(spread) / density,
        "density": volume_ml * liquid.u_density_20c_kg_m3 / liquid.density_20c_kg_m3,
        "buoyancy": volume_ml * _AIR_G_ML / density / ROOT_3,
    }
    return volume_ml, budget


def _rise(temperature: Quantity | None, notes: list[str], field: str) -> tuple[Decimal, Decimal]:
    """(T − 20, its standard uncertainty) in K."""
    if temperature is None:
        notes.append(Phrase("temperature not stated: 20 °C taken, give or take 5 K"))
        return Decimal(0), _U_ROOM_K
    celsius = temperature.to("Cel")
    if not MIN_TEMPERATURE_C <= celsius <= MAX_TEMPERATURE_C:
        raise InputError(
            f"{field}.temperature",
            "temperature-out-of-range",
            Phrase(
                "{text} is outside {min_temperature_c} to {max_temperature_c} °C.",
                text=temperature.text,
                min_temperature_c=MIN_TEMPERATURE_C,
                max_temperature_c=MAX_TEMPERATURE_C,
            ),
            Phrase("Measure again near room temperature."),
        )
    return celsius - REFERENCE_C, _U_THERMOMETER_K


def _whole_ul(volume_ml: Decimal, entry: Entry, allow_zero: bool, field: str) -> int:
    volume_ul = int((volume_ml * 1000).to_integral_value(rounding=ROUND_HALF_EVEN))
    text = entry.amount.text
    if volume_ul > MAX_VOLUME_UL:
        raise InputError(
            field, "too-much", Phrase("'{text}' is more than 10 000 L.", text=text), Phrase("Check the unit.")
        )
    if volume_ml == 0 and not allow_zero:
        raise InputError(
            field,
            "zero",
            Phrase("'{text}' comes to nothing.", text=text),
            Phrase("Give an amount above zero."),
        )
    if volume_ul == 0 and volume_ml != 0:
        raise InputError(
            field,
            "too-little",
            Phrase("'{text}' is less than one microlitre.", text=text),
            Phrase("Check the unit."),
        )
    return volume_ul


def _as_entered(
    entry: Entry, instrument: Instrument, liquid: Liquid, budget: dict[str, Decimal], notes: list[str]
) -> dict[str, Any]:
    """All that was entered and all that was taken for granted, as plain JSON values."""
    used = {"density_20c_kg_m3": str(liquid.density_20c_kg_m3), "expansion_per_k": str(liquid.expansion[0])}
    return {
        **entry.amount.as_dict(),
        "text": entry.amount.text,
        "tare": entry.tare.as_dict() if entry.tare else None,
        "temperature": entry.temperature.as_dict() if entry.temperature else None,
        "instrument": instrument.key,
        "used": used,
        "budget_ul": {name: str((part * 1000).quantize(Decimal("0.01"))) for name, part in budget.items()},
        "notes": notes,
    }


def present(volume_ul: int) -> dict[str, str]:
    """{"value", "unit"}: the volume in mL as exact decimal text, no needless zeros: 12500 gives "12.5"."""
    sign, (whole, rest) = "-" if volume_ul < 0 else "", divmod(abs(volume_ul), 1000)
    decimals = f".{rest:03d}".rstrip("0") if rest else ""
    return {"value": f"{sign}{whole}{decimals}", "unit": "mL"}
