"""Kinds of run and the facts they ask for: what one is, and what it must be to be kept."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from inventory.rules.errors import InputError
from inventory.rules.phrases import Phrase
from inventory.rules.units import UNITS, Dimension

# What a field may measure → what its unit must be of; "count" is a whole number of things.
DIMENSIONS: Mapping[str, tuple[Dimension, ...]] = {
    "volume": ("volume",),
    "mass": ("mass",),
    "temperature": ("temperature",),
    "duration": ("time",),
    "concentration": ("mass-concentration", "amount-concentration"),
    "pressure": ("pressure",),
    "area": ("area",),
}
WORDS = ("yes-no", "choice", "text")
QUANTITIES = (*DIMENSIONS, "count", *WORDS)
CHOICES_MAX, FIELDS_MAX = 30, 40
_KEY = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
_LARGEST = Decimal(10) ** 9


def number_text(value: Decimal | None) -> str | None:
    """A number without needless zeros, so that it reads the same from every database."""
    return None if value is None else format(value.normalize() + 0, "f")


@dataclass(frozen=True, slots=True)
class FieldData:
    """A fact that a run may be asked for.

    unit: UCUM code in which numbers are kept, "" for counts and words. lowest, highest: in that unit, None
    where nothing bounds it. choices: key and name of each, of a choice.
    """

    key: str
    name: str
    quantity: str
    unit: str = ""
    lowest: Decimal | None = None
    highest: Decimal | None = None
    choices: tuple[tuple[str, str], ...] = ()
    help: str = ""
    source: str = ""

    @property
    def is_number(self) -> bool:
        return self.quantity not in WORDS

    @property
    def bounds(self) -> str:
        """For people: "0 to 200 mL", or the choices."""
        if self.choices:
            return ", ".join(key for key, _ in self.choices)
        low, high = number_text(self.lowest), number_text(self.highest)
        unit = f" {self.unit}" if self.unit else ""
        if low is not None and high is not None:
            return Phrase("{low} to {high}{unit}", low=low, high=high, unit=unit)
        if low is not None:
            return Phrase("from {low}{unit}", low=low, unit=unit)
        return "" if high is None else Phrase("up to {high}{unit}", high=high, unit=unit)


@dataclass(frozen=True, slots=True)
class AskedFor:
    """A field of a kind. default: as entered, what is taken where nothing is told; None where nothing is."""

    field: str
    default: Any = None
    required: bool = False

    def plain(self) -> dict[str, Any]:
        return {"field": self.field, "default": self.default, "required": self.required}


@dataclass(frozen=True, slots=True)
class KindData:
    """A kind of run. distils: unless somebody says otherwise when one is started."""

    key: str
    name: str
    distils: bool
    fields: tuple[AskedFor, ...]
    help: str = ""
    source: str = ""


def check_key(key: str, field: str = "key") -> str:
    """Raises InputError unless it is lower-case letters, digits and single hyphens, at most 60."""
    if len(key) > 60 or not _KEY.fullmatch(key):
        raise InputError(
            field,
            "bad-key",
            Phrase("“{key}” cannot be a key.", key=key[:60]),
            Phrase("Use lower-case letters, digits and hyphens."),
        )
    return key


def check_field(data: FieldData) -> FieldData:
    """Raises InputError naming key, name, quantity, unit, lowest, highest or choices."""
    check_key(data.key)
    if not data.name.strip():
        raise InputError("name", "missing", Phrase("A field needs a name."), Phrase("Say what is asked for."))
    if data.quantity not in QUANTITIES:
        raise InputError(
            "quantity",
            "unknown-quantity",
            Phrase("“{quantity}” is not known.", quantity=data.quantity),
            Phrase("Use {known}.", known=", ".join(QUANTITIES)),
        )
    _check_unit(data)
    _check_bounds(data)
    _check_choices(data)
    return data


def _check_unit(data: FieldData) -> None:
    allowed = DIMENSIONS.get(data.quantity)
    if allowed is None:
        if data.unit:
            raise InputError(
                "unit",
                "no-unit",
                Phrase("A {quantity} has no unit.", quantity=data.quantity),
                Phrase("Leave it out."),
            )
        return
    known = [code for code, unit in UNITS.items() if unit.dimension in allowed]
    if data.unit not in known:
        raise InputError(
            "unit",
            "unknown-unit",
            Phrase("“{unit}” is no unit of {quantity}.", unit=data.unit, quantity=data.quantity),
            Phrase("Use {known}.", known=", ".join(known)),
        )


def _check_bounds(data: FieldData) -> None:
    for name, value in (("lowest", data.lowest), ("highest", data.highest)):
        if value is None:
            continue
        if not data.is_number:
            raise InputError(
                name,
                "not-a-number",
                Phrase("A {quantity} has no bounds.", quantity=data.quantity),
                Phrase("Leave it out."),
            )
        if not value.is_finite() or abs(value) > _LARGEST:
            raise InputError(
                name, "out-of-range", Phrase("This bound cannot be kept."), Phrase("Use up to nine digits.")
            )
    if data.lowest is not None and data.highest is not None and data.lowest > data.highest:
        raise InputError(
            "highest", "below-lowest", Phrase("The highest is below the lowest."), Phrase("Swap them.")
        )


def _check_choices(data: FieldData) -> None:
    if (data.quantity == "choice") != bool(data.choices):
        raise InputError(
            "choices",
            "choices",
            Phrase("A choice, and only a choice, has choices."),
            Phrase("Give key and name of each."),
        )
    keys = [check_key(key, "choices") for key, _ in data.choices]
    if len(set(keys)) != len(keys) or len(keys) > CHOICES_MAX:
        raise InputError(
            "choices",
            "choices",
            Phrase("Choices are at most {choices_max}, each once.", choices_max=CHOICES_MAX),
            Phrase("Name each once."),
        )
