"""What the answers about the quality of solvent look like, for the schema."""

from __future__ import annotations

from typing import get_args

from rest_framework import serializers

from inventory.api.shapes import ContainerRefShape, Free, Id, Number, Shape, SolventRefShape, at, on, text
from inventory.rules.levels import LEVELS
from recovery.models import QualityCheck
from recovery.rules.fitness import State
from recovery.rules.quality_data import WHATS, load_uses
from recovery.services.quality_limits import KINDS

STATES = get_args(State)


class QualityCheckShape(Shape):
    """low, high: as read, in `unit`; equal but for a boiling range. uncertainty: standard (k = 1).

    reference: what it was compared with, at 20 °C or 101.325 kPa, and what was read brought there. outcome:
    as it was on that day; `withdrawn` ones count no more.
    """

    id = Id()
    container = ContainerRefShape()
    lot = Id()
    run = Id(allow_null=True)
    what = serializers.ChoiceField(WHATS)
    low = Number()
    high = Number()
    uncertainty = Number(allow_null=True)
    unit = text()
    temperature_c = Number(allow_null=True)
    as_entered = Free()
    reference = Free()
    outcome = serializers.ChoiceField(QualityCheck.Outcome.values)
    happened_at = at()
    withdraws = Id(allow_null=True)
    withdrawn = serializers.BooleanField()
    note = text()
    actor = text()
    recorded_at = at()


class QualityLimitShape(Shape):
    """solvent null: any. use "": all. lowest, highest: in `unit`, at 20 °C or 101.325 kPa."""

    id = Id()
    solvent = SolventRefShape(allow_null=True)
    use = text()
    what = serializers.ChoiceField(KINDS)
    lowest = Number(allow_null=True)
    highest = Number(allow_null=True)
    unit = text()
    refuses = serializers.BooleanField()
    source = text()
    created_at = at()
    ended_at = at(null=True)
    version = serializers.IntegerField()


class FitReasonShape(Shape):
    """check: the quality check that it rests on, if any."""

    code = text()
    words = text()
    state = serializers.ChoiceField(STATES)
    what = text()
    check = Id(allow_null=True)
    source = text()


class FitUseShape(Shape):
    """Fit, as-bought, not-shown or not-fit; the gravest reason decides and stands first."""

    use = serializers.ChoiceField(list(load_uses()))
    name = text()
    state = serializers.ChoiceField(STATES)
    words = text()
    reasons = FitReasonShape(many=True)
    source = text()


class FitVerdictShape(Shape):
    """The verdict of the house on drawing; nothing of quality makes it milder."""

    level = serializers.ChoiceField(LEVELS)
    words = text()


class FitnessShape(Shape):
    """times_most: how often the lab allows it to be distilled; null: no limit. Of an empty one, nothing."""

    container = ContainerRefShape()
    lot = Id(allow_null=True)
    solvent = SolventRefShape(allow_null=True)
    on = on(null=False)
    times_distilled = serializers.IntegerField()
    times_most = serializers.IntegerField(allow_null=True)
    verdict = FitVerdictShape(allow_null=True)
    uses = FitUseShape(many=True)
