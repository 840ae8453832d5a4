"""Facts in a body: an object of fields and what is told of each."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from recovery.api.shapes_kinds import ENTERED
from recovery.rules.run_facts import TEXT_MAX
from recovery.services.run_facts import FACTS_MAX


@extend_schema_field(
    {
        "type": "object",
        "description": "Key of a field (see run-fields/) → what is told: text as “150 mL”, an object with "
        "value, unit, uncertainty (k = 1) and instrument, a whole number, true or false; null takes back "
        "what was told.",
        "additionalProperties": ENTERED,
        "minProperties": 1,
        "maxProperties": FACTS_MAX,
    }
)
class FactsField(serializers.Field[Any, Any, Any, Any]):
    """Facts by their fields; each field says how its own is read."""

    default_error_messages = {
        "invalid": "Send an object of fields and what is told of each.",
        "too-many": f"Tell 1 to {FACTS_MAX} facts at once.",
        "too-long": f"A fact has at most {TEXT_MAX} characters.",
    }

    def to_internal_value(self, data: Any) -> dict[str, Any]:
        if not isinstance(data, Mapping):
            self.fail("invalid")
        if not 1 <= len(data) <= FACTS_MAX:
            self.fail("too-many")
        for told in data.values():
            parts = told.values() if isinstance(told, Mapping) else [told]
            if any(isinstance(part, str) and len(part) > TEXT_MAX for part in parts):
                self.fail("too-long")
        return dict(data)
