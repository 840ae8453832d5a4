"""What a lab's answer says of whom alerts come to, for the schema."""

from __future__ import annotations

from rest_framework import serializers

from inventory.api.shapes import LabShape, Shape, text


class EscalationShape(Shape):
    """Whether an alert that nobody answers comes to anybody."""

    reaches_somebody = serializers.BooleanField()
    sends_mail = serializers.BooleanField(help_text="Whether a mail server is set.")
    supervisors = serializers.IntegerField()
    supervisors_with_address = serializers.IntegerField()
    webhooks = serializers.IntegerField(help_text="Those that hear of every rule.")
    webhooks_stopped = serializers.IntegerField(
        help_text="Those that hear of nothing until a supervisor sees to them."
    )
    warnings = serializers.ListField(child=text(), help_text="In words, gravest first; none if all is well.")


class LabDetailShape(LabShape):
    escalation = EscalationShape()
