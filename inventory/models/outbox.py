"""What leaves the house: who wants to be told how, where programs listen, and every message with its fate."""

from __future__ import annotations

from typing import ClassVar

from django.db import models
from django.db.models import Q

CONFIRM = "confirm"
NOTICE = "notice"
CHANNELS = ["email", "digest", "webhook", CONFIRM, NOTICE]
HELD_BECAUSE = ["left", "role", "inactive"]


class MailChoice(models.Model):
    """How one person wants to be told of one lab's alerts. Without a row the role's default holds."""

    membership = models.OneToOneField(
        "inventory.Membership", on_delete=models.CASCADE, related_name="mail_choice"
    )
    at_once_severity = models.PositiveSmallIntegerField(
        help_text="Alerts of this severity or worse (1 is worst) go out at once; 0: none."
    )
    digest = models.BooleanField(default=True)

    def __str__(self) -> str:
        return f"{self.membership_id}: {self.at_once_severity}"


class Webhook(models.Model):
    """An address of a program that is told of alerts, signed by the Standard Webhooks scheme.

    actor answers for it: made it, or took it over. When they supervise the lab no more it is held.
    """

    lab = models.ForeignKey("inventory.Lab", on_delete=models.CASCADE, related_name="webhooks")
    name = models.CharField(max_length=80)
    url = models.URLField(max_length=500)
    secret = models.CharField(max_length=255, help_text="Sealed: `services/delivery/webhook_secrets`.")
    secret_before = models.CharField(max_length=255, blank=True, help_text="Sealed; signs too for a while.")
    secret_before_until = models.DateTimeField(null=True, blank=True)
    rules = models.JSONField(default=list, help_text="Keys of alert rules; empty: all.")
    actor = models.ForeignKey("inventory.User", on_delete=models.PROTECT, related_name="+")
    created_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True, blank=True)
    held_at = models.DateTimeField(
        null=True, blank=True, help_text="Since when nothing is sent until a supervisor takes it over."
    )
    held_because = models.CharField(
        max_length=10, blank=True, db_default="", help_text="What became of whoever answered for it."
    )
    unreadable_at = models.DateTimeField(
        null=True, blank=True, help_text="Since when its secret was found to open by no key of the site."
    )
    version = models.PositiveIntegerField(default=1)

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(held_at__isnull=True, held_because="")
                | Q(held_at__isnull=False, held_because__in=HELD_BECAUSE),
                name="webhook_held_for_a_reason",
            )
        ]
        indexes: ClassVar = [models.Index(fields=["lab", "id"], name="webhook_lab_page")]

    def __str__(self) -> str:
        return self.name


class Feed(models.Model):
    """A secret address of a calendar or an Atom feed; whoever has it may read, until it is revoked."""

    lab = models.ForeignKey("inventory.Lab", on_delete=models.CASCADE, related_name="feeds")
    user = models.ForeignKey("inventory.User", on_delete=models.CASCADE, related_name="feeds")
    kind = models.CharField(max_length=10, choices=[(k, k) for k in ["calendar", "atom"]])
    name = models.CharField(max_length=80, blank=True)
    secret_sha256 = models.CharField(max_length=64, unique=True)
    prefix = models.CharField(max_length=8, help_text="First letters of the secret, to tell feeds apart.")
    created_at = models.DateTimeField()
    last_read_at = models.DateTimeField(null=True, blank=True)
    revoked_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(condition=Q(kind__in=["calendar", "atom"]), name="feed_kind_known")
        ]
        indexes: ClassVar = [models.Index(fields=["lab", "id"], name="feed_lab_page")]

    def __str__(self) -> str:
        return f"{self.kind} {self.prefix}"


class Delivery(models.Model):
    """One message to one receiver: a row first, sent second, repeated with the same id until it is through.

    key names what it is about, so that the same message is never made twice.
    """

    lab = models.ForeignKey(
        "inventory.Lab", on_delete=models.CASCADE, related_name="deliveries", db_index=False
    )
    channel = models.CharField(max_length=10, choices=[(c, c) for c in CHANNELS])
    key = models.CharField(max_length=200, unique=True)
    message_id = models.CharField(
        max_length=120, help_text="Message-ID or webhook-id: the same in every attempt."
    )
    alert = models.ForeignKey(
        "inventory.Alert", null=True, blank=True, on_delete=models.CASCADE, related_name="deliveries"
    )
    user = models.ForeignKey(
        "inventory.User", null=True, blank=True, on_delete=models.CASCADE, related_name="+", db_index=False
    )
    webhook = models.ForeignKey(
        Webhook, null=True, blank=True, on_delete=models.CASCADE, related_name="deliveries"
    )
    payload = models.JSONField(default=dict)
    created_at = models.DateTimeField()
    due_at = models.DateTimeField()
    attempts = models.PositiveSmallIntegerField(default=0)
    sent_at = models.DateTimeField(null=True, blank=True)
    failed_at = models.DateTimeField(null=True, blank=True)
    withdrawn_at = models.DateTimeField(
        null=True, blank=True, help_text="Nobody needed it any more; last_error says why."
    )
    last_error = models.TextField(blank=True)

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(condition=Q(channel__in=CHANNELS), name="delivery_channel_known"),
            models.CheckConstraint(
                condition=Q(user__isnull=False) | Q(webhook__isnull=False), name="delivery_has_receiver"
            ),
        ]
        indexes: ClassVar = [
            models.Index(fields=["lab", "id"], name="delivery_lab_page"),
            models.Index(
                fields=["due_at"],
                condition=Q(sent_at__isnull=True, failed_at__isnull=True, withdrawn_at__isnull=True),
                name="delivery_waiting",
            ),
            models.Index(
                fields=["user", "created_at"], condition=Q(channel="confirm"), name="delivery_confirming"
            ),
        ]

    def __str__(self) -> str:
        return self.key
