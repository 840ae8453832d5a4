"""Quantities at the edge: what a person typed or a program sent, read once, kept as entered."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Any

from inventory.rules.errors import InputError
from inventory.rules.number_text import split_number
from inventory.rules.phrases import Phrase
from inventory.rules.units import UNITS, Dimension, Unit, affine, find_unit

__all__ = ["Dimension", "Quantity", "parse_quantity"]

_KEYS = {"value", "unit"}
_LARGEST_INT = 10**18
_ABSOLUTE_ZERO = {"Cel": Decimal("-273.15"), "[degF]": Decimal("-459.67"), "K": Decimal(0)}


@dataclass(frozen=True, slots=True)
class Quantity:
    """A value with its unit.

    value: Decimal in `unit`; unit: UCUM code; dimension: one of `Dimension`; text: as entered.
    """

    value: Decimal
    unit: str
    dimension: Dimension
    text: str

    def to(self, unit: str) -> Decimal:
        """The value in another UCUM unit of the same dimension, to the precision of the decimal context.

        Raises InputError (code wrong-dimension) for a unit of another kind.
        """
        if unit == self.unit:
            return self.value
        if unit not in UNITS or UNITS[unit].dimension != self.dimension:
            raise InputError(
                "", "wrong-dimension", Phrase("{text} cannot be given in {unit}.", text=self.text, unit=unit)
            )
        slope, offset = affine(self.unit, unit)
        exact = slope * Fraction(self.value) + offset
        return Decimal(exact.numerator) / Decimal(exact.denominator)

    def as_dict(self) -> dict[str, str]:
        """{"value", "unit"} as text, for JSON."""
        return {"value": format(self.value, "f"), "unit": self.unit}


def parse_quantity(
    raw: str | Mapping[str, Any],
    *,
    field: str,
    dimension: Dimension | tuple[Dimension, ...],
    default_unit: str | None = None,
    allow_zero: bool = True,
) -> Quantity:
    """Read "12.5 mL", "500ml", "0,50 L", "1 US pint", "20 °C" or {"value": "12.5", "unit": "mL"}.

    dimension: what may come in; default_unit: UCUM code used when no unit is written; allow_zero: whether 0
    is good (temperatures may always be 0). Nothing but a temperature may be negative.
    Raises InputError with codes wrong-type, unknown-key, empty, not-a-number, ambiguous-number,
    too-many-digits, out-of-range, unit-missing, unit-twice, unknown-unit, ambiguous-unit, wrong-dimension,
    negative, zero.
    """
    allowed = (dimension,) if isinstance(dimension, str) else dimension
    number_text, unit_text, text = _pieces(raw, field)
    value, rest = split_number(number_text, field=field)
    if rest and unit_text:
        raise InputError(
            field,
            "unit-twice",
            Phrase("'{text}' names a unit twice.", text=text),
            Phrase("Name the unit once."),
        )
    unit = _unit(rest or unit_text, allowed, default_unit, text, field)
    _check_sign(value, unit, allow_zero, text, field)
    return Quantity(value, unit.code, unit.dimension, text)


def _pieces(raw: object, field: str) -> tuple[str, str, str]:
    """(number text, unit text, text as entered)."""
    if isinstance(raw, str):
        return raw, "", raw.strip()
    if not isinstance(raw, Mapping):
        raise InputError(
            field,
            "wrong-type",
            Phrase("An amount is text or an object."),
            Phrase('Send "12.5 mL" or {"value", "unit"}.'),
        )
    if unknown := sorted(map(str, set(raw) - _KEYS)):
        raise InputError(
            field,
            "unknown-key",
            Phrase("Not known here: {part}.", part=", ".join(unknown)),
            Phrase("Use value and unit only."),
        )
    number, unit = _value_text(raw.get("value"), field), raw.get("unit")
    if unit is not None and not isinstance(unit, str):
        raise InputError(
            f"{field}.unit", "wrong-type", Phrase("A unit is text."), Phrase('Send for example "mL".')
        )
    unit = (unit or "").strip()
    return number, unit, f"{number} {unit}".strip()


def _value_text(value: object, field: str) -> str:
    """The number as text; a binary float is refused because it is seldom the number that was meant."""
    if value is None:
        raise InputError(
            f"{field}.value", "empty", Phrase("No value is given."), Phrase('Send for example "12.5".')
        )
    if isinstance(value, str):
        return value
    if isinstance(value, int) and abs(value) > _LARGEST_INT:
        raise InputError(
            f"{field}.value", "out-of-range", Phrase("The value is too large."), Phrase("Check the digits.")
        )
    if isinstance(value, int | Decimal) and not isinstance(value, bool):
        return str(value)
    raise InputError(
        f"{field}.value", "wrong-type", Phrase("The value must be text."), Phrase('Send "12.5" with quotes.')
    )


def _unit(text: str, allowed: tuple[Dimension, ...], default: str | None, entered: str, field: str) -> Unit:
    if not text:
        if default is None:
            raise InputError(
                field, "unit-missing", Phrase("'{entered}' has no unit.", entered=entered), _accepted(allowed)
            )
        return UNITS[default]
    found = find_unit(text) if len(text) <= 32 else None
    if found is None:
        raise InputError(
            field, "unknown-unit", Phrase("'{text}' is not a known unit.", text=text[:32]), _accepted(allowed)
        )
    if isinstance(found, tuple):
        raise InputError(
            field,
            "ambiguous-unit",
            Phrase("'{text}' can mean two things.", text=text),
            Phrase("Write {one} or {other}.", one=found[0], other=found[1]),
        )
    if found.dimension not in allowed:
        raise InputError(
            field,
            "wrong-dimension",
            Phrase(
                "'{entered}' is a {dimension}, not a {part}.",
                entered=entered,
                dimension=found.dimension,
                part=" or ".join(allowed),
            ),
            _accepted(allowed),
        )
    return found


def _accepted(allowed: tuple[Dimension, ...]) -> str:
    return Phrase(
        "Use one of: {part}.",
        part=", ".join((code for code, unit in UNITS.items() if unit.dimension in allowed)),
    )


def _check_sign(value: Decimal, unit: Unit, allow_zero: bool, text: str, field: str) -> None:
    if unit.dimension == "temperature":
        if value < _ABSOLUTE_ZERO[unit.code]:
            raise InputError(
                field,
                "out-of-range",
                Phrase("'{text}' is below absolute zero.", text=text),
                Phrase("Check the sign."),
            )
    elif value < 0:
        raise InputError(
            field,
            "negative",
            Phrase("'{text}' is below zero.", text=text),
            Phrase("Give an amount of zero or more."),
        )
    elif value == 0 and not allow_zero:
        raise InputError(
            field, "zero", Phrase("'{text}' is nothing.", text=text), Phrase("Give an amount above zero.")
        )
