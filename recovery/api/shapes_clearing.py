"""What the answers about the gate before a still look like, for the schema."""

from __future__ import annotations

from rest_framework import serializers

from inventory.api.shapes import ContainerRefShape, Id, Number, QuantityShape, Shape, at, text
from inventory.api.shapes_verdicts import CautionShape, EmergencyShape
from inventory.rules.levels import LEVELS


class HeelShape(Shape):
    """The least to leave in the still, and the source of the figure."""

    volume = QuantityShape()
    source = text()


class OverrideShape(Shape):
    """A charge that the verdict did not allow and a supervisor let through."""

    clearance = Id()
    container = ContainerRefShape()
    reason = text()
    actor = text()
    recorded_at = at()


class ClearingReasonShape(Shape):
    """A reason of a verdict, and the container it is of; its id is "0" for what no container held."""

    code = text()
    words = text()
    fact = text()
    source = text()
    level = serializers.ChoiceField(LEVELS)
    container = ContainerRefShape()


class ClearanceShape(Shape):
    """allowed: what the verdict alone said. test: the one it rested on, if it is of that container."""

    id = Id()
    run = Id()
    container = ContainerRefShape()
    lot = Id()
    entry = serializers.UUIDField()
    volume = QuantityShape()
    level = serializers.ChoiceField(LEVELS)
    words = text()
    allowed = serializers.BooleanField()
    reasons = ClearingReasonShape(many=True)
    test = Id(allow_null=True)
    heel = HeelShape()
    heel_percent = Number()
    override_reason = text()
    actor = text()
    recorded_at = at()


class ClearanceCheckShape(Shape):
    """needed: false for a run that does not distil, whose charges pass no gate.

    steps: what is missing, in the order to do it. heel: of this charge, when its volume was given;
    heel_of_run: of what was charged before.
    """

    container = ContainerRefShape(allow_null=True)
    needed = serializers.BooleanField()
    allowed = serializers.BooleanField()
    level = serializers.ChoiceField(LEVELS)
    words = text()
    may_be_overridden = serializers.BooleanField()
    reasons = ClearingReasonShape(many=True)
    steps = serializers.ListField(child=serializers.CharField())
    heel = HeelShape(allow_null=True)
    heel_percent = Number()
    heel_of_run = HeelShape()
    cautions = CautionShape(many=True)
    emergency = EmergencyShape()
