"""Webhooks, and every message with its fate."""

from __future__ import annotations

from typing import Any

from django.http import HttpResponse
from rest_framework import serializers

from inventory.api import params
from inventory.api.base import Contract, LabView
from inventory.api.fields import Body, TextField
from inventory.api.idempotency import Done, changed
from inventory.api.labs import Nothing
from inventory.api.paging import Key, orderings, page
from inventory.api.replies import check_if_match
from inventory.api.rows import id_or_none
from inventory.api.shapes_delivery import DeliveryShape, WebhookMadeShape, WebhookShape
from inventory.models import Delivery, Webhook
from inventory.models.outbox import CHANNELS
from inventory.services.delivery import outbox, webhooks

BY_ID = orderings(id=Key("id", "int"))
NEWEST = {"-id": [Key("id", "int", True)], "id": [Key("id", "int")]}
WEBHOOK_COLUMNS = (
    "id", "name", "url", "rules", "created_at", "ended_at", "held_at", "held_because", "unreadable_at",
    "actor__username", "secret_before_until",
)  # fmt: skip
SIGNING_WORDS = (
    "Messages are signed by the Standard Webhooks scheme with this secret: headers webhook-id, "
    "webhook-timestamp and webhook-signature. An id that comes twice is the same message."
)


class RulesField(serializers.ListField):
    """Keys of alert rules, each once."""

    def __init__(self, **options: Any) -> None:
        super().__init__(child=TextField(max_length=40), max_length=60, **options)


class WebhookMake(Body):
    name = TextField(max_length=80)
    url = TextField(max_length=500, help_text="https:// only, and no address inside a private network.")
    rules = RulesField(required=False, help_text="Keys of alert rules; none: all.")


class WebhookChange(Body):
    name = TextField(max_length=80, required=False)
    url = TextField(max_length=500, required=False)
    rules = RulesField(required=False)


def webhook_out(row: Any) -> dict[str, Any]:
    """One row of `WEBHOOK_COLUMNS`."""
    found = dict(zip(WEBHOOK_COLUMNS, row, strict=True))
    until, keeper = found.pop("secret_before_until"), found.pop("actor__username")
    return {**found, "id": str(found["id"]), "answered_for_by": keeper, "both_secrets_until": until}


def _shown(pk: int) -> dict[str, Any]:
    return webhook_out(Webhook.objects.filter(pk=pk).values_list(*WEBHOOK_COLUMNS).get())


class Webhooks(LabView):
    """Programs that are told of alerts."""

    contracts = {
        "GET": Contract(
            "webhooks.edit", WebhookShape, "Webhooks", params=params.paging(BY_ID), paged=True
        ),
        "POST": Contract(
            "webhooks.edit", WebhookMadeShape, "Make a webhook", body=WebhookMake, status=201,
            words=SIGNING_WORDS,
        ),
    }  # fmt: skip

    def get(self, request: Any, lab: str) -> HttpResponse:
        given = self.query
        rows, keys = Webhook.objects.filter(lab=self.caller.lab), BY_ID[given.get("ordering", "id")]
        return self.listing(
            page(request._request, rows, keys=keys, columns=WEBHOOK_COLUMNS, given=given, shape=webhook_out)
        )

    def post(self, request: Any, lab: str) -> HttpResponse:
        def work(data: Any) -> Done:
            hook, secret = webhooks.webhook_add(
                **self.by, name=data["name"], url=data["url"], listens=data.get("rules", ())
            )
            return Done(_shown(hook.pk), once_only={"secret": secret})

        return self.write(work)


class OneWebhook(LabView):
    """A view of one webhook."""

    def found(self) -> Webhook:
        return self.caller.by_id(Webhook.objects.all(), self.kwargs["webhook"])


class WebhookDetail(OneWebhook):
    """One webhook."""

    contracts = {
        "GET": Contract("webhooks.edit", WebhookShape, "One webhook", tagged=True),
        "PATCH": Contract("webhooks.edit", WebhookShape, "Change a webhook", body=WebhookChange, tagged=True),
    }

    def get(self, request: Any, lab: str, webhook: str) -> HttpResponse:
        self.query  # noqa: B018 - refuses parameters
        return self.detail(_shown(self.found().pk))

    def patch(self, request: Any, lab: str, webhook: str) -> HttpResponse:
        hook = self.found()

        def work(data: Any) -> Done:
            held = Webhook.objects.select_for_update().get(pk=hook.pk)
            check_if_match(self.request._request, _shown(hook.pk))
            webhooks.webhook_edit(**self.by, webhook=held, changes=data)
            return changed(_shown(hook.pk))

        return self.write(work)


class WebhookSecrets(OneWebhook):
    """A new secret; for a day messages carry signatures of both."""

    contracts = {
        "POST": Contract(
            "webhooks.edit", WebhookMadeShape, "Give a webhook a new secret", body=Nothing, status=201,
            words=SIGNING_WORDS,
        )
    }  # fmt: skip

    def post(self, request: Any, lab: str, webhook: str) -> HttpResponse:
        hook = self.found()

        def work(data: Any) -> Done:
            held, secret = webhooks.secret_rotate(**self.by, webhook=hook)
            return Done(_shown(held.pk), once_only={"secret": secret})

        return self.write(work)


class WebhookEndings(OneWebhook):
    """Nothing more is sent there; what waits for it is withdrawn."""

    contracts = {"POST": Contract("webhooks.edit", WebhookShape, "End a webhook", body=Nothing, status=201)}

    def post(self, request: Any, lab: str, webhook: str) -> HttpResponse:
        hook = self.found()

        def work(data: Any) -> Done:
            webhooks.webhook_end(**self.by, webhook=hook)
            return Done(_shown(hook.pk))

        return self.write(work)


class WebhookTakeovers(OneWebhook):
    """Answer for a webhook whose maker supervises the lab no more; what came up meanwhile is sent."""

    contracts = {
        "POST": Contract("webhooks.edit", WebhookShape, "Take a webhook over", body=Nothing, status=201)
    }

    def post(self, request: Any, lab: str, webhook: str) -> HttpResponse:
        hook = self.found()

        def work(data: Any) -> Done:
            webhooks.take_over(**self.by, webhook=hook)
            return Done(_shown(hook.pk))

        return self.write(work)


class WebhookTrials(OneWebhook):
    """A trial message, which goes out as soon as a worker is free; read it under deliveries/ to see how."""

    contracts = {
        "POST": Contract("webhooks.edit", DeliveryShape, "Send a trial message", body=Nothing, status=201)
    }

    def post(self, request: Any, lab: str, webhook: str) -> HttpResponse:
        hook = self.found()
        return self.write(lambda data: Done(delivery_shown(webhooks.trial(**self.by, webhook=hook).pk)))


# -- deliveries

DELIVERY_COLUMNS = (
    "id", "channel", "payload__event", "alert_id", "user__username", "webhook_id", "message_id", "attempts",
    "created_at", "due_at", "sent_at", "failed_at", "withdrawn_at", "last_error",
)  # fmt: skip


def delivery_out(row: Any) -> dict[str, Any]:
    """One row of `DELIVERY_COLUMNS`."""
    (
        pk, channel, event, alert, username, hook, message_id, attempts, created_at, due_at, sent_at,
        failed_at, withdrawn_at, last_error,
    ) = row  # fmt: skip
    state = outbox.state_of(sent_at=sent_at, failed_at=failed_at, withdrawn_at=withdrawn_at)
    return {
        "id": str(pk),
        "channel": channel,
        "state": state,
        "event": event or "",
        "alert": id_or_none(alert),
        "username": username,
        "webhook": id_or_none(hook),
        "message_id": message_id,
        "attempts": attempts,
        "created_at": created_at,
        "next_attempt_at": due_at if state == "waiting" else None,
        "sent_at": sent_at,
        "failed_at": failed_at,
        "withdrawn_at": withdrawn_at,
        "last_error": last_error,
    }


def delivery_shown(pk: int) -> dict[str, Any]:
    return delivery_out(Delivery.objects.filter(pk=pk).values_list(*DELIVERY_COLUMNS).get())


class Deliveries(LabView):
    """Messages to people and programs, newest first."""

    contracts = {
        "GET": Contract(
            "deliveries.read",
            DeliveryShape,
            "Messages and their fate",
            params=(
                params.choice(
                    "state", outbox.STATES, "failed: given up for good; withdrawn: needed no more."
                ),
                params.choice("channel", CHANNELS),
                params.ref("alert"),
                params.ref("webhook"),
                *params.paging(NEWEST),
            ),
            paged=True,
        )
    }

    def get(self, request: Any, lab: str) -> HttpResponse:
        given = self.query
        rows = Delivery.objects.filter(lab=self.caller.lab)
        if "state" in given:
            rows = rows.filter(outbox.state_q(given["state"]))
        names = {"channel": "channel", "alert": "alert_id", "webhook": "webhook_id"}
        rows = rows.filter(**{column: given[name] for name, column in names.items() if name in given})
        keys = NEWEST[given.get("ordering", "-id")]
        return self.listing(
            page(request._request, rows, keys=keys, columns=DELIVERY_COLUMNS, given=given, shape=delivery_out)
        )


class DeliveryDetail(LabView):
    """One message."""

    contracts = {"GET": Contract("deliveries.read", DeliveryShape, "One message", tagged=True)}

    def get(self, request: Any, lab: str, delivery: str) -> HttpResponse:
        self.query  # noqa: B018 - refuses parameters
        return self.detail(delivery_shown(self.caller.by_id(Delivery.objects.all(), delivery).pk))


class DeliveryReplays(LabView):
    """Send a message again under its id, with as many attempts as a new one."""

    contracts = {"POST": Contract("deliveries.replay", DeliveryShape, "Send again", body=Nothing, status=201)}

    def post(self, request: Any, lab: str, delivery: str) -> HttpResponse:
        row = self.caller.by_id(Delivery.objects.all(), delivery)
        return self.write(lambda data: Done(delivery_shown(outbox.replay(**self.by, delivery=row).pk)))
