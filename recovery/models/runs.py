"""Runs: what was charged, what came back, and the sums by which loss rates are read."""

from __future__ import annotations

from typing import ClassVar

from django.db import models
from django.db.models import Q


class Run(models.Model):
    """One use of solvent from first charge to close. It has a place of its own; movements know only that."""

    lab = models.ForeignKey("inventory.Lab", on_delete=models.PROTECT, related_name="runs", db_index=False)
    place = models.OneToOneField("inventory.Place", on_delete=models.PROTECT, related_name="run")
    purpose = models.CharField(max_length=120)
    operator_name = models.CharField(max_length=80, help_text="As written in the log.")
    operator = models.ForeignKey(
        "inventory.User", null=True, blank=True, on_delete=models.PROTECT, related_name="runs"
    )
    started_at = models.DateTimeField()
    month = models.DateField(help_text="First day of the month it started in, in the lab's zone.")
    closed_at = models.DateTimeField(null=True, blank=True)
    is_history = models.BooleanField(default=False, help_text="From before counting began: moves no stock.")
    remarks = models.TextField(blank=True)
    findings = models.JSONField(default=list)
    unseen_findings = models.CharField(
        max_length=120, blank=True, default="", db_default="", help_text="Those that nobody answered for yet."
    )
    distils = models.BooleanField(
        default=True,
        db_default=True,
        help_text="Whether solvent is distilled or concentrated in it; taken so unless told.",
    )
    to_dryness = models.BooleanField(
        default=False,
        db_default=False,
        help_text="Meant to be taken to dryness: no peroxide former may be charged.",
    )
    heel_ul = models.BigIntegerField(default=0, db_default=0, help_text="Least volume to leave in the still.")
    heel_source = models.TextField(blank=True, db_default="")
    kind = models.ForeignKey(
        "recovery.RunKind",
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="runs",
        db_index=False,
        help_text="Empty: not told.",
    )
    location = models.ForeignKey(
        "inventory.Location",
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="runs",
        db_index=False,
        help_text="The room it is done in.",
    )
    is_draft = models.BooleanField(
        default=False, db_default=False, help_text="Planned only; the first charge starts it."
    )
    plan = models.JSONField(null=True, blank=True, help_text="The plan it was drafted from.")
    closing_entry = models.UUIDField(
        null=True, blank=True, help_text="The movements that closed it; reversing them opens it again."
    )
    version = models.PositiveIntegerField(default=1)
    actor = models.ForeignKey("inventory.User", on_delete=models.PROTECT, related_name="+")
    created_at = models.DateTimeField()

    class Meta:
        indexes: ClassVar = [
            models.Index(fields=["lab", "id"], name="run_lab_page"),
            models.Index(fields=["lab", "kind", "started_at"], name="run_lab_kind"),
            models.Index(fields=["lab", "purpose", "started_at"], name="run_lab_purpose"),
            models.Index(fields=["lab", "id"], condition=~Q(unseen_findings=""), name="run_unseen_findings"),
            models.Index(fields=["lab", "month"], name="run_lab_month"),
            models.Index(fields=["started_at"], condition=Q(closed_at__isnull=True), name="run_open"),
        ]

    def __str__(self) -> str:
        return f"{self.purpose} ({self.pk})"


class RunSum(models.Model):
    """Per run and solvent: sums of its movements, rewritten in the transaction that books one.

    lost_ul is charged less returned less what is still in the run; it may be negative
    (more came back than went out), which is a finding, never an error.
    """

    run = models.ForeignKey(Run, on_delete=models.CASCADE, related_name="sums")
    solvent = models.ForeignKey("inventory.Solvent", on_delete=models.PROTECT, related_name="+")
    charged_ul = models.BigIntegerField(default=0)
    returned_ul = models.BigIntegerField(default=0)
    lost_ul = models.BigIntegerField(default=0)
    held_ul = models.BigIntegerField(default=0)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["run", "solvent"], name="run_sum_once"),
            models.CheckConstraint(condition=Q(charged_ul__gte=0), name="run_sum_charged_not_negative"),
            models.CheckConstraint(condition=Q(returned_ul__gte=0), name="run_sum_returned_not_negative"),
        ]

    def __str__(self) -> str:
        return f"run {self.run_id}: {self.charged_ul} out, {self.returned_ul} back"


class Clearance(models.Model):
    """What the gate before distilling said of one charge: what it rested on, and who overrode it.

    Append-only. A refusal that nobody overrode leaves no row: nothing was charged.
    """

    lab = models.ForeignKey(
        "inventory.Lab", on_delete=models.PROTECT, related_name="clearances", db_index=False
    )
    run = models.ForeignKey(Run, on_delete=models.PROTECT, related_name="clearances")
    container = models.ForeignKey("inventory.Container", on_delete=models.PROTECT, related_name="clearances")
    lot = models.ForeignKey("inventory.Lot", on_delete=models.PROTECT, related_name="+")
    entry = models.UUIDField(help_text="The movements that it let through.")
    volume_ul = models.BigIntegerField()
    level = models.CharField(max_length=20)
    allowed = models.BooleanField(help_text="What the verdict alone said.")
    reasons = models.JSONField(default=list)
    test = models.ForeignKey(
        "inventory.PeroxideTest", null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    heel_percent = models.DecimalField(max_digits=5, decimal_places=2)
    heel_ul = models.BigIntegerField()
    heel_source = models.TextField()
    override_reason = models.TextField(blank=True)
    actor = models.ForeignKey("inventory.User", on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField()

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(allowed=True) | ~Q(override_reason=""), name="clearance_override_has_reason"
            ),
            models.CheckConstraint(condition=Q(heel_ul__gte=0), name="clearance_heel_not_negative"),
        ]
        indexes: ClassVar = [models.Index(fields=["lab", "id"], name="clearance_lab_page")]

    def __str__(self) -> str:
        return f"{self.level} for run {self.run_id}"
