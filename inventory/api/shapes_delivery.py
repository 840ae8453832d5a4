"""What answers about mail, webhooks, deliveries and feeds look like, for the schema."""

from __future__ import annotations

from rest_framework import serializers

from inventory.api.shapes import Id, Shape, Words, at, text
from inventory.models.outbox import CHANNELS, HELD_BECAUSE
from inventory.rules.telling import SEVERITY_MAX
from inventory.services.delivery.feeds import KINDS
from inventory.services.delivery.outbox import STATES


class MailChoiceShape(Shape):
    email = text()
    at_once_severity = serializers.IntegerField(min_value=0, max_value=SEVERITY_MAX)
    digest = serializers.BooleanField()
    digest_at = text()
    by_role = serializers.BooleanField()
    server_sends_mail = serializers.BooleanField()
    words = text()


class WebhookShape(Shape):
    id = Id()
    name = text()
    url = text()
    rules = Words()
    created_at = at()
    ended_at = at(null=True)
    held_at = at(null=True)
    held_because = serializers.ChoiceField(["", *HELD_BECAUSE])
    unreadable_at = at(null=True)
    answered_for_by = text()
    both_secrets_until = at(null=True)


class WebhookMadeShape(WebhookShape):
    """`secret` comes with the first answer only and is kept where messages are signed, nowhere else."""

    secret = serializers.CharField(required=False)


class DeliveryShape(Shape):
    id = Id()
    channel = serializers.ChoiceField(CHANNELS)
    state = serializers.ChoiceField(STATES)
    event = text()
    alert = Id(allow_null=True)
    username = text(null=True)
    webhook = Id(allow_null=True)
    message_id = text()
    attempts = serializers.IntegerField()
    created_at = at()
    next_attempt_at = at(null=True)
    sent_at = at(null=True)
    failed_at = at(null=True)
    withdrawn_at = at(null=True)
    last_error = text()


class FeedShape(Shape):
    id = Id()
    kind = serializers.ChoiceField(KINDS)
    name = text()
    username = text()
    starts_with = text()
    created_at = at()
    last_read_at = at(null=True)
    revoked_at = at(null=True)


class FeedMadeShape(FeedShape):
    """`url` comes with the first answer only and is kept nowhere."""

    url = serializers.CharField(required=False)
