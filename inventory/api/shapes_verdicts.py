"""What verdicts, quarantines and policies look like, for the schema."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from inventory.api.shapes import (
    ContainerNowShape,
    ContainerRefShape,
    Free,
    Id,
    LocationRefShape,
    PolicyRefShape,
    QuantityShape,
    ReasonShape,
    Shape,
    SolventRefShape,
    Words,
    at,
    on,
    text,
)
from inventory.api.shapes_bench import TestShape
from inventory.rules.levels import LEVELS, USES


class VerdictReasonShape(ReasonShape):
    fact = text()
    level = serializers.ChoiceField(LEVELS)


class CautionShape(Shape):
    code = text()
    words = text()


class VerdictShape(Shape):
    use = serializers.ChoiceField(USES)
    use_words = text()
    level = serializers.ChoiceField(LEVELS)
    words = text()
    allowed = serializers.BooleanField()
    due_on = on()
    reasons = VerdictReasonShape(many=True, help_text="Worst first.")
    cautions = CautionShape(many=True)


class EmergencyShape(Shape):
    words = text()
    contact = text()


class VerdictsShape(Shape):
    """Whether each use is allowed on a day of the lab's own calendar."""

    container = ContainerRefShape()
    on = on(null=False)
    advice = text(help_text="What to do now, by all of them.")
    verdicts = VerdictShape(many=True)
    emergency = EmergencyShape(help_text="Whom to call, as the lab has written it down.")
    local_code = text()


class TestMadeShape(TestShape):
    """A test that was just recorded, and what now holds of its container."""

    verdicts = VerdictShape(many=True)


class OpenedShape(ContainerNowShape):
    """A container that was just opened, and what now holds of it."""

    verdicts = VerdictShape(many=True)


class DueItemShape(Shape):
    container = ContainerRefShape()
    solvent = SolventRefShape(allow_null=True)
    location = LocationRefShape(allow_null=True)
    volume = QuantityShape()
    state = text()
    next_test_due_on = on()
    level = text()
    verdict = text()
    advice = text(help_text="What to do now, by the verdict.")
    days_overdue = serializers.IntegerField(
        allow_null=True, help_text="Negative: days to go. null: a date would only mislead."
    )
    worst_sign = text()
    code = text()
    words = text()
    reasons = ReasonShape(many=True)


class LooseningShape(Shape):
    """When a policy got looser, who signed for it, and in which ways."""

    at = at()
    by = text()
    reason = text()
    to = text()
    looser = Words()

    def get_fields(self) -> dict[str, Any]:
        return {**super().get_fields(), "from": text()}


class ChosenShape(Shape):
    by = text()
    at = at()
    reason = text()


class PolicyShape(PolicyRefShape):
    id = Id()
    source = text()
    shipped = serializers.BooleanField()
    in_use = serializers.BooleanField()
    copied_from = text()
    version = serializers.IntegerField()
    body = Free()


class PolicyDetailShape(PolicyShape):
    chosen = ChosenShape(allow_null=True, help_text="Who chose it, if it is in use and not the default.")
    loosened = LooseningShape(many=True, help_text="Newest first.")


class MoveShape(Shape):
    container = ContainerRefShape()
    before = on()
    after = on()


class EffectShape(Shape):
    """What would change if the lab used this policy from now on."""

    containers = serializers.IntegerField()
    earlier = serializers.IntegerField(help_text="Containers whose next test would come earlier.")
    later = serializers.IntegerField()
    looser = Words(help_text="Each way in which it is looser than the policy in use.")
    examples = MoveShape(many=True)
