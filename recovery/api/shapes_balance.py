"""What the answers about balances and fits look like, for the schema."""

from __future__ import annotations

from rest_framework import serializers

from inventory.api.shapes import Id, Number, QuantityShape, Shape, SolventRefShape, Words, at, text
from recovery.api.shapes_kinds import ApparatusRefShape, RunKindRefShape

CODES = ["unexplained-loss", "unexplained-gain", "within-uncertainty", "still-open"]
STATES = ["worked-out", "assumed", "not-told", "fitted"]


class FitRefShape(Shape):
    id = Id()
    words = text()
    made_at = at()
    adopted_at = at(null=True)
    adopted_by = serializers.CharField(allow_null=True)


class NamedShape(Shape):
    kind = serializers.CharField(help_text="Of the place it went to.")
    words = text()
    amount = QuantityShape()


class RemainderShape(Shape):
    """amount ± expanded (U = k·u). z: from nothing, in standard uncertainties; p: chance, two-sided."""

    amount = QuantityShape()
    expanded = Number(help_text="U = k·u, in mL.")
    k = Number()
    degrees_of_freedom = Number(allow_null=True, help_text="Null: without end.")
    z = Number(allow_null=True)
    p = Number(allow_null=True)
    code = serializers.ChoiceField(CODES)
    words = text()


class TermInputShape(Shape):
    name = text()
    value = Number()
    uncertainty = Number(help_text="Standard (k = 1), in `unit`.")
    unit = text()
    told = serializers.BooleanField(help_text="False: an assumption.")


class LossTermShape(Shape):
    """A predicted loss. amount null: nothing can be said, and `missing` names the facts that would help."""

    code = text()
    words = text()
    state = serializers.ChoiceField(STATES)
    amount = QuantityShape(allow_null=True)
    counts = serializers.BooleanField(help_text="False: not part of the total.")
    formula = text()
    inputs = TermInputShape(many=True)
    assumptions = Words()
    sources = Words()
    missing = Words()


class PredictionShape(Shape):
    """fit: null where it rests on theory and assumptions."""

    terms = LossTermShape(many=True)
    total = QuantityShape()
    missing = Words()
    fit = FitRefShape(allow_null=True)


class BarShape(Shape):
    """One step, drawn from `begins` to `ends`. state “not-told”: never to be read as nothing lost."""

    code = text()
    words = text()
    role = serializers.ChoiceField(["start", "out", "predicted", "rest"])
    state = serializers.ChoiceField(["recorded", "rest", *STATES])
    amount = QuantityShape()
    begins = QuantityShape()
    ends = QuantityShape()
    note = text()


class WaterfallShape(Shape):
    bars = BarShape(many=True)
    unexplained = RemainderShape(help_text="Beyond what is recorded and predicted.")
    notes = Words()


class SolventBalanceOfRunShape(Shape):
    """returned: as booked, which is solvent_returned and water together."""

    solvent = SolventRefShape()
    charged = QuantityShape()
    returned = QuantityShape()
    water = QuantityShape()
    solvent_returned = QuantityShape()
    held = QuantityShape()
    named = NamedShape(many=True)
    lost = QuantityShape()
    unexplained = RemainderShape(help_text="Beyond what is recorded.")
    predicted = PredictionShape()
    waterfall = WaterfallShape()
    assumptions = Words()
    sources = Words()


class RunBalanceShape(Shape):
    run = Id()
    results = SolventBalanceOfRunShape(many=True)


class CoefficientShape(Shape):
    """value between low and high (95 %), in `unit`. sd null: at nothing, where none is meant."""

    driver = text()
    words = text()
    unit = text()
    value = Number()
    sd = Number(allow_null=True)
    low = Number()
    high = Number()
    driver_low = Number()
    driver_high = Number()


class LeftOutShape(Shape):
    driver = text()
    reason = text()


class LossFitShape(FitRefShape):
    """cannot: what the fit does not tell. since: when the apparatus was last repaired or changed."""

    solvent = SolventRefShape()
    kind = RunKindRefShape(allow_null=True)
    apparatus = ApparatusRefShape(allow_null=True)
    runs = serializers.IntegerField()
    closed_runs = serializers.IntegerField(help_text="Closed ones that were looked at.")
    first_started_at = at()
    last_started_at = at()
    since = at(null=True)
    made_by = text()
    ended_at = at(null=True)
    in_use = serializers.BooleanField()
    version = serializers.IntegerField()
    coefficients = CoefficientShape(many=True)
    degrees_of_freedom = serializers.IntegerField()
    residual_sd = Number(help_text="In mL.")
    r_squared = Number()
    statement = Words()
    cannot = Words()
    method = text()
    left_out = LeftOutShape(many=True)


class LossFitDetailShape(LossFitShape):
    run_ids = serializers.ListField(child=Id(), help_text="The runs that it rests on, oldest first.")
