"""Peroxide tests and signs seen on containers. Both are append-only; a mistake is withdrawn by a new row."""

from __future__ import annotations

from typing import ClassVar

from django.db import models
from django.db.models import F, Q


class PeroxideTest(models.Model):
    """A reading as an interval in µg/L (as hydrogen peroxide); no upper end means "more than this"."""

    lab = models.ForeignKey("inventory.Lab", on_delete=models.PROTECT, related_name="peroxide_tests")
    container = models.ForeignKey(
        "inventory.Container", on_delete=models.PROTECT, related_name="peroxide_tests"
    )
    lot = models.ForeignKey("inventory.Lot", on_delete=models.PROTECT, related_name="peroxide_tests")
    method = models.CharField(max_length=40)
    lower_ug_per_l = models.BigIntegerField()
    upper_ug_per_l = models.BigIntegerField(null=True, blank=True)
    as_entered = models.CharField(max_length=120)
    tested_on = models.DateField(null=True, blank=True, help_text="Empty: the day was not written down.")
    actor = models.ForeignKey("inventory.User", on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField()
    withdraws = models.OneToOneField(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="withdrawn_by"
    )
    note = models.TextField(blank=True)

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(condition=Q(lower_ug_per_l__gte=0), name="test_lower_not_negative"),
            models.CheckConstraint(
                condition=Q(upper_ug_per_l__isnull=True) | Q(upper_ug_per_l__gte=F("lower_ug_per_l")),
                name="test_interval_in_order",
            ),
        ]
        indexes: ClassVar = [models.Index(fields=["lab", "id"], name="test_lab_page")]

    def __str__(self) -> str:
        return f"{self.as_entered} on {self.tested_on or 'an unknown day'}"


class Observation(models.Model):
    """A sign seen on a container (crystals, a stuck cap …), or the withdrawal of one."""

    lab = models.ForeignKey("inventory.Lab", on_delete=models.PROTECT, related_name="observations")
    container = models.ForeignKey(
        "inventory.Container", on_delete=models.PROTECT, related_name="observations"
    )
    sign = models.CharField(max_length=40)
    words = models.CharField(max_length=300, blank=True)
    seen_on = models.DateField()
    actor = models.ForeignKey("inventory.User", on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField()
    withdraws = models.OneToOneField(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="withdrawn_by"
    )

    class Meta:
        indexes: ClassVar = [models.Index(fields=["lab", "id"], name="observation_lab_page")]

    def __str__(self) -> str:
        return f"{self.sign} on {self.seen_on}"
