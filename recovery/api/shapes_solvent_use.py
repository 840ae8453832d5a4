"""What the answers about the use of solvents and their prices look like, for the schema."""

from __future__ import annotations

from rest_framework import serializers

from inventory.api.shapes import Id, Number, QuantityShape, Shape, SolventRefShape, Words, at, text


class UseMonthShape(Shape):
    """used_up: new solvent that is gone; reused: recovered, put back in; standing: at the month's end."""

    month = serializers.DateField()
    charged = QuantityShape()
    drawn = QuantityShape()
    returned = QuantityShape()
    bought = QuantityShape()
    used_up = QuantityShape()
    reused = QuantityShape()
    standing = QuantityShape()


class SparedShape(Shape):
    """volume: the part of what was put back in that had a price; money to the hundredth."""

    currency = text()
    not_bought = Number()
    not_thrown_away = Number()
    volume = QuantityShape()


class OutlookShape(Shape):
    """When what is fit to use comes down to the level that was set, or to nothing."""

    code = serializers.ChoiceField(["forecast", "few-months", "no-use", "reached"])
    months = serializers.IntegerField()
    per_month = QuantityShape(help_text="uncertainty: standard deviation between months.")
    next_month_low = QuantityShape(allow_null=True)
    next_month_high = QuantityShape(allow_null=True)
    fit = QuantityShape()
    minimum = QuantityShape(allow_null=True)
    reorder_on = serializers.DateField(allow_null=True)
    earliest_on = serializers.DateField(allow_null=True)
    latest_on = serializers.DateField(allow_null=True)
    words = text()


class SolventUseShape(Shape):
    """turnover: put to use over standing_mean; recycle_ratio: reused over used_up and reused."""

    solvent = SolventRefShape()
    put_to_use = QuantityShape()
    charged = QuantityShape()
    returned = QuantityShape()
    bought = QuantityShape()
    used_up = QuantityShape()
    reused = QuantityShape()
    standing_mean = QuantityShape()
    make_up_per_month = QuantityShape()
    turnover = Number(allow_null=True)
    returned_fraction = Number(allow_null=True)
    recycle_ratio = Number(allow_null=True)
    waste_avoided = QuantityShape()
    spared = SparedShape(many=True, help_text="Empty without a price.")
    outlook = OutlookShape()
    words = Words()
    months = UseMonthShape(many=True)


class SolventUsesShape(Shape):
    since = serializers.CharField()
    until = serializers.CharField()
    method = text()
    sources = Words()
    words = Words()
    results = SolventUseShape(many=True)


class SolventPriceShape(Shape):
    id = Id()
    solvent = SolventRefShape()
    since_on = serializers.DateField()
    per_litre = Number()
    waste_per_litre = Number(allow_null=True)
    currency = text()
    note = text()
    recorded_at = at()
