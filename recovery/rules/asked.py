"""Amounts as a person or a program asks with them: text or object, each with an uncertainty of its own.

{"value", "unit", "uncertainty", "instrument"}: the uncertainty is standard (k = 1) and in the unit of the
value. Left out it is the instrument's, or else the share that is given with the question.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from inventory.rules.errors import InputError
from inventory.rules.instruments import find_instrument, standard_uncertainty
from inventory.rules.number_text import split_number
from inventory.rules.phrases import Phrase
from inventory.rules.quantity import Quantity, parse_quantity
from inventory.rules.units import Dimension
from recovery.rules.budget import Estimate

Raw = str | Mapping[str, Any]
CYLINDER = "cylinder-b-100"
_KEYS = {"value", "unit", "uncertainty", "instrument"}


@dataclass(frozen=True, slots=True)
class Wanted:
    """What one question takes. low, high: in `unit`.

    u_share: of the value, where no uncertainty is told; None: a volume as of the usual cylinder, else none.
    """

    field: str
    dimension: Dimension
    unit: str
    low: float
    high: float
    u_share: float | None = None


def read_amount(raw: Raw, wanted: Wanted) -> Estimate:
    """A quantity in the unit wanted. InputError: codes of `parse_quantity`, unknown-key, out-of-range."""
    quantity, told = _quantity(raw, wanted)
    value = quantity.to(wanted.unit)
    _within(float(value), wanted)
    if "uncertainty" in told:
        return Estimate(float(value), _spread(told["uncertainty"], quantity, wanted))
    if "instrument" in told or (wanted.dimension == "volume" and wanted.u_share is None):
        return Estimate(float(value), _of_instrument(told.get("instrument", CYLINDER), value, wanted))
    return Estimate(float(value), abs(float(value)) * (wanted.u_share or 0.0))


def _quantity(raw: Raw, wanted: Wanted) -> tuple[Quantity, Mapping[str, Any]]:
    if not isinstance(raw, Mapping):
        return parse_quantity(raw, field=wanted.field, dimension=wanted.dimension), {}
    _only_known(raw, wanted.field, _KEYS)
    pair = {key: raw[key] for key in ("value", "unit") if key in raw}
    return parse_quantity(pair, field=wanted.field, dimension=wanted.dimension), raw


def _only_known(raw: Mapping[str, Any], field: str, known: set[str]) -> None:
    if unknown := sorted(map(str, set(raw) - known)):
        words = Phrase("Not known here: {keys}.", keys=", ".join(unknown)[:80])
        raise InputError(field, "unknown-key", words, Phrase("Use {known}.", known=", ".join(sorted(known))))


def _spread(raw: Any, quantity: Quantity, wanted: Wanted) -> float:
    """A standard uncertainty in the unit wanted; of a temperature it is a difference."""
    where = f"{wanted.field}.uncertainty"
    value = _number(raw, where)
    if value < 0:
        words = Phrase("An uncertainty is not below zero.")
        raise InputError(where, "negative", words, Phrase("Check the sign."))
    if quantity.dimension == "temperature":
        return float(value) * (5 / 9 if quantity.unit == "[degF]" else 1)
    return float(Quantity(value, quantity.unit, quantity.dimension, str(value)).to(wanted.unit))


def _of_instrument(key: Any, value: Decimal, wanted: Wanted) -> float:
    where = f"{wanted.field}.instrument"
    if not isinstance(key, str):
        raise InputError(where, "wrong-type", Phrase("An instrument is text."), Phrase("Name one."))
    found = find_instrument(key, field=where)
    if wanted.dimension != "volume":
        words = Phrase("Only a volume is read with one.")
        raise InputError(where, "instrument-mismatch", words, Phrase("Leave it out."))
    to_ml = Quantity(value, wanted.unit, "volume", "").to("mL")
    u_ml = standard_uncertainty(found, to_ml, measures="volume", field=where)
    return float(Quantity(u_ml, "mL", "volume", "").to(wanted.unit))


def read_number(raw: Raw, *, field: str, low: float, high: float, u: float = 0.0) -> Estimate:
    """A number without a unit: text, or {"value", "uncertainty"}. u: its uncertainty where none is told."""
    told: Mapping[str, Any] = {}
    if isinstance(raw, Mapping):
        told = raw
        _only_known(told, field, {"value", "uncertainty"})
        raw = told.get("value", "")
    value = float(_number(raw, field))
    if not low <= value <= high:
        words = Phrase("{low:g} to {high:g} is taken here.", low=low, high=high)
        raise InputError(field, "out-of-range", words, Phrase("Check the number."))
    if "uncertainty" not in told:
        return Estimate(value, u)
    spread = float(_number(told["uncertainty"], f"{field}.uncertainty"))
    if spread < 0:
        words = Phrase("It is below zero.")
        raise InputError(f"{field}.uncertainty", "negative", words, Phrase("Check the sign."))
    return Estimate(value, spread)


def _number(raw: Any, field: str) -> Decimal:
    if isinstance(raw, bool) or not isinstance(raw, str | int | Decimal):
        words = Phrase("A number is wanted, as text.")
        raise InputError(field, "wrong-type", words, Phrase('Send for example "3.2".'))
    value, rest = split_number(str(raw)[:200], field=field)
    if rest:
        words = Phrase("'{rest}' is too much.", rest=rest[:32])
        raise InputError(field, "unit-not-wanted", words, Phrase("Send the number alone."))
    return value


def _within(value: float, wanted: Wanted) -> None:
    if not wanted.low <= value <= wanted.high:
        words = Phrase(
            "{low:g} to {high:g} {unit} is taken here.", low=wanted.low, high=wanted.high, unit=wanted.unit
        )
        raise InputError(wanted.field, "out-of-range", words, Phrase("Check number and unit."))
