"""What the answers about alerts and stock levels look like, for the schema."""

from __future__ import annotations

from rest_framework import serializers

from inventory.api.shapes import Free, Id, QuantityShape, Shape, SolventRefShape, SubjectShape, at, on, text


class AlertShape(Shape):
    id = Id()
    rule = text()
    words = text()
    severity = serializers.IntegerField(min_value=1, max_value=9, help_text="1 is the worst.")
    subject = SubjectShape()
    due_on = on()
    opened_at = at()
    closed_at = at(null=True)
    cured_by = text()
    acknowledged_at = at(null=True)
    acknowledged_by = text(null=True)
    put_off_until = at(null=True)
    escalated_at = at(null=True)


class AlertEventShape(Shape):
    at = at()
    actor = text()
    verb = text()
    data = Free()  # type: ignore[assignment]


class AlertDeliveriesShape(Shape):
    waiting = serializers.IntegerField()
    sent = serializers.IntegerField()
    failed = serializers.IntegerField()


class AlertDetailShape(AlertShape):
    latest_put_off_on = on()
    history = AlertEventShape(many=True, help_text="What people did about it, oldest first.")
    deliveries = AlertDeliveriesShape()
    before = serializers.ListField(
        child=Id(), help_text="Earlier alerts by the same rule on the same subject, newest first; at most 20."
    )


class SweptRuleShape(Shape):
    rule = text()
    opened = serializers.IntegerField()
    closed = serializers.IntegerField()
    escalated = serializers.IntegerField()


class SweptShape(Shape):
    at = at()
    rules = SweptRuleShape(many=True)


class StockLevelShape(Shape):
    """on_hand: all on the shelf; fit: what of it may be used; short_by: nothing when there is enough."""

    id = Id()
    solvent = SolventRefShape()
    minimum = QuantityShape()
    on_hand = QuantityShape()
    fit = QuantityShape()
    short_by = QuantityShape()
    note = text()
    ended_at = at(null=True)
