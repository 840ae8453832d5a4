"""What the answers about runs and losses look like, for the schema."""

from __future__ import annotations

from rest_framework import serializers

from inventory.api.shapes import (
    Free,
    Id,
    Number,
    PostedShape,
    QuantityShape,
    Shape,
    SolventRefShape,
    at,
    text,
)
from recovery.api.shapes_clearing import ClearanceShape, HeelShape, OverrideShape
from recovery.api.shapes_kinds import ApparatusRefShape, AskedShape, PlaceRefShape, RunKindRefShape


class RunSumShape(Shape):
    """held: still in the run; lost: out less back less held, negative when more came back than went out."""

    solvent = SolventRefShape()
    charged = QuantityShape()
    returned = QuantityShape()
    held = QuantityShape()
    lost = QuantityShape()
    loss_fraction = Number(allow_null=True, help_text="lost over charged.")


class FactNowShape(Shape):
    """What is known of one field. text: as entered; number, uncertainty (k = 1): in `unit`."""

    field = text()
    name = text()
    text = text()
    number = Number(allow_null=True)
    uncertainty = Number(allow_null=True)
    unit = serializers.CharField(allow_blank=True)


class RunShape(Shape):
    """kind: null where it was not told. facts: as they stand, each in `runs/{run}/facts/`."""

    id = Id()
    purpose = text()
    operator = text()
    started_at = at()
    month = serializers.DateField()
    closed_at = at(null=True)
    state = serializers.ChoiceField(["draft", "open", "closed", "given-up"])
    kind = RunKindRefShape(allow_null=True)
    location = PlaceRefShape(allow_null=True)
    is_history = serializers.BooleanField()
    remarks = text()
    findings = serializers.ListField(child=serializers.CharField())
    place = Id()
    version = serializers.IntegerField()
    distils = serializers.BooleanField()
    to_dryness = serializers.BooleanField()
    heel = HeelShape()
    overrides = OverrideShape(many=True)
    sums = RunSumShape(many=True)
    apparatus = ApparatusRefShape(many=True)
    facts = FactNowShape(many=True)


class RunDetailShape(RunShape):
    """closing_entry: what closed it, if anything was left. plan: from which it was drafted."""

    closing_entry = serializers.UUIDField(allow_null=True)
    plan = Free(allow_null=True)
    asks = AskedShape(many=True)


class RunPostedShape(PostedShape):
    run = RunShape()


class RunChargedShape(RunPostedShape):
    """clearance: null where the charge needed none."""

    clearance = ClearanceShape(allow_null=True)


class GroupShape(Shape):
    """The values of what was asked for in `by`."""

    solvent = serializers.CharField(required=False)
    month = serializers.DateField(required=False)
    purpose = serializers.CharField(required=False, allow_blank=True)
    operator = serializers.CharField(required=False, allow_blank=True)
    kind = serializers.CharField(required=False, allow_null=True)
    apparatus = serializers.CharField(required=False, allow_null=True)


class LossRateShape(Shape):
    group = GroupShape()
    runs = serializers.IntegerField()
    runs_without_return = serializers.IntegerField()
    charged = QuantityShape()
    returned = QuantityShape()
    lost = QuantityShape()
    loss_fraction = Number(allow_null=True)
    uncertainty = Number(allow_null=True, help_text="Standard error from run to run (k = 1).")
    lower = Number(allow_null=True, help_text="Of the interval that holds it with 95 %.")
    upper = Number(allow_null=True)
    words = text(help_text="What few runs mean for it; empty where nothing is to be said.")


class LossRatesShape(Shape):
    results = LossRateShape(many=True)


class FlowPartShape(Shape):
    kind = text()
    volume = QuantityShape()


class FlowRowShape(Shape):
    solvent = text()
    month = serializers.DateField()
    opening = QuantityShape()
    into = FlowPartShape(many=True)
    out_of = FlowPartShape(many=True)
    lost_in_runs = FlowPartShape(many=True)
    closing = QuantityShape()


class FlowsShape(Shape):
    results = FlowRowShape(many=True)
