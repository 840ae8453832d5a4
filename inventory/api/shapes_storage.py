"""What the answers about locations, limits and waste look like, for the schema."""

from __future__ import annotations

from rest_framework import serializers

from inventory.api.shapes import (
    AgainstShape,
    ContainerDetailShape,
    ContainerNowShape,
    Id,
    LocationShape,
    Number,
    PostedShape,
    QuantityShape,
    ReasonShape,
    Shape,
    SolventRefShape,
    StorageWarningShape,
    Words,
    at,
    text,
)
from inventory.api.shapes_bench import MeasuredShape
from inventory.rules.storage import EFFECTS, MEASURES


class PutAwayShape(ContainerNowShape):
    warnings = StorageWarningShape(many=True)
    verdicts = AgainstShape(many=True, help_text="When it is better left where it stands.")


class ContainerReceivedShape(ContainerDetailShape):
    warnings = StorageWarningShape(many=True)


class StoragePlaceShape(Shape):
    id = Id()
    name = text()


class StorageLimitShape(Shape):
    """categories and materials: empty for any. template: row of the shipped table, "" for the lab's own."""

    id = Id()
    location = StoragePlaceShape()
    template = text()
    name = text()
    measure = serializers.ChoiceField(MEASURES)
    scheme = text()
    categories = Words()
    materials = Words()
    limit = QuantityShape()
    outside_cabinets = serializers.BooleanField()
    effect = serializers.ChoiceField(EFFECTS)
    code = text()
    source = text()
    created_at = at()
    ended_at = at(null=True)
    version = serializers.IntegerField()


class LimitsMadeShape(Shape):
    results = StorageLimitShape(many=True)


class UseShape(Shape):
    """A limit against what is there. used: for the size of one container, the largest beyond it or 0."""

    limit = Id()
    name = text()
    measure = serializers.ChoiceField(MEASURES)
    effect = serializers.ChoiceField(EFFECTS)
    code = text()
    source = text()
    allowed = QuantityShape()
    used = QuantityShape()
    over = QuantityShape()
    percent = Number()
    too_large = Words(help_text="Codes of containers that are too large.")


class LocationDetailShape(LocationShape):
    note = text()
    room_volume = MeasuredShape(allow_null=True, help_text="Air in it.")
    air_changes = MeasuredShape(allow_null=True)
    version = serializers.IntegerField()
    ended_at = at(null=True)
    limits = UseShape(many=True)
    warnings = StorageWarningShape(many=True)


class LocationUseShape(LocationShape):
    limits = UseShape(many=True)
    over = serializers.BooleanField()


class NeighboursShape(Shape):
    """Two liquids in one cabinet, or on one shelf, that should stand apart."""

    location = StoragePlaceShape()
    one = SolventRefShape()
    other = SolventRefShape()
    effect = serializers.ChoiceField(EFFECTS)
    code = text()
    words = text()
    source = text()


class StorageShape(Shape):
    results = LocationUseShape(many=True)
    neighbours = NeighboursShape(many=True)


class TemplateShape(Shape):
    """amount: as published; per_100_ft2: times the area of the room."""

    key = text()
    set = text()
    name = text()
    measure = serializers.ChoiceField(MEASURES)
    scheme = text()
    categories = Words()
    materials = Words()
    amount = text()
    per_100_ft2 = serializers.BooleanField()
    nearest_metric = serializers.BooleanField()
    outside_cabinets = serializers.BooleanField()
    effect = serializers.ChoiceField(EFFECTS)
    code = text()
    source = text()
    note = text()


class ReductionShape(Shape):
    key = text()
    name = text()
    keep_percent = serializers.IntegerField()
    source = text()


class TemplatesShape(Shape):
    limits = TemplateShape(many=True)
    reductions = ReductionShape(many=True)


class WasteShape(Shape):
    id = Id()
    code = text()
    stream = text()
    place = Id()
    location = StoragePlaceShape(allow_null=True)
    volume = QuantityShape()
    capacity = QuantityShape()
    percent = Number()
    full_percent = serializers.IntegerField()
    nearly_full = serializers.BooleanField()
    started_on = serializers.DateField()
    days_max = serializers.IntegerField()
    days_source = text()
    collect_by = serializers.DateField()
    days_left = serializers.IntegerField(help_text="Below zero: too old.")
    collected_at = at(null=True)
    note = text()
    version = serializers.IntegerField()


class ContentShape(Shape):
    solvent = SolventRefShape()
    volume = QuantityShape()


class WasteCautionShape(Shape):
    words = text()
    source = text()


class WasteDetailShape(WasteShape):
    contents = ContentShape(many=True)
    suspect = serializers.BooleanField(help_text="Whether what went in had a grave reading or sign.")
    suspect_reasons = ReasonShape(many=True)
    cautions = WasteCautionShape(many=True)
    warnings = StorageWarningShape(many=True)


class AddedShape(PostedShape):
    waste = WasteShape()
    suspect = serializers.BooleanField()
    suspect_reasons = ReasonShape(many=True)
    cautions = WasteCautionShape(many=True)


class CollectedShape(PostedShape):
    waste = WasteShape()


class KeepingShape(Shape):
    key = text()
    name = text()
    days = serializers.IntegerField()
    source = text()


class MonthlyShape(Shape):
    key = text()
    name = text()
    mass_kg = serializers.IntegerField()
    over = serializers.BooleanField()
    source = text()


class WasteRulesShape(Shape):
    """month: its first day; mass_kg: waste that came about in it, by the densities at 20 °C."""

    keeping = KeepingShape(many=True)
    monthly = MonthlyShape(many=True)
    month = serializers.DateField()
    mass_kg = Number()
