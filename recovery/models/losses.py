"""What was found in the losses of many runs: coefficients, and the day since when more is lost."""

from __future__ import annotations

from typing import ClassVar

from django.db import models
from django.db.models import Q


class LossFit(models.Model):
    """Coefficients of predicted losses from a lab's own closed runs; they count once adopted."""

    lab = models.ForeignKey("inventory.Lab", on_delete=models.PROTECT, related_name="+", db_index=False)
    solvent = models.ForeignKey("inventory.Solvent", on_delete=models.PROTECT, related_name="+")
    kind = models.ForeignKey(
        "recovery.RunKind", null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    apparatus = models.ForeignKey(
        "recovery.Apparatus", null=True, blank=True, on_delete=models.PROTECT, related_name="fits"
    )
    runs = models.PositiveIntegerField()
    first_started_at = models.DateTimeField()
    last_started_at = models.DateTimeField()
    result = models.JSONField(help_text="Coefficients with intervals, residuals, and the statement of fit.")
    actor = models.ForeignKey("inventory.User", on_delete=models.PROTECT, related_name="+")
    made_at = models.DateTimeField()
    adopted_at = models.DateTimeField(null=True, blank=True)
    adopted_by = models.ForeignKey(
        "inventory.User", null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    ended_at = models.DateTimeField(null=True, blank=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        indexes: ClassVar = [
            models.Index(fields=["lab", "id"], name="loss_fit_lab_page"),
            models.Index(
                fields=["lab", "solvent"],
                condition=Q(adopted_at__isnull=False, ended_at__isnull=True),
                name="loss_fit_in_use",
            ),
        ]

    def __str__(self) -> str:
        return f"fit {self.pk} over {self.runs} runs"


class LossSignal(models.Model):
    """A series of runs that loses more, or less, than its baseline: since when, by which rule, which runs.

    At most one stands for a series; it ends by the facts, never by hand.
    """

    lab = models.ForeignKey("inventory.Lab", on_delete=models.PROTECT, related_name="loss_signals")
    series = models.CharField(max_length=200, help_text="Names the series: solvent and what it is read by.")
    solvent = models.ForeignKey("inventory.Solvent", on_delete=models.PROTECT, related_name="+")
    kind = models.ForeignKey(
        "recovery.RunKind", null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    apparatus = models.ForeignKey(
        "recovery.Apparatus", null=True, blank=True, on_delete=models.PROTECT, related_name="signals"
    )
    purpose = models.CharField(max_length=120, blank=True)
    chart = models.CharField(max_length=20)
    rule = models.CharField(max_length=60)
    direction = models.CharField(max_length=4, choices=[(d, d) for d in ["more", "less"]])
    since_run = models.ForeignKey("recovery.Run", on_delete=models.PROTECT, related_name="+")
    last_run = models.ForeignKey("recovery.Run", on_delete=models.PROTECT, related_name="+")
    data = models.JSONField(default=dict, help_text="Runs behind it, limits and baseline as they stood.")
    words = models.TextField()
    found_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True, blank=True)
    ended_words = models.CharField(max_length=200, blank=True)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["lab", "series"], condition=Q(ended_at__isnull=True), name="loss_signal_stands_once"
            )
        ]
        indexes: ClassVar = [
            models.Index(fields=["lab", "id"], name="loss_signal_lab_page"),
            models.Index(fields=["id"], condition=Q(ended_at__isnull=True), name="loss_signal_standing"),
        ]

    def __str__(self) -> str:
        return self.series
