"""Amounts with an uncertainty of their own, as calculators and reagents take them."""

from __future__ import annotations

from typing import Any

from drf_spectacular.utils import extend_schema_field

from inventory.api.fields import VALUE_SCHEMA, AmountField, Body, quantity_schema

MEASURE_SCHEMA: dict[str, Any] = quantity_schema(
    'Text such as "11.8 mL", "0.1 mol/L", "0.7136 g/mL", or an object. uncertainty: standard (k = 1), in '
    "the unit of the value; left out, it is that of the instrument, or of the widest usual one.",
    uncertainty=VALUE_SCHEMA,
)


@extend_schema_field(MEASURE_SCHEMA)
class MeasureField(AmountField):
    """A quantity as text or object; the rules read what it says."""

    default_error_messages = {"invalid": 'Send text such as "11.8 mL" or an object with value and unit.'}


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
