"""What a forecast looks like, for the schema."""

from __future__ import annotations

from typing import get_args

from rest_framework import serializers

from inventory.api.shapes import ContainerRefShape, Id, Number, Shape, Words, text
from inventory.api.shapes import on as day
from inventory.rules.forecast import ForecastCode


class ForecastPointShape(Shape):
    """The amount lay between the bounds; upper null: no bound is known, or strips past their date."""

    test = Id()
    tested_on = day(null=False)
    lower_mg_per_l = Number()
    upper_mg_per_l = Number(allow_null=True)
    method = text()


class GrowthShape(Shape):
    """Factors in 30 days, limits 95 % on each side; high null: the readings set no limit."""

    factor = Number()
    low = Number()
    high = Number(allow_null=True)


class BandPointShape(Shape):
    """The likeliest amount, and between what a reading would lie, 95 % on each side."""

    on = day(null=False)
    low_mg_per_l = Number()
    line_mg_per_l = Number()
    high_mg_per_l = Number()


class ForecastShape(Shape):
    container = ContainerRefShape()
    code = serializers.ChoiceField(get_args(ForecastCode), help_text="forecast, or why there is none.")
    words = text()
    on = day()
    level_mg_per_l = Number()
    policy_due_on = day()
    next_test_due_on = day()
    points = ForecastPointShape(many=True)
    growth = GrowthShape(allow_null=True)
    band = BandPointShape(many=True)
    cautions = Words()
