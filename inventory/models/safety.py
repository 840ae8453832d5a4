"""Peroxide tests and signs seen on containers. Both are append-only; a mistake is withdrawn by a new row."""

from __future__ import annotations

from typing import ClassVar

from django.db import models
from django.db.models import F, Q, Value


class Reagent(models.Model):
    """One lot of test strips, or one bottle of solution for testing."""

    lab = models.ForeignKey("inventory.Lab", on_delete=models.PROTECT, related_name="reagents")
    method = models.CharField(max_length=40)
    name = models.CharField(max_length=120)
    maker_lot = models.CharField(max_length=80, blank=True)
    expiry_on = models.DateField(null=True, blank=True)
    opened_on = models.DateField(null=True, blank=True)
    use_by_on = models.DateField(null=True, blank=True, help_text="Shortened by opening or standardising.")
    concentration_mol_per_l = models.DecimalField(max_digits=10, decimal_places=6, null=True, blank=True)
    u_concentration_mol_per_l = models.DecimalField(max_digits=10, decimal_places=6, null=True, blank=True)
    standardised_on = models.DateField(null=True, blank=True)
    ended_at = models.DateTimeField(null=True, blank=True)
    version = models.PositiveIntegerField(default=1)
    note = models.TextField(blank=True)
    actor = models.ForeignKey("inventory.User", on_delete=models.PROTECT, related_name="+")
    created_at = models.DateTimeField()

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(concentration_mol_per_l__isnull=True) | Q(concentration_mol_per_l__gt=0),
                name="reagent_concentration_positive",
            )
        ]
        indexes: ClassVar = [
            models.Index(fields=["lab", "id"], name="reagent_lab_page"),
            models.Index(
                fields=["use_by_on"],
                condition=Q(ended_at__isnull=True, use_by_on__isnull=False),
                name="reagent_use_by",
            ),
        ]

    def __str__(self) -> str:
        return self.name


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
    reagent = models.ForeignKey(
        "inventory.Reagent", null=True, blank=True, on_delete=models.PROTECT, related_name="tests"
    )
    reagent_expired = models.BooleanField(
        null=True, blank=True, help_text="Whether strips or solution were past their date; empty: not known."
    )
    working = models.JSONField(
        default=dict,
        db_default=Value({}, models.JSONField()),
        help_text="What a titration was worked out from.",
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
    lot = models.ForeignKey(
        "inventory.Lot",
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="observations",
        help_text="What was in it then: a sign of the liquid goes where that goes.",
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


class Treatment(models.Model):
    """Something was done to what is in a container: inhibitor added, peroxides removed. Append-only."""

    class Kind(models.TextChoices):
        INHIBITOR_ADDED = "inhibitor-added"
        PEROXIDES_REMOVED = "peroxides-removed"

    lab = models.ForeignKey("inventory.Lab", on_delete=models.PROTECT, related_name="treatments")
    container = models.ForeignKey("inventory.Container", on_delete=models.PROTECT, related_name="treatments")
    lot = models.ForeignKey("inventory.Lot", on_delete=models.PROTECT, related_name="treatments")
    kind = models.CharField(max_length=20, choices=Kind.choices)
    treated_on = models.DateField()
    inhibitor = models.CharField(max_length=60, blank=True)
    mass_ug = models.BigIntegerField(null=True, blank=True)
    volume_ul = models.BigIntegerField(help_text="What was in the container then.")
    target_ppm = models.DecimalField(max_digits=9, decimal_places=3, null=True, blank=True)
    reached_ppm = models.DecimalField(max_digits=9, decimal_places=3, null=True, blank=True)
    how = models.CharField(max_length=300, blank=True)
    actor = models.ForeignKey("inventory.User", on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField()
    withdraws = models.OneToOneField(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="withdrawn_by"
    )

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(kind__in=["inhibitor-added", "peroxides-removed"]), name="treatment_kind_known"
            ),
            models.CheckConstraint(
                condition=Q(mass_ug__isnull=True) | Q(mass_ug__gt=0), name="treatment_mass_positive"
            ),
        ]
        indexes: ClassVar = [models.Index(fields=["lab", "id"], name="treatment_lab_page")]

    def __str__(self) -> str:
        return f"{self.kind} on {self.treated_on}"
