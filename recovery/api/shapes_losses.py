"""What answers about loss rates, their charts and their signals look like."""

from __future__ import annotations

from rest_framework import serializers

from inventory.api.shapes import (
    Id,
    Number,
    QuantityShape,
    Shape,
    SolventRefShape,
    Words,
    at,
    number,
    on,
    text,
)

FRACTION = "Of what was charged: 0.31 is 31 %."


class RateShape(Shape):
    """Sum lost over sum charged. lower, upper: its interval; null for too few runs, as words say."""

    runs = serializers.IntegerField()
    loss_fraction = Number(allow_null=True, help_text=FRACTION)
    uncertainty = Number(allow_null=True, help_text="Standard error from run to run (k = 1).")
    lower = number()
    upper = number()
    level = Number(help_text="Of the interval, as 0.95.")
    words = text()


class ChartRunShape(Shape):
    """One run on a chart. Limits and sums are fractions of what was charged; null where none holds yet."""

    run = Id()
    started_on = on(null=False)
    charged = QuantityShape()
    lost = QuantityShape()
    is_history = serializers.BooleanField()
    loss_fraction = Number(help_text=FRACTION)
    phase = serializers.ChoiceField(["gathering", "baseline", "watched"])
    stretch = serializers.IntegerField(help_text="Runs of one stretch are held against the same limits.")
    centre = number()
    lower = number()
    upper = number()
    moving_range = number()
    moving_range_upper = number()
    ewma = number()
    ewma_lower = number()
    ewma_upper = number()
    cusum_high = number()
    cusum_low = number()
    cusum_limit = number()
    broken = Words(help_text="Keys of the rules that this run breaks.")


class ChartSignalShape(Shape):
    """A lasting change. since: the run from which it is likeliest; found: the run with which it was seen."""

    direction = serializers.ChoiceField(["more", "less"])
    since_run = Id()
    since_on = on(null=False)
    found_run = Id()
    ended_run = Id(allow_null=True)
    ended_by = text()
    stands = serializers.BooleanField()
    words = text()
    before = RateShape()
    after = RateShape()


class ChartResetShape(Shape):
    """A new baseline begins."""

    happened_on = on(null=False)
    what = serializers.ChoiceField(["repaired", "changed"])
    apparatus = text()


class RuleShape(Shape):
    key = text()
    words = text()
    source = text()


class LossChartShape(Shape):
    name = text()
    solvent = SolventRefShape()
    words = text()
    rate = RateShape()
    baseline_runs = serializers.IntegerField()
    missing = serializers.IntegerField(help_text="Runs that the baseline still lacks.")
    width = Number(help_text="Half the width of the EWMA's limits, in its standard errors.")
    runs = ChartRunShape(many=True)
    left_off = serializers.IntegerField(help_text="Earlier runs that count and are not listed.")
    signals = ChartSignalShape(many=True)
    resets = ChartResetShape(many=True)
    rules = RuleShape(many=True, help_text="Those that a run listed here breaks.")
    notes = Words()
    runs_without_return = serializers.IntegerField()
    open_runs = serializers.IntegerField()


class SignalRateShape(Shape):
    runs = serializers.IntegerField()
    loss_fraction = number()
    lower = number()
    upper = number()
    words = text()


class LossSignalShape(Shape):
    """A series that loses more, or less, than its baseline. It ends by the facts, never by hand."""

    id = Id()
    solvent = SolventRefShape()
    purpose = text()
    apparatus = serializers.DictField(
        child=serializers.CharField(), allow_null=True, help_text="id and name; null: by purpose."
    )
    direction = serializers.ChoiceField(["more", "less"])
    words = text()
    chart = text()
    rule = text()
    since_run = Id()
    since_on = on(null=False)
    last_run = Id()
    runs = Words(help_text="Ids of the runs behind it.")
    baseline = Words(help_text="Ids of the runs that it is held against.")
    done_in = Words(help_text="Names of the apparatus that those runs were done in.")
    before = SignalRateShape()
    after = SignalRateShape()
    found_at = at()
    ended_at = at(null=True)
    ended_words = text()
