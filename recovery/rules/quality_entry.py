"""A quality check as it was entered: density, refractive index, boiling range or water content."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from inventory.rules.errors import InputError
from inventory.rules.instruments import ROOT_3, ROOT_12
from inventory.rules.number_text import split_number
from inventory.rules.phrases import Phrase
from inventory.rules.quantity import parse_quantity
from inventory.rules.units import Dimension, affine
from inventory.rules.volume import quadrature
from recovery.rules.quality import Entered
from recovery.rules.quality_data import PROPERTY_KEYS, PROPERTY_WORDS, UNITS, WHATS, figure

# Lowest and highest that is taken for no slip of the pen, in the unit in which it is kept.
BOUNDS: Mapping[str, tuple[str, str]] = {
    "density": ("300", "4000"),
    "refractive-index": ("1.2", "1.8"),
    "boiling-range": ("-50", "350"),
    "water": ("0", "100"),
}
_DIMENSIONS: Mapping[str, Dimension] = {
    "density": "density",
    "boiling-range": "temperature",
    "water": "fraction",
}
TEMPERATURES_C, PRESSURES_KPA = (Decimal(-20), Decimal(80)), (Decimal(50), Decimal(110))
_KEYS = {"value", "unit", "uncertainty"}


@dataclass(frozen=True, slots=True)
class CheckRead:
    """entered: as the rules take it; as_entered: plain JSON values."""

    entered: Entered
    as_entered: dict[str, Any]


def read_check(
    what: str,
    *,
    value: Any = None,
    low: Any = None,
    high: Any = None,
    temperature: Any = None,
    pressure: Any = None,
) -> CheckRead:
    """Read one check. A boiling range has low and high, or one value; everything else has a value.

    value: text as "0.713 g/mL", "1.3526", "0.04 %", or {"value", "unit", "uncertainty"}; uncertainty is
    standard (k = 1), in the unit of the value. Raises InputError naming what, value, low, high, temperature
    or pressure.
    """
    if what not in WHATS:
        raise InputError(
            "what",
            "unknown-property",
            Phrase("“{what}” is not known.", what=what),
            Phrase("Use {known}.", known=", ".join(WHATS)),
        )
    ends = _ends(what, value, low, high)
    read = {name: _number(what, raw, name) for name, raw in ends.items()}
    values, spreads = [number for number, _ in read.values()], [u for _, u in read.values()]
    if values[0] > values[-1]:
        raise InputError(
            "high", "below-low", Phrase("A boiling range ends above where it begins."), Phrase("Swap them.")
        )
    at_c = _condition(temperature, "temperature", "temperature", "Cel", TEMPERATURES_C)
    at_kpa = _condition(pressure, "pressure", "pressure", "kPa", PRESSURES_KPA)
    _check_conditions(what, at_c, at_kpa)
    kept = {**ends, "temperature": temperature, "pressure": pressure}
    entered = Entered(what, values[0], values[-1], max(spreads), at_c, at_kpa)
    return CheckRead(entered, {name: _plain(raw) for name, raw in kept.items() if raw is not None})


def _ends(what: str, value: Any, low: Any, high: Any) -> dict[str, Any]:
    if what == "boiling-range" and value is None and low is not None and high is not None:
        return {"low": low, "high": high}
    if value is not None and low is None and high is None:
        return {"value": value}
    words = (
        Phrase("A boiling range needs low and high, or one value.")
        if what == "boiling-range"
        else Phrase("A value is needed.")
    )
    raise InputError(
        "value", "missing", words, Phrase("Send “value” alone, or “low” and “high” of a boiling range.")
    )


def _number(what: str, raw: Any, field: str) -> tuple[Decimal, Decimal]:
    """(value, standard uncertainty) in the unit of the property."""
    parts, given = _parts(raw, field)
    if what == "refractive-index":
        number, step, scale = _index(parts, field)
    else:
        unit = UNITS[what]
        said = parse_quantity(parts, field=field, dimension=_DIMENSIONS[what], default_unit=_bare(what))
        number, step = said.to(unit), Decimal(1).scaleb(int(said.value.as_tuple().exponent))
        slope = abs(affine(said.unit, unit)[0]) if said.unit != unit else None
        scale = Decimal(1) if slope is None else Decimal(slope.numerator) / slope.denominator
    lowest, highest = (Decimal(end) for end in BOUNDS[what])
    if not lowest <= number <= highest:
        raise InputError(
            field,
            "out-of-range",
            Phrase("That is no {what}.", what=PROPERTY_WORDS.get(what, what)),
            Phrase(
                "It lies between {lowest} and {highest} {units}: check number and unit.",
                lowest=lowest,
                highest=highest,
                units=UNITS[what].replace("1", ""),
            ),
        )
    if given is not None:
        return number, given * scale
    return number, quadrature((_usual(what, number) / ROOT_3, step * scale / ROOT_12))


def _bare(what: str) -> str | None:
    return "Cel" if what == "boiling-range" else None


def _parts(raw: Any, field: str) -> tuple[Any, Decimal | None]:
    """(value and unit, uncertainty given)."""
    if not isinstance(raw, Mapping):
        return raw, None
    if unknown := sorted(map(str, set(raw) - _KEYS)):
        raise InputError(
            field,
            "unknown-key",
            Phrase("Not known here: {part}.", part=", ".join(unknown)[:80]),
            Phrase("Use value, unit, uncertainty."),
        )
    parts = {name: raw[name] for name in ("value", "unit") if name in raw}
    if raw.get("uncertainty") in (None, ""):
        return parts, None
    given, rest = split_number(str(raw["uncertainty"])[:40], field=f"{field}.uncertainty")
    if rest or given < 0:
        raise InputError(
            f"{field}.uncertainty",
            "not-a-number",
            Phrase("An uncertainty is a number of zero or more."),
            Phrase("Send “0.5”."),
        )
    return parts, given


def _index(parts: Any, field: str) -> tuple[Decimal, Decimal, Decimal]:
    """A plain number: (value, last digit, scale)."""
    raw = parts.get("value") if isinstance(parts, Mapping) and not parts.get("unit") else parts
    if isinstance(raw, bool) or not isinstance(raw, str | int | Decimal):
        raise InputError(
            field, "wrong-type", Phrase("A refractive index is a plain number."), Phrase("Send “1.3526”.")
        )
    number, rest = split_number(str(raw)[:40], field=field)
    if rest:
        raise InputError(
            field, "unit-not-wanted", Phrase("A refractive index has no unit."), Phrase("Send “1.3526”.")
        )
    return number, Decimal(1).scaleb(int(number.as_tuple().exponent)), Decimal(1)


def _usual(what: str, number: Decimal) -> Decimal:
    """Half width where nobody says how well it was measured."""
    if what == "water":
        return figure("not_stated", "water_share") * number
    names = {"density": "density_kg_m3", "refractive-index": "refractive_index", "boiling-range": "boiling_k"}
    return figure("not_stated", names[what])


def _condition(
    raw: Any, field: str, dimension: Dimension, unit: str, bounds: tuple[Decimal, Decimal]
) -> Decimal | None:
    if raw is None:
        return None
    bare = "Cel" if dimension == "temperature" else None
    value = parse_quantity(raw, field=field, dimension=dimension, default_unit=bare).to(unit)
    if not bounds[0] <= value <= bounds[1]:
        words = Phrase("That is outside {low} to {high} {unit}.", low=bounds[0], high=bounds[1], unit=unit)
        raise InputError(field, "out-of-range", words, Phrase("Check number and unit."))
    return value


def _check_conditions(what: str, at_c: Decimal | None, at_kpa: Decimal | None) -> None:
    if at_c is not None and what in ("boiling-range", "water"):
        raise InputError(
            "temperature",
            "not-wanted",
            Phrase("A check of {what} has no temperature.", what=PROPERTY_KEYS.get(what, what)),
            Phrase("Leave it out."),
        )
    if at_kpa is not None and what != "boiling-range":
        raise InputError(
            "pressure",
            "not-wanted",
            Phrase("Only a boiling range goes with a pressure."),
            Phrase("Leave it out."),
        )


def _plain(raw: Any) -> Any:
    if isinstance(raw, Mapping):
        return {str(name): _plain(value) for name, value in raw.items()}
    return raw if isinstance(raw, str | int) or raw is None else str(raw)
