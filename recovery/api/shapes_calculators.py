"""What the answers of the calculators for extraction, vapour, density and volume look like."""

from __future__ import annotations

from rest_framework import serializers

from inventory.api.shapes import Number, Shape, Words, number, text
from inventory.api.shapes_bench import MeasuredShape


class WorkedShape(Shape):
    """formula and sources: how it was worked out. assumptions: what was taken for what nobody told."""

    formula = text()
    sources = Words()
    assumptions = Words()
    cautions = Words()


class ExtractionRowShape(Shape):
    """total: charged; kept: by the water; net: charged and not back again; fits: can be done so."""

    portions = serializers.IntegerField()
    portion_ml = Number()
    total_ml = Number()
    yield_percent = Number()
    kept_ml = Number()
    back_ml = Number()
    net_ml = Number()
    fits = serializers.BooleanField()
    note = text()


class CurvePointShape(Shape):
    total_ml = Number()
    yield_percent = Number()


class CurveShape(Shape):
    """portions null: the limit of ever more and smaller ones."""

    portions = serializers.IntegerField(allow_null=True)
    points = CurvePointShape(many=True)


class ExtractionShape(WorkedShape):
    """chosen: the portions to take. same_total: as much solvent in 1, 2, … portions. for_yield: each number
    of portions with the least size that gives the yield. limit: of ever more portions of the same total."""

    distribution = MeasuredShape()
    water = MeasuredShape()
    kept_by_water = MeasuredShape()
    yield_percent = MeasuredShape()
    left_percent = Number()
    limit_percent = Number()
    exact_portions = number()
    chosen = ExtractionRowShape()
    same_total = ExtractionRowShape(many=True)
    for_yield = ExtractionRowShape(many=True)
    least = ExtractionRowShape(
        allow_null=True,
        help_text="Uses up least solvent; chosen has the fewest portions within a twentieth of that. null: "
        "size and number were told.",
    )
    curves = CurveShape(many=True)


class LevelShape(Shape):
    """room: well mixed; near: by the mixing factor, near the bench; at most what saturates the air."""

    room_ppm = Number()
    near_ppm = Number()
    room_mg_m3 = Number()
    near_mg_m3 = Number()


class LimitShareShape(Shape):
    """share: of the limit, 1 is all of it. kind: which of the levels it is held against."""

    body = text()
    kind = serializers.ChoiceField(["mean-8h", "short-term", "ceiling"])
    ppm = Number()
    share = Number()
    near_share = Number()
    words = text()
    source = text()


class ExplosiveShape(Shape):
    lel_percent = Number()
    share = Number()
    near_share = Number()
    alarm = serializers.BooleanField(help_text="A tenth of it or more near the bench.")
    source = text()


class RoomShape(Shape):
    volume_m3 = Number()
    air_changes_per_h = Number()
    mixing = Number()


class VapourCheckShape(Shape):
    """Solvent that evaporates into a room. needed_air: that holds the tightest mean over eight hours."""

    solvent = text()
    lost = MeasuredShape()
    over_h = Number()
    vapour_l = Number()
    room = RoomShape()
    peak = LevelShape()
    mean_8h = LevelShape()
    mean_15min = LevelShape()
    saturated_ppm = Number()
    saturated = serializers.BooleanField()
    explosive = ExplosiveShape(allow_null=True, help_text="null: it is known not to burn.")
    limits = LimitShareShape(many=True)
    limits_in_words = Words()
    needed_air_m3_h = number()
    over = serializers.BooleanField(help_text="A limit is passed, or a tenth of the explosive one.")


class VapourShape(WorkedShape):
    check = VapourCheckShape()
    level = LevelShape(allow_null=True)
    mean_of_exposures_ppm = number()


class DensityShape(WorkedShape):
    """volume_of_1_l_at_20c: what one litre at 20 °C is at that temperature."""

    solvent = text()
    temperature = MeasuredShape()
    density = MeasuredShape()
    volume_of_1_l_at_20c = MeasuredShape()


class BudgetLineShape(Shape):
    name = text()
    kind = serializers.ChoiceField(["A", "B"])
    half_width_ml = number()
    spread = serializers.ChoiceField(["rectangular", "triangular", "normal"], allow_null=True)
    u_ml = Number()
    share = Number(help_text="Of the variance, 0 to 1.")
    source = text()


class VolumeBudgetShape(WorkedShape):
    """volume: its uncertainty is the combined one, k = 1. expanded: U, about 95 %."""

    volume = MeasuredShape()
    expanded = MeasuredShape()
    k = Number()
    effective_freedom = number()
    budget = BudgetLineShape(many=True)
