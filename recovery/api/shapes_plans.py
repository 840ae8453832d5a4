"""What the answer of a plan looks like, for the schema."""

from __future__ import annotations

from rest_framework import serializers

from inventory.api.shapes import (
    ContainerRefShape,
    Number,
    QuantityShape,
    Shape,
    SolventRefShape,
    Words,
    on,
    text,
)
from inventory.api.shapes_verdicts import CautionShape, EmergencyShape
from inventory.rules.levels import LEVELS
from recovery.api.shapes_balance import PredictionShape
from recovery.api.shapes_calculators import ExtractionShape, VapourCheckShape
from recovery.services.plans import QUALITY


class PlanAgainstShape(Shape):
    code = text()
    words = text()
    source = text()


class PlanBottleShape(Shape):
    """ends_on: expiry or the next test, whichever comes first. against: reasons, where it may not be used."""

    container = ContainerRefShape()
    held = QuantityShape()
    recovered = serializers.BooleanField(help_text="Distilled at least once.")
    times_distilled = serializers.IntegerField()
    ends_on = on()
    level = serializers.ChoiceField(LEVELS)
    words = text()
    advice = text(help_text="What to do now, by the verdict.")
    quality = serializers.ChoiceField(
        QUALITY, allow_null=True, help_text="Shown for this kind of run; null: nothing is asked."
    )
    against = PlanAgainstShape(many=True)


class PlanTakeShape(PlanBottleShape):
    volume = QuantityShape()


class PlanStockShape(Shape):
    """take: first to expire first. after_test: would count once a test of it has passed."""

    needed = QuantityShape()
    fit = QuantityShape()
    fit_fresh = QuantityShape()
    fit_recovered = QuantityShape()
    fit_not_shown = QuantityShape(help_text="Of fit: its quality was not shown.")
    enough = serializers.BooleanField()
    missing = QuantityShape()
    take = PlanTakeShape(many=True)
    after_test = PlanBottleShape(many=True)
    not_fit = PlanBottleShape(many=True)


class PlanHeelShape(Shape):
    volume = QuantityShape()
    percent = Number()
    source = text()


class PlanShape(Shape):
    """back: expected after the predicted losses. spill: one portion on the floor, all vapour at once."""

    on = on(null=False)
    solvent = SolventRefShape()
    distils = serializers.BooleanField()
    extraction = ExtractionShape(allow_null=True)
    stock = PlanStockShape()
    heel = PlanHeelShape()
    predicted = PredictionShape()
    back = QuantityShape()
    vapour = VapourCheckShape()
    spill = VapourCheckShape()
    assumptions = Words()
    cautions = CautionShape(many=True)
    emergency = EmergencyShape()
