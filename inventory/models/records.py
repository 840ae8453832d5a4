"""Alerts, jobs, and what was done by whom: rows first, work second."""

from __future__ import annotations

from typing import ClassVar

from django.db import models
from django.db.models import Q


class Alert(models.Model):
    """Something that needs a person. At most one open alert for a subject and rule."""

    lab = models.ForeignKey("inventory.Lab", on_delete=models.PROTECT, related_name="alerts", db_index=False)
    rule = models.CharField(max_length=40)
    subject_kind = models.CharField(max_length=20)
    subject_id = models.BigIntegerField()
    due_on = models.DateField(null=True, blank=True)
    opened_at = models.DateTimeField()
    closed_at = models.DateTimeField(null=True, blank=True)
    cured_by = models.CharField(max_length=200, blank=True)
    acknowledged_at = models.DateTimeField(null=True, blank=True)
    acknowledged_by = models.ForeignKey(
        "inventory.User", null=True, blank=True, on_delete=models.PROTECT, related_name="+", db_index=False
    )
    put_off_until = models.DateTimeField(null=True, blank=True)
    escalated_at = models.DateTimeField(null=True, blank=True)
    # Whom to tell is worked out once when it opens, when it goes to the supervisors, and when it closes.
    planned_at = models.DateTimeField(null=True, blank=True)
    escalation_planned_at = models.DateTimeField(null=True, blank=True)
    closing_planned_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["rule", "subject_kind", "subject_id"],
                condition=Q(closed_at__isnull=True),
                name="alert_open_once",
            )
        ]
        indexes: ClassVar = [
            models.Index(fields=["lab", "id"], name="alert_lab_page"),
            models.Index(fields=["lab", "id"], condition=Q(closed_at__isnull=True), name="alert_open_page"),
            models.Index(
                fields=["opened_at"],
                condition=Q(closed_at__isnull=True, acknowledged_at__isnull=True, escalated_at__isnull=True),
                name="alert_unanswered",
            ),
            models.Index(fields=["id"], condition=Q(planned_at__isnull=True), name="alert_unplanned"),
            models.Index(
                fields=["id"],
                condition=Q(escalated_at__isnull=False, escalation_planned_at__isnull=True),
                name="alert_escalation_unplanned",
            ),
            models.Index(
                fields=["id"],
                condition=Q(closed_at__isnull=False, closing_planned_at__isnull=True),
                name="alert_closing_unplanned",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.rule} · {self.subject_kind} {self.subject_id}"


class Job(models.Model):
    """What must be done, and whether it has been. The broker, if any, only carries job ids."""

    name = models.CharField(max_length=60)
    key = models.CharField(max_length=200, unique=True, help_text="Same key, same job.")
    payload = models.JSONField(default=dict)
    due_at = models.DateTimeField()
    attempts = models.PositiveSmallIntegerField(default=0)
    done_at = models.DateTimeField(null=True, blank=True)
    failed_at = models.DateTimeField(null=True, blank=True)
    last_error = models.TextField(blank=True)
    created_at = models.DateTimeField()

    class Meta:
        indexes: ClassVar = [
            models.Index(
                fields=["due_at"],
                condition=Q(done_at__isnull=True, failed_at__isnull=True),
                name="job_waiting",
            )
        ]

    def __str__(self) -> str:
        return self.key


class Answer(models.Model):
    """The answer first given to a client-made key, so that the same request is never carried out twice."""

    user = models.ForeignKey("inventory.User", on_delete=models.CASCADE, related_name="+", db_index=False)
    key = models.CharField(max_length=200)
    body_sha256 = models.CharField(max_length=64)
    status = models.PositiveSmallIntegerField(default=0)
    body = models.JSONField(null=True)
    headers = models.JSONField(default=dict)
    created_at = models.DateTimeField(db_index=True)

    class Meta:
        constraints: ClassVar = [models.UniqueConstraint(fields=["user", "key"], name="answer_key_once")]

    def __str__(self) -> str:
        return self.key


class Event(models.Model):
    """Who changed which fact, when, from what to what. Append-only."""

    lab = models.ForeignKey("inventory.Lab", on_delete=models.PROTECT, related_name="events", db_index=False)
    actor = models.ForeignKey("inventory.User", on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()
    verb = models.CharField(max_length=60)
    subject_kind = models.CharField(max_length=20)
    subject_id = models.BigIntegerField()
    data = models.JSONField(default=dict)

    class Meta:
        indexes: ClassVar = [
            models.Index(fields=["lab", "id"], name="event_lab_page"),
            models.Index(fields=["subject_kind", "subject_id"], name="event_subject"),
        ]

    def __str__(self) -> str:
        return f"{self.verb} {self.subject_kind} {self.subject_id}"


class ImportedRow(models.Model):
    """A spreadsheet row that has been taken in; the same row never counts twice. Append-only.

    turn: how often the same row had been taken in before and undone again.
    """

    lab = models.ForeignKey("inventory.Lab", on_delete=models.PROTECT, related_name="+", db_index=False)
    kind = models.CharField(max_length=12)
    fingerprint = models.CharField(max_length=64)
    file_sha256 = models.CharField(max_length=64)
    line = models.PositiveIntegerField()
    subject_kind = models.CharField(max_length=20)
    subject_id = models.BigIntegerField()
    actor = models.ForeignKey("inventory.User", on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField()
    turn = models.PositiveSmallIntegerField(default=0, db_default=0)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["lab", "kind", "fingerprint", "turn"], name="imported_row_once")
        ]

    def __str__(self) -> str:
        return f"{self.kind} line {self.line}"
