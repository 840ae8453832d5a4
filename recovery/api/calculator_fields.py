"""Fields and numbers that the calculators share."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from inventory.api.fields import QUANTITY_TEXT_MAX
from inventory.rules.catalogue import load_catalogue, resolve
from inventory.rules.cautions import CAUTIONS
from recovery.rules.budget import Budget, Estimate, text
from recovery.rules.properties import Properties, of_catalogue

_NUMBER: dict[str, Any] = {"type": ["string", "number"], "maxLength": QUANTITY_TEXT_MAX}
PURE_SCHEMA: dict[str, Any] = {
    "description": 'Without a unit: text such as "8.4", or an object. uncertainty: standard (k = 1).',
    "oneOf": [
        {"type": "string", "minLength": 1, "maxLength": QUANTITY_TEXT_MAX},
        {
            "type": "object",
            "properties": {"value": _NUMBER, "uncertainty": _NUMBER},
            "required": ["value"],
            "additionalProperties": False,
        },
    ],
}
LOCAL = CAUTIONS["local-code"]


@extend_schema_field(PURE_SCHEMA)
class PureField(serializers.Field[Any, Any, Any, Any]):
    """A number without a unit, with an uncertainty of its own if it has one; the rules read what it says."""

    default_error_messages = {
        "invalid": 'Send text such as "8.4", or an object with value and uncertainty.',
        "too-long": f"A number has at most {QUANTITY_TEXT_MAX} characters.",
    }

    def to_internal_value(self, data: Any) -> Any:
        parts = list(data.values()) if isinstance(data, Mapping) else [data]
        if not isinstance(data, str | Mapping):
            self.fail("invalid")
        if any(isinstance(part, str) and len(part) > QUANTITY_TEXT_MAX for part in parts):
            self.fail("too-long")
        return data


def whole(most: int, **options: Any) -> Any:
    """A whole number from 1 up."""
    return serializers.IntegerField(min_value=1, max_value=most, required=False, **options)


def measured_out(found: Estimate | Budget, unit: str, scale: float = 1.0) -> dict[str, str | None]:
    """{"value", "unit", "uncertainty"} as text, the uncertainty standard (k = 1), to two figures."""
    value, u = found.value * scale, found.u * scale
    spread = text(u, digits=2) if u > 0 else None
    return {"value": text(value, u, digits=6), "unit": unit, "uncertainty": spread}


def number_out(value: float, digits: int = 5) -> str:
    return text(value, digits=digits)


def shipped_solvent(name: str) -> Properties:
    """A solvent of the shipped catalogue by any of its names. Raises InputError (code unknown-solvent)."""
    found = of_catalogue(load_catalogue()[resolve(name)])
    assert found is not None, "every shipped solvent has a density"
    return found
