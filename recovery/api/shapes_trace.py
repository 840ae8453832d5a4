"""What the answers about where a lot came from and went look like, for the schema."""

from __future__ import annotations

from rest_framework import serializers

from inventory.api.shapes import (
    ContainerRefShape,
    Id,
    Number,
    QuantityShape,
    Shape,
    SolventRefShape,
    Words,
    text,
)
from inventory.models import Lot


class TracedContainerShape(ContainerRefShape):
    """volume: of that lot in it now."""

    volume = QuantityShape()


class TracedLotShape(Shape):
    """generation: steps from the lot that was asked for. volume, share: see the answer as a whole."""

    id = Id()
    generation = serializers.IntegerField()
    solvent = SolventRefShape()
    origin = serializers.ChoiceField(Lot.Origin.values)
    made_on = serializers.DateField(allow_null=True)
    times_distilled = serializers.IntegerField()
    maker = text()
    maker_lot = text()
    volume = QuantityShape()
    share = Number()
    containers = TracedContainerShape(many=True)
    runs = serializers.ListField(child=Id())


class OriginTotalShape(Shape):
    origin = serializers.ChoiceField(Lot.Origin.values)
    volume = QuantityShape()
    share = Number()


class _TraceShape(Shape):
    """lots: how many beside the lot itself; results: those of this page, nearest first."""

    lot = Id()
    lots = serializers.IntegerField()
    generations = serializers.IntegerField()
    words = Words()
    next = serializers.URLField(allow_null=True)
    previous = serializers.URLField(allow_null=True)
    results = TracedLotShape(many=True)


class LotAncestorsShape(_TraceShape):
    """volume: what the lot was made of; of a result: how much of that went through it, share: the part."""

    volume = QuantityShape()
    by_origin = OriginTotalShape(many=True, help_text="Where the lines end; sums to the whole.")


class KindVolumeShape(Shape):
    kind = text()
    volume = QuantityShape()


class LotWhereShape(Shape):
    """came_in is in_containers and all of gone and lost_in_runs, each rounded to a whole µl.

    In lost_in_runs the kind "run" is what is still in one that is open.
    """

    came_in = QuantityShape()
    in_containers = QuantityShape()
    gone = KindVolumeShape(many=True)
    lost_in_runs = KindVolumeShape(many=True)


class LotDescendantsShape(_TraceShape):
    """volume of a result: how much of this lot went into it; share: the part of it that is this lot."""

    where = LotWhereShape(allow_null=True, help_text="null where only some generations were asked for.")


class TimesShareShape(Shape):
    times_distilled = serializers.IntegerField()
    volume = QuantityShape()
    share = Number()


class TimesDistilledShape(Shape):
    """most: of any part; mean: weighted by volume. The volumes sum to what is in the container."""

    container = ContainerRefShape()
    volume = QuantityShape()
    most = serializers.IntegerField(allow_null=True)
    mean = Number(allow_null=True)
    results = TimesShareShape(many=True)
