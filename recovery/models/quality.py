"""What came back: wet or dried, how good it is, what for, and how often it may be distilled."""

from __future__ import annotations

from typing import ClassVar

from django.db import models
from django.db.models import Q


class ReturnState(models.Model):
    """Whether what came back in one entry was wet or dried. Append-only: the newest row counts."""

    class State(models.TextChoices):
        WET = "wet"
        DRIED = "dried"
        NOT_TOLD = "not-told"

    run = models.ForeignKey("recovery.Run", on_delete=models.PROTECT, related_name="return_states")
    entry = models.UUIDField(help_text="The movements by which it came back.")
    state = models.CharField(max_length=8, choices=State.choices)
    drying_agent = models.CharField(max_length=80, blank=True)
    actor = models.ForeignKey("inventory.User", on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField()

    class Meta:
        indexes: ClassVar = [models.Index(fields=["run", "entry", "id"], name="return_state_newest")]

    def __str__(self) -> str:
        return f"{self.state} {self.entry}"


class QualityCheck(models.Model):
    """One property of what is in a container, measured and held against its reference. Append-only.

    low and high are in `unit` and equal for a single reading; a boiling range has two. outcome is what the
    reference of that day said.
    """

    class Property(models.TextChoices):
        DENSITY = "density"
        REFRACTIVE_INDEX = "refractive-index"
        BOILING_RANGE = "boiling-range"
        WATER = "water"

    class Outcome(models.TextChoices):
        WITHIN = "within"
        OUTSIDE = "outside"
        UNDECIDED = "undecided"
        NO_REFERENCE = "no-reference"

    lab = models.ForeignKey("inventory.Lab", on_delete=models.PROTECT, related_name="+", db_index=False)
    container = models.ForeignKey(
        "inventory.Container", on_delete=models.PROTECT, related_name="quality_checks"
    )
    lot = models.ForeignKey("inventory.Lot", on_delete=models.PROTECT, related_name="quality_checks")
    run = models.ForeignKey(
        "recovery.Run", null=True, blank=True, on_delete=models.PROTECT, related_name="quality_checks"
    )
    what = models.CharField(max_length=20, choices=Property.choices)
    low = models.DecimalField(max_digits=18, decimal_places=6)
    high = models.DecimalField(max_digits=18, decimal_places=6)
    u_value = models.DecimalField(
        max_digits=18, decimal_places=6, null=True, blank=True, help_text="Standard uncertainty (k = 1)."
    )
    unit = models.CharField(max_length=16)
    temperature_c = models.DecimalField(max_digits=6, decimal_places=2, null=True, blank=True)
    as_entered = models.JSONField(default=dict)
    reference = models.JSONField(default=dict, help_text="Lowest, highest, source, as they stood.")
    outcome = models.CharField(max_length=12, choices=Outcome.choices)
    happened_at = models.DateTimeField()
    withdraws = models.OneToOneField(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="withdrawn_by"
    )
    note = models.TextField(blank=True)
    actor = models.ForeignKey("inventory.User", on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField()

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(high__gte=models.F("low")), name="quality_check_high_not_below_low"
            )
        ]
        indexes: ClassVar = [models.Index(fields=["lot", "id"], name="quality_check_of_lot")]

    def __str__(self) -> str:
        return f"{self.what} of lot {self.lot_id}"


class QualityLimit(models.Model):
    """What a lab holds a property to, for one use or all, in place of the shipped reference.

    what "times-distilled" limits how often a solvent is distilled: `highest`, whole. solvent empty: any.
    """

    lab = models.ForeignKey("inventory.Lab", on_delete=models.PROTECT, related_name="quality_limits")
    solvent = models.ForeignKey(
        "inventory.Solvent", null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    use = models.CharField(max_length=60, blank=True, help_text="Fit for what, as extraction; empty: any.")
    what = models.CharField(max_length=20)
    lowest = models.DecimalField(max_digits=18, decimal_places=6, null=True, blank=True)
    highest = models.DecimalField(max_digits=18, decimal_places=6, null=True, blank=True)
    unit = models.CharField(max_length=16, blank=True)
    refuses = models.BooleanField(default=False, help_text="Refuse, or only warn.")
    source = models.TextField()
    ended_at = models.DateTimeField(null=True, blank=True)
    version = models.PositiveIntegerField(default=1)
    actor = models.ForeignKey("inventory.User", on_delete=models.PROTECT, related_name="+")
    created_at = models.DateTimeField()

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(lowest__isnull=False) | Q(highest__isnull=False), name="quality_limit_limits"
            )
        ]

    def __str__(self) -> str:
        return f"{self.what} {self.lowest} to {self.highest}"


class SolventPrice(models.Model):
    """What a lab pays for a litre, and for a litre of waste taken away. Append-only: the newest counts."""

    lab = models.ForeignKey("inventory.Lab", on_delete=models.PROTECT, related_name="+", db_index=False)
    solvent = models.ForeignKey("inventory.Solvent", on_delete=models.PROTECT, related_name="+")
    since_on = models.DateField()
    per_litre = models.DecimalField(max_digits=12, decimal_places=4)
    waste_per_litre = models.DecimalField(max_digits=12, decimal_places=4, null=True, blank=True)
    currency = models.CharField(max_length=3, help_text="ISO 4217 code.")
    note = models.TextField(blank=True)
    actor = models.ForeignKey("inventory.User", on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField()

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(condition=Q(per_litre__gte=0), name="solvent_price_not_negative")
        ]
        indexes: ClassVar = [
            models.Index(fields=["lab", "solvent", "since_on", "id"], name="solvent_price_newest")
        ]

    def __str__(self) -> str:
        return f"{self.per_litre} {self.currency}"
