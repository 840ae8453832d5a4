"""What answers about tests, reagents, treatments and the calculators look like."""

from __future__ import annotations

from rest_framework import serializers

from inventory.api.shapes import ContainerRefShape, Free, Id, Number, Shape, Words, at, number, on, text
from inventory.models import Treatment


class MeasuredShape(Shape):
    """A value with its standard uncertainty (k = 1), both decimal text."""

    value = Number()
    unit = text()
    uncertainty = Number(allow_null=True)


class LimitShape(Shape):
    words = text()
    source = text()


class MethodShape(Shape):
    key = text()
    name = text()
    unit = text()
    first_step = number()
    top = number()
    steps = Words()
    reagent = text()
    kept = LimitShape(
        many=True, help_text="How long strips or solution are kept once opened or standardised."
    )
    valid = text()
    limits = LimitShape(many=True)
    source = text()


class MethodsShape(Shape):
    methods = MethodShape(many=True)


class ReagentRefShape(Shape):
    id = Id()
    name = text()


class ReagentShape(ReagentRefShape):
    method = text()
    maker_lot = text()
    expiry_on = on()
    opened_on = on()
    standardised_on = on()
    use_by_on = on()
    use_by_words = text()
    use_by_source = text()
    concentration = MeasuredShape(allow_null=True)
    note = text()
    actor = text()
    created_at = at()
    ended_at = at(null=True)
    version = serializers.IntegerField()


class TestShape(Shape):
    id = Id()
    container = ContainerRefShape()
    lot = Id()
    method = text()
    lower_mg_per_l = Number()
    upper_mg_per_l = Number(allow_null=True)
    as_entered = text()
    tested_on = on()
    actor = text()
    recorded_at = at()
    withdraws = Id(allow_null=True)
    withdrawn_by = Id(allow_null=True)
    note = text()
    reagent = ReagentRefShape(allow_null=True)
    reagent_expired = serializers.BooleanField(allow_null=True, help_text="null: not known.")
    working = Free()
    limits = Words(help_text="What the method does not see.")
    cautions = Words()


class TreatmentShape(Shape):
    id = Id()
    container = ContainerRefShape()
    lot = Id()
    kind = serializers.ChoiceField(Treatment.Kind.values)
    treated_on = on(null=False)
    inhibitor = text()
    mass = MeasuredShape(allow_null=True)
    volume = MeasuredShape()
    target_ppm = number()
    reached_ppm = number()
    wanted_mass = MeasuredShape(allow_null=True, help_text="What the wanted content takes.")
    how = text()
    actor = text()
    recorded_at = at()
    withdraws = Id(allow_null=True)
    withdrawn_by = Id(allow_null=True)
    warnings = Words()


class TitrationShape(Shape):
    method = text()
    hydrogen_peroxide = MeasuredShape(allow_null=True)
    mass_fraction = MeasuredShape(allow_null=True)
    active_oxygen = MeasuredShape(allow_null=True)
    least_mg_per_l = number()
    lower_mg_per_l = number()
    upper_mg_per_l = number()
    used = Free()
    formula = text()
    sources = Words()
    limits = Words()


class DoseShape(Shape):
    mass = MeasuredShape()
    formula = text()
    source = text()
    warnings = Words()
