"""Amounts with an uncertainty of their own, as calculators and reagents take them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from inventory.api.fields import QUANTITY_TEXT_MAX, Body

_VALUE: dict[str, Any] = {"type": ["string", "number"], "maxLength": QUANTITY_TEXT_MAX}
MEASURE_SCHEMA: dict[str, Any] = {
    "description": (
        'Text such as "11.8 mL", "0.1 mol/L", "0.7136 g/mL", or an object. uncertainty: standard (k = 1), in '
        "the unit of the value; left out, it is that of the instrument, or of the widest usual one."
    ),
    "oneOf": [
        {"type": "string", "minLength": 1, "maxLength": QUANTITY_TEXT_MAX},
        {
            "type": "object",
            "properties": {
                "value": _VALUE,
                "unit": {"type": "string", "maxLength": 32},
                "instrument": {"type": "string", "maxLength": 40},
                "uncertainty": _VALUE,
            },
            "required": ["value"],
            "additionalProperties": False,
        },
    ],
}


@extend_schema_field(MEASURE_SCHEMA)
class MeasureField(serializers.Field[Any, Any, Any, Any]):
    """A quantity as text or object; the rules read what it says."""

    default_error_messages = {
        "invalid": 'Send text such as "11.8 mL" or an object with value and unit.',
        "too-long": f"A quantity has at most {QUANTITY_TEXT_MAX} characters.",
    }

    def to_internal_value(self, data: Any) -> Any:
        if isinstance(data, Mapping):
            for inner in data.values():
                if isinstance(inner, str) and len(inner) > QUANTITY_TEXT_MAX:
                    self.fail("too-long")
            return data
        if not isinstance(data, str):
            self.fail("invalid")
        if len(data) > QUANTITY_TEXT_MAX:
            self.fail("too-long")
        return data


class BenchTitration(Body):
    """What was read at the bench; a strength left out is that of the reagent."""

    titre = MeasureField()
    blank = MeasureField(help_text='"0 mL" if the blank took nothing; it must have been made.')
    sample = MeasureField(help_text="A volume, or a mass.")
    concentration = MeasureField(required=False, help_text="Of thiosulfate; equal to its normality.")
    drop = MeasureField(required=False, help_text="Left out: 0.05 mL.")


class TitrationAsk(BenchTitration):
    concentration = MeasureField(help_text="Of thiosulfate; equal to its normality.")
    density = MeasureField(required=False, help_text="Left out: no results by mass, or by volume.")
