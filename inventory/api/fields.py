"""Fields of request bodies, strict in type and bounded in length; unknown names are refused."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from datetime import UTC, date, datetime, time
from decimal import Decimal
from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers
from rest_framework.exceptions import ErrorDetail, ValidationError

from inventory.api.params import YEARS, day, instant
from inventory.api.problems import REMEDY_FOLLOWS

QUANTITY_TEXT_MAX = 80


class Body(serializers.Serializer[Any]):
    """A request body: an object with these fields and no others."""

    def to_internal_value(self, data: Any) -> Any:
        if isinstance(data, Mapping):
            unknown = sorted(set(data) - set(self.fields))
            if unknown:
                known = ", ".join(self.fields) or "none"
                said = ErrorDetail(f"This field is not known here. Known: {known}.", code="unknown-field")
                raise ValidationError({name: [said] for name in unknown[:20]})
        try:
            return super().to_internal_value(data)
        except ValidationError as error:
            assert isinstance(error.detail, dict)  # of a serializer
            for name, detail in list(error.detail.items()):
                if name in self.fields:
                    error.detail[name] = _with_choices(detail, self.fields[name])
            raise


def _with_choices(detail: Any, field: Any) -> Any:
    """What is none of the choices, with the choices beside it; inner bodies have seen to their own."""
    if isinstance(detail, Mapping) and isinstance(field, serializers.ListField):
        return {place: _with_choices(inner, field.child) for place, inner in detail.items()}
    if isinstance(detail, list) and isinstance(field, serializers.ChoiceField):
        return [_remedied(said, field.choices) for said in detail]
    return detail


def _remedied(said: Any, choices: Iterable[Any]) -> Any:
    """The framework copies text and code of a fault and nothing else: the remedy goes with the text."""
    if getattr(said, "code", "") != "invalid_choice":
        return said
    remedy = f"Use one of: {', '.join(str(choice) for choice in choices)}."
    return ErrorDetail(f"{said}{REMEDY_FOLLOWS}{remedy}", code=said.code)


class TextField(serializers.CharField):
    """Text and nothing that merely turns into it."""

    def __init__(self, *, max_length: int, **options: Any) -> None:
        super().__init__(max_length=max_length, **options)

    def to_internal_value(self, data: Any) -> str:
        if not isinstance(data, str):
            self.fail("invalid")
        return super().to_internal_value(data)


class NoteField(TextField):
    """Free words; empty unless given."""

    def __init__(self, *, max_length: int = 2000, **options: Any) -> None:
        super().__init__(max_length=max_length, required=False, allow_blank=True, **options)


@extend_schema_field({"type": "boolean"})
class FlagField(serializers.Field[Any, Any, Any, Any]):
    """true or false, not words that look like it."""

    default_error_messages = {"invalid": "Send true or false."}

    def to_internal_value(self, data: Any) -> bool:
        if not isinstance(data, bool):
            self.fail("invalid")
        return data


@extend_schema_field({"type": "string", "format": "date"})
class DayField(serializers.Field[Any, Any, Any, Any]):
    """An ISO date."""

    default_error_messages = {"invalid": f"Send a date as 2026-03-01, {YEARS[0]} to {YEARS[1]}."}

    def to_internal_value(self, data: Any) -> date:
        if isinstance(data, str):
            try:
                return day(data)
            except ValueError:
                pass
        return self.fail("invalid")


@extend_schema_field({"type": "string", "format": "date-time"})
class InstantField(serializers.Field[Any, Any, Any, Any]):
    """An RFC 3339 moment with its zone."""

    default_error_messages = {"invalid": "Send a moment with its zone, as 2026-03-01T14:30:00Z."}

    def to_internal_value(self, data: Any) -> datetime:
        if isinstance(data, str) and len(data) <= 40:
            try:
                return instant(data).astimezone(UTC)
            except ValueError:
                pass
        return self.fail("invalid")


@extend_schema_field({"type": "string", "pattern": "^([01][0-9]|2[0-3]):[0-5][0-9]$"})
class ClockField(serializers.Field[Any, Any, Any, Any]):
    """A time of day to the minute."""

    default_error_messages = {"invalid": "Send a time of day as 07:00."}

    def to_internal_value(self, data: Any) -> time:
        if isinstance(data, str) and re.fullmatch(r"([01][0-9]|2[0-3]):[0-5][0-9]", data, re.ASCII):
            return time.fromisoformat(data)
        return self.fail("invalid")


VALUE_SCHEMA: dict[str, Any] = {"type": ["string", "number"], "maxLength": QUANTITY_TEXT_MAX}
_UNIT: dict[str, Any] = {"type": "string", "maxLength": 32}
_PART: dict[str, Any] = {
    "oneOf": [
        {"type": "string", "maxLength": QUANTITY_TEXT_MAX},
        {
            "type": "object",
            "properties": {"value": VALUE_SCHEMA, "unit": _UNIT},
            "required": ["value"],
            "additionalProperties": False,
        },
    ]
}


def quantity_schema(description: str, **parts: Any) -> dict[str, Any]:
    """Of a quantity as text or as an object. parts: what the object may hold beside value and unit."""
    instrument = {"type": "string", "maxLength": 40}
    return {
        "description": description,
        "oneOf": [
            {"type": "string", "minLength": 1, "maxLength": QUANTITY_TEXT_MAX},
            {
                "type": "object",
                "properties": {"value": VALUE_SCHEMA, "unit": _UNIT, "instrument": instrument, **parts},
                "required": ["value"],
                "additionalProperties": False,
            },
        ],
    }


AMOUNT_SCHEMA: dict[str, Any] = quantity_schema(
    'Text such as "12.5 mL", "0,50 L", "210 g", "1 US pint", or an object. A mass goes '
    "through the density at 20 °C; a volume read at another temperature is brought to 20 °C. "
    "Numbers are read digit by digit as decimals, in quotes or without: 12.5 is exactly 12.5.",
    temperature=_PART,
    tare=_PART,
)


@extend_schema_field(AMOUNT_SCHEMA)
class AmountField(serializers.Field[Any, Any, Any, Any]):
    """A quantity as text or object; what it says is read where the solvent is known."""

    default_error_messages = {
        "invalid": 'Send text such as "12.5 mL" or an object with value and unit.',
        "too-long": f"A quantity has at most {QUANTITY_TEXT_MAX} characters.",
    }

    def to_internal_value(self, data: Any) -> Any:
        if isinstance(data, Mapping):
            for inner in data.values():
                self.to_internal_value(inner) if isinstance(inner, str | Mapping) else None
            return data
        if not isinstance(data, str):
            self.fail("invalid")
        if len(data) > QUANTITY_TEXT_MAX:
            self.fail("too-long")
        return data


@extend_schema_field({"type": "string", "pattern": "^[0-9]{1,6}(\\.[0-9]{1,3})?$"})
class DecimalTextField(serializers.Field[Any, Any, Any, Any]):
    """A decimal number of zero or more, as text so that no digit is lost."""

    default_error_messages = {"invalid": 'Send text such as "12.5", with at most three decimals.'}

    def to_internal_value(self, data: Any) -> Decimal:
        if isinstance(data, str) and re.fullmatch(r"[0-9]{1,6}(\.[0-9]{1,3})?", data, re.ASCII):
            return Decimal(data)
        return self.fail("invalid")


class RefField(TextField):
    """An id, a code or a name of something that the lab has already."""

    def __init__(self, *, max_length: int = 120, **options: Any) -> None:
        super().__init__(max_length=max_length, **options)
